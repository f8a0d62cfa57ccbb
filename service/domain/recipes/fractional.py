"""Making the largest of several distances small, each a ratio of two sums of masses."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from .deciding import least
from .linear import Outcome, Row, Vector
from .programme import Programme

_MOST_ROUNDS: Final = 20
_CLOSE: Final = 1e-10
_WHOLE_CLOSE: Final = 1e-6
"""Branch and bound keeps rows to this."""
_SPREAD: Final = 1e-6
_LAST_GAIN: Final = 1e-5
"""The method converges quadratically: after a gain this small, the next would be of the order of its square."""


@dataclass(frozen=True, slots=True, eq=False)
class Soft:
    """A distance ``over @ kg / under @ kg`` to be kept small; below 0 it counts as 0."""

    over: Vector
    under: Vector

    def distance(self, kg: Vector) -> float:
        """Return the distance at a point; without end where its figure has no value."""
        under = float(self.under @ kg)
        return float(self.over @ kg) / under if under > 0 else math.inf


def least_largest(
    programme: Programme, soft: Sequence[Soft], rows: Sequence[Row], *, near: float = 0.0
) -> tuple[float, Outcome, Outcome] | None:
    """Minimise the largest of several distances, each a ratio of two sums of masses.

    The generalised Dinkelbach method: with the distance ``t`` of the last point, a linear programme finds the point
    that undercuts it most; the distances fall monotonically and faster than linearly. With ``t = near`` first, the
    common case of reachable mid-points takes one round. With whole measures each round is a programme in whole
    numbers, and the same holds.

    Parameters
    ----------
    programme
        Its stock bounds and amount hold; its limits do not unless they are among ``rows``.
    soft
        Distances.
    rows
        What must hold.
    near
        A distance that is as good as none.

    Returns
    -------
    tuple or None
        The least largest distance, the point, and the outcome of the first round (whose duals prove the distance
        to be above 0 when it is); ``None`` when the rows cannot be kept.

    References
    ----------
    [1] Crouzeix, Ferland and Schaible 1985, An algorithm for generalized fractional programs, Journal of
        Optimization Theory and Applications 47.
    """
    weights = np.array([float(np.mean(one.under)) or 1.0 for one in soft])
    best: tuple[float, Outcome] | None = None
    enough = near + (_WHOLE_CLOSE if programme.is_whole else _CLOSE)
    first: Outcome | None = None
    aim = near
    for _ in range(_MOST_ROUNDS):
        outcome = _undercut(programme, soft, rows, weights, aim, is_first=first is None)
        if outcome is None:
            break
        first = first or outcome
        kg = outcome.kg[:-1]
        largest = max([0.0, *(one.distance(kg) for one in soft)])
        if best is not None and largest >= best[0]:
            break
        gain = math.inf if best is None else best[0] - largest
        best = (largest, outcome)
        if largest <= enough or gain <= _LAST_GAIN:
            break
        aim = largest
        weights = np.array([float(one.under @ kg) for one in soft])
    if best is None or first is None:
        return None
    return best[0], best[1], first


def _undercut(
    programme: Programme,
    soft: Sequence[Soft],
    rows: Sequence[Row],
    weights: Vector,
    aim: float,
    *,
    is_first: bool,
) -> Outcome | None:
    """Find the point whose largest weighted distance lies furthest below ``aim``."""
    eased: list[Row] = []
    for one, weight in zip(soft, weights, strict=True):
        over = one.over - aim * one.under
        # any weight is sound; one too small would make the coefficients dwarf the -1 and HiGHS drop it
        eased.append(Row(np.append(over / max(float(weight), _SPREAD * float(np.abs(over).max())), -1.0)))
    objective = np.append(np.zeros(programme.size), 1.0)
    return least(
        programme, objective, [*eased, *rows], lower=[0.0 if is_first else -math.inf], upper=[math.inf]
    )
