"""What it costs to load by whole measures only."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from .answering import cost_of, recipe_of
from .evaluation import Evaluation
from .figures import plain
from .linear import Vector
from .programme import Programme
from .quotients import QUOTIENTS
from .solution import Rounding
from .wanted import Request

_FELT: Final = 5e-4
"""Relative; smaller differences are not told."""


def rounding_of(loose: Programme, request: Request, kg: Vector, whole: Evaluation | None) -> Rounding:
    """Compare a mix in whole measures with the one chosen in the same way if parts could go in.

    Parameters
    ----------
    loose
        The programme without whole measures.
    request
        What was asked.
    kg
        The mix in parts, in the programme's unit.
    whole
        The mix in whole measures; ``None`` when there is none.
    """
    unrounded, _ = recipe_of(kg, loose, request)
    if whole is None:
        words = (
            "In parts of a measure there is a mix that meets the request; in whole measures there is none."
        )
        return Rounding(unrounded, None, words)
    before, after = cost_of(unrounded, request.available), cost_of(whole, request.available)
    more = None if before is None or after is None else after - before
    told = [*_differences(loose, request, unrounded, whole)]
    if more is not None and abs(more) > _FELT * max(abs(before or 0.0), 1e-9):
        told.insert(0, f"{plain(abs(more))} {'more' if more > 0 else 'less'} in money")
    if not told:
        return Rounding(unrounded, more, "Whole measures change nothing worth telling.")
    return Rounding(unrounded, more, f"Beside a mix in parts of a measure: {'; '.join(told)}.")


def _differences(
    loose: Programme, request: Request, unrounded: Evaluation, whole: Evaluation
) -> Iterator[str]:
    for name, _ in request.targets.given():
        limit = next((one for one in loose.limits if one.target == name), None)
        if limit is None:
            continue
        before, after = (_figure(loose, name, mix) for mix in (unrounded, whole))
        if abs(after - before) > _FELT * abs(before) and plain(after) != plain(before):
            label, unit = QUOTIENTS[name].label, QUOTIENTS[name].unit
            yield f"{label} {plain(after)}{unit} instead of {plain(before)}{unit}"
    if request.amount.of is None:
        fields = ("volume_m3", "m3") if request.amount.volume_m3 is not None else ("mass_kg", "kg")
        was, now = getattr(unrounded, fields[0]), getattr(whole, fields[0])
        if now - was > _FELT * was:
            yield f"{plain(now)} {fields[1]} instead of {plain(was)}"


def _figure(loose: Programme, name: str, mix: Evaluation) -> float:
    limit = next(one for one in loose.limits if one.target == name)
    masses = {portion.name: portion.mass_kg for portion in mix.ingredients}
    return limit.figure(np.array([masses.get(one.name, 0.0) for one in loose.materials]))
