"""One material at hand, checked: figures, stock, shares, price, measure, and when it spoils."""

import math
from collections.abc import Iterator
from typing import Final

from service.domain.errors import FieldError

from .figures import MASS, Bounds, faults, plain
from .ingredient import check_figures
from .wanted import SHARES, Available

WHOLE_ROOM: Final = 1e-9
"""Relative; a stock this close to a whole number of measures holds them."""

_COST: Final = Bounds(-1e6, 1e6, "give the cost of one kg, 0 if it is free")
_SHARE: Final = Bounds(0, 100, "give a share of the mix as a percentage")
_LITRES: Final = Bounds(1e-3, 1e5, "give what one of it holds in litres, such as 80 for a barrow")
_KILOS: Final = Bounds(1e-6, 1e5, "give what one of it weighs in kg")
_DAYS: Final = Bounds(0, 36_500, "give the days from now, 0 for today")


def check_material(one: Available, pointer: str) -> list[FieldError]:
    """Find what is wrong with one material at hand, whatever is asked of it.

    Parameters
    ----------
    one
        As given.
    pointer
        Where it stands in the request, for example ``/ingredients/0``.

    Returns
    -------
    list of FieldError
        Empty when it can be meant.
    """
    errors = check_figures(one.ingredient, pointer)
    for field in ("mass_kg", "volume_m3"):
        if getattr(one.ingredient, field) is not None:
            detail = "the amount is what is solved for; leave it out, or bound it with min_kg and max_kg"
            errors.append(FieldError(f"{pointer}/{field}", detail))
    errors += _check_pair(one, pointer, "kg", MASS)
    for share in SHARES:
        errors += _check_pair(one, pointer, share, _SHARE)
    errors += faults(f"{pointer}/cost_per_kg", one.cost_per_kg, _COST)
    errors += faults(f"{pointer}/spoils_in_days", one.spoils_in_days, _DAYS)
    measured = list(_check_measure(one, pointer))
    return [*errors, *(measured or ([] if errors else _check_whole(one, pointer)))]


def _check_pair(one: Available, pointer: str, figure: str, bounds: Bounds) -> list[FieldError]:
    least, most = getattr(one, f"min_{figure}"), getattr(one, f"max_{figure}")
    found = [
        *faults(f"{pointer}/min_{figure}", least, bounds),
        *faults(f"{pointer}/max_{figure}", most, bounds),
    ]
    if not found and most is not None and (least or 0.0) > most:
        detail = f"min_{figure} {plain(least)} is above max_{figure} {plain(most)}; swap or widen them"
        found.append(FieldError(f"{pointer}/min_{figure}", detail))
    return found


def _check_measure(one: Available, pointer: str) -> Iterator[FieldError]:
    measure = one.measure
    if measure is None:
        if one.whole:
            detail = f"only whole measures of {one.name} are to go in, and it has none; give measure, such as a barrow"
            yield FieldError(f"{pointer}/measure", detail)
        return
    if not measure.name.strip():
        yield FieldError(f"{pointer}/measure/name", "the name is empty; say barrow, bucket, fork")
    if (measure.volume_l is None) == (measure.mass_kg is None):
        detail = "give exactly one of volume_l and mass_kg: what one of it holds, or weighs full"
        yield FieldError(f"{pointer}/measure", detail)
        return
    yield from faults(f"{pointer}/measure/volume_l", measure.volume_l, _LITRES)
    yield from faults(f"{pointer}/measure/mass_kg", measure.mass_kg, _KILOS)


def _check_whole(one: Available, pointer: str) -> list[FieldError]:
    """Refuse stock bounds that no whole number of measures lies between."""
    kg = one.measure_kg
    if not one.whole or kg is None or one.measure is None or one.max_kg is None:
        return []
    fewest, most = math.ceil(one.least_kg / kg - WHOLE_ROOM), math.floor(one.max_kg / kg + WHOLE_ROOM)
    if fewest <= most:
        return []
    detail = (
        f"no whole number of {one.measure.name}s of {plain(kg)} kg lies between {plain(one.least_kg)} and"
        f" {plain(one.max_kg)} kg; widen the two, or leave whole out"
    )
    return [FieldError(f"{pointer}/min_kg", detail)]
