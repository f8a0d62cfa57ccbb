"""Climbing from a good mix to the likeliest one nearby, on many draws."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from service.domain.recipes.linear import Vector

from .scenarios import Room
from .spread import Array

ROUND: Final[tuple[float, ...]] = (0.3, 0.1, 0.03, 0.01)
"""From round to sharp, relative to the limits: a round step feels draws that are far off, a sharp one counts."""
FIRM: Final[tuple[float, ...]] = (0.1, 0.03, 0.01)
SHARP: Final[tuple[float, ...]] = (0.03, 0.01)
"""For a start that is to stay near: a rounder step would lead it away to where the rounded chance is best."""
_MOST_ROUNDS: Final = 60
_CLOSE: Final = 1e-8


def climb(start: Vector, rows: Array, room: Room, steps: Sequence[float]) -> Vector:
    """Raise the part of the draws in which all limits are kept.

    The step from kept to missed is rounded (a logistic curve), so the chance has a slope; sequential quadratic
    programming climbs it, then the rounding is made sharper and the climb goes on from there. It ends at a local
    optimum; whether there is a better one elsewhere is for the scenarios to say.

    Parameters
    ----------
    start
        Masses within the room.
    rows
        Shape (draws, limits, materials), kept when ``rows @ kg <= 0``, scaled so that a miss of 1 is one of 100 %.
    room
        Where to stay.
    steps
        :data:`ROUND`, :data:`FIRM` or :data:`SHARP`.

    Returns
    -------
    Vector
        Masses within the room.

    References
    ----------
    [1] Kraft 1988, DFVLR-FB 88-28: SLSQP, as in ``scipy.optimize.minimize``.
    """
    from scipy.optimize import LinearConstraint, minimize  # noqa: PLC0415 - slow to load, and seldom needed

    matrix, least, most = room.firm
    exact = least == most
    firm = [
        LinearConstraint(matrix[rows_], least[rows_], most[rows_]) for rows_ in (exact, ~exact) if rows_.any()
    ]
    kg = start
    for softness in steps:
        found = minimize(
            _missed,
            kg,
            args=(rows, softness),
            jac=True,
            method="SLSQP",
            bounds=list(zip(room.lower, room.upper, strict=True)),
            constraints=firm,
            options={"maxiter": _MOST_ROUNDS, "ftol": _CLOSE},
        )
        if np.isfinite(found.x).all():
            kg = np.clip(found.x, room.lower, room.upper)
    return kg


def _missed(kg: Vector, rows: Array, softness: float) -> tuple[float, Vector]:
    """Return minus the rounded chance that all limits are kept, and its slope."""
    excess = rows @ kg / softness
    kept = np.exp(-np.logaddexp(0.0, excess))
    all_kept = kept.prod(axis=1)
    weights = all_kept[:, None] * (1 - kept) / softness
    slope = np.tensordot(weights, rows, axes=((0, 1), (0, 1))) / len(rows)
    return -float(all_kept.mean()), slope


def kept(mixes: Sequence[Vector], rows: Array) -> Vector:
    """Return, for each mix, the part of the draws in which all limits are kept."""
    draws, limits, size = rows.shape
    excess = (rows.reshape(-1, size) @ np.stack(mixes, axis=1)).reshape(draws, limits, -1)
    part: Vector = (excess <= 0).all(axis=1).mean(axis=0)
    return part
