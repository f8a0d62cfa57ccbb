"""What a laboratory, an oven, a bucket or a hand tells of a material, turned into figures with their accuracy."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from service.domain.errors import FieldError, Invalid

from .feedstock import FIGURES
from .measures import (
    POUND_KG,
    US_GALLON_L,
    bucket_bulk_density_kg_m3,
    moisture_from_drying_pct,
    of_dry_matter_pct,
)

KINDS: Final = ("laboratory", "oven_drying", "bucket", "squeeze")
OF_DRY_MATTER: Final = (
    "nitrogen_pct",
    "carbon_pct",
    "volatile_solids_pct",
    "lignin_pct",
    "phosphorus_pct",
    "potassium_pct",
)
"""Figures a laboratory may print of the material as it lies."""

SQUEEZE_PLUS_MINUS: Final = 10.0
"""Operators find that a hand misjudges moisture by up to this many points (a compost operation's page on moisture
management, second-hand)."""

SQUEEZE_MOISTURE_PCT: Final = {"dry": 40.0, "right": 55.0, "wet": 65.0}
"""A wrung-out sponge with a few drops is the middle of the wanted 50 to 60 % (LSU AgCenter, second-hand); crumbling is
taken as the lower and streaming as the upper end of the workable 40 to 65 %: common practice, no source."""

_HOW: Final = {"oven_drying": "oven", "bucket": "bucket", "squeeze": "squeeze"}


@dataclass(frozen=True, slots=True)
class Measured:
    """An analysis as figures.

    Attributes
    ----------
    figures
        By name; moisture in % of wet mass, the others in % of dry matter.
    plus_minus
        Accuracy by the figure's name, in its own unit.
    raw
        What was weighed or printed; empty when the figures are just that.
    """

    figures: Mapping[str, float]
    plus_minus: Mapping[str, float] = field(default_factory=dict)
    raw: Mapping[str, Any] = field(default_factory=dict)


def measured(kind: str, values: Mapping[str, Any]) -> Measured:
    """Turn what was measured into figures.

    Parameters
    ----------
    kind
        One of :data:`KINDS`.
    values
        ``figures`` (by name), ``plus_minus`` (by name), ``basis`` (``dry`` or ``as_is``), and for a hand
        measurement ``oven`` (``wet_kg``, ``dry_kg``, ``container_kg``), ``bucket`` (``bucket_l``, ``empty_kg``,
        ``full_kg`` or ``bucket_gal``, ``empty_lb``, ``full_lb``, and ``drops``) or ``squeeze`` (``feel`` or
        ``moisture_pct``).

    Returns
    -------
    Measured
        Not yet held against one another; :func:`~service.domain.recipes.ingredient.check_figures` does that.

    Raises
    ------
    Invalid
        When the measurement is not of its kind, measures nothing, or cannot be.

    References
    ----------
    [1] Richard and Trautmann, Cornell Waste Management Institute, "Moisture content", oven drying.
    [2] Cooperband 2002, The Art and Science of Composting, bulk density by bucket.
    """
    figures = {name: value for name, value in values["figures"].items() if value is not None}
    plus_minus = {name: value for name, value in values["plus_minus"].items() if value is not None}
    _must_be_of_its_kind(kind, values, figures)
    if kind == "oven_drying":
        found = _oven(values["oven"], plus_minus)
    elif kind == "bucket":
        found = _bucket(values["bucket"], plus_minus)
    elif kind == "squeeze":
        found = _squeeze(values["squeeze"], plus_minus)
    elif values.get("basis") == "as_is":
        found = _as_is(figures, plus_minus)
    else:
        found = Measured(figures, plus_minus)
    stray = sorted(set(found.plus_minus) - set(found.figures))
    if stray:
        detail = f"{stray[0]} was not measured, so it has no accuracy; leave it out or give the figure"
        raise Invalid.field(f"/plus_minus/{stray[0]}", detail)
    return found


def _must_be_of_its_kind(kind: str, values: Mapping[str, Any], figures: Mapping[str, float]) -> None:
    wanted = _HOW.get(kind)
    errors = [
        FieldError(f"/{block}", f"belongs to an analysis of another kind; leave it out of {kind}")
        for block in _HOW.values()
        if block != wanted and values.get(block) is not None
    ]
    if wanted is not None and values.get(wanted) is None:
        errors.append(
            FieldError(f"/{wanted}", f"an analysis of kind {kind} needs it: what was weighed or felt")
        )
    if wanted is not None:
        errors += [
            FieldError(f"/{name}", f"{kind} tells its figure from what was weighed; leave it out")
            for name in figures
        ]
    elif not figures:
        errors.append(FieldError("", f"measures nothing; give at least one of {', '.join(FIGURES)}"))
    if kind != "laboratory" and values.get("basis") == "as_is":
        errors.append(FieldError("/basis", "only a laboratory's figures have a basis; leave it out"))
    if errors:
        raise Invalid(*errors)


def _under(block: str, error: Invalid) -> Invalid:
    return Invalid(*(FieldError(f"/{block}{one.pointer}", one.detail) for one in error.errors))


def _oven(oven: Mapping[str, float], plus_minus: dict[str, float]) -> Measured:
    try:
        moisture = moisture_from_drying_pct(oven["wet_kg"], oven["dry_kg"], oven.get("container_kg") or 0.0)
    except Invalid as error:
        raise _under("oven", error) from error
    return Measured({"moisture_pct": moisture}, plus_minus, dict(oven))


def _bucket(bucket: Mapping[str, float | None], plus_minus: dict[str, float]) -> Measured:
    metric, us = ("bucket_l", "empty_kg", "full_kg"), ("bucket_gal", "empty_lb", "full_lb")
    given = {name for name in (*metric, *us) if bucket.get(name) is not None}
    if given not in (set(metric), set(us)):
        detail = f"give either {', '.join(metric)} or {', '.join(us)}, all three and none of the others"
        raise Invalid.field("/bucket", detail)
    volume, empty, full = (float(bucket[name] or 0) for name in (metric if given == set(metric) else us))
    if given == set(us):
        volume, empty, full = volume * US_GALLON_L, empty * POUND_KG, full * POUND_KG
    try:
        density = bucket_bulk_density_kg_m3(volume, empty, full)
    except Invalid as error:
        raise _under("bucket", error) from error
    raw = {name: value for name, value in bucket.items() if value is not None}
    return Measured({"bulk_density_kg_m3": density}, plus_minus, raw)


def _squeeze(squeeze: Mapping[str, Any], plus_minus: dict[str, float]) -> Measured:
    feel, estimate = squeeze.get("feel"), squeeze.get("moisture_pct")
    if (feel is None) == (estimate is None):
        raise Invalid.field(
            "/squeeze", "give feel (dry, right or wet) or your estimate as moisture_pct, not both"
        )
    if plus_minus.get("moisture_pct", SQUEEZE_PLUS_MINUS) < SQUEEZE_PLUS_MINUS:
        detail = "a hand tells moisture to 10 points at best; leave it out, or dry a sample in an oven"
        raise Invalid.field("/plus_minus/moisture_pct", detail)
    moisture = SQUEEZE_MOISTURE_PCT[str(feel)] if estimate is None else float(estimate)
    raw = {name: value for name, value in squeeze.items() if value is not None}
    return Measured({"moisture_pct": moisture}, {"moisture_pct": SQUEEZE_PLUS_MINUS, **plus_minus}, raw)


def _as_is(figures: dict[str, float], plus_minus: dict[str, float]) -> Measured:
    printed = [name for name in OF_DRY_MATTER if name in figures]
    moisture = figures.get("moisture_pct")
    if moisture is None:
        detail = "figures of the material as it lies need the moisture of the same sample to become % of dry matter"
        raise Invalid.field("/moisture_pct", detail)
    turned, accuracy = dict(figures), dict(plus_minus)
    for name in printed:
        try:
            turned[name] = of_dry_matter_pct(figures[name], moisture)
        except Invalid as error:
            raise Invalid(*(FieldError(f"/{name}", one.detail) for one in error.errors)) from error
        if name in accuracy and figures[name]:
            accuracy[name] = plus_minus[name] * turned[name] / figures[name]
    return Measured(turned, accuracy, {"basis": "as_is", **figures})


def range_of(name: str, value: float, plus_minus: float | None) -> tuple[float | None, float | None]:
    """Return a measured figure less and plus its accuracy, within what the figure may be."""
    if plus_minus is None:
        return None, None
    bounds = FIGURES[name]
    least = 0.0 if bounds.is_zero_allowed else bounds.low
    return max(least, value - plus_minus), min(bounds.high, value + plus_minus)
