"""The mix that meets the targets in the most of a few scenarios: a mixed-integer programme for HiGHS."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from service.domain.recipes.linear import Row, Vector

from .spread import Array

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult
    from scipy.sparse import csr_array

_PROVEN: Final = 0
_INFEASIBLE: Final = 2
_UNDECIDED: Final = 1e-9
"""A row that no mix within the bounds breaks needs no binary."""


@dataclass(frozen=True, slots=True, eq=False)
class Room:
    """Which mixes may be chosen, in the programme's unit of mass.

    Attributes
    ----------
    lower, upper
        Bounds of each mass, both finite.
    amount, least, most
        ``amount @ kg`` is from ``least`` to ``most``.
    rows
        What else must hold, scenario or no.
    units
        What a whole measure of each material weighs; 0 where any mass may go in.
    """

    lower: Vector
    upper: Vector
    amount: Vector
    least: float
    most: float
    rows: tuple[Row, ...]
    units: Vector

    @property
    def firm(self) -> tuple[Array, Vector, Vector]:
        """The rows as a matrix with its lower and upper ends, the amount first."""
        matrix = np.array([self.amount, *(row.coefficients for row in self.rows)])
        open_ends = np.full(len(self.rows), -np.inf)
        lower = np.append(self.least, open_ends)
        return matrix, lower, np.append(self.most, [row.bound for row in self.rows])


@dataclass(frozen=True, slots=True, eq=False)
class Chosen:
    """What the programme found: the masses (``None`` if none in time), scenarios met, and how many could be."""

    kg: Vector | None
    met: int
    most: int
    is_proven: bool
    is_empty: bool = False
    """There is no mix at all, for want of whole measures that make the amount."""


def most_met(rows: Array, room: Room, *, limit_s: float) -> Chosen:
    """Choose the mix that keeps all limits in the most scenarios.

    One binary per scenario says whether its limits are held to; a limit that is let go is eased by the most by
    which a mix within the bounds can break it, so no constant is larger than it must be.

    Parameters
    ----------
    rows
        Shape (scenarios, limits, materials); a limit is kept when ``rows[s, l] @ kg <= 0``.
    room
        The mixes to choose from.
    limit_s
        When to stop looking, in seconds.

    Returns
    -------
    Chosen
        ``most`` is proven not to be exceeded by any mix; it equals ``met`` when ``is_proven``.

    References
    ----------
    [1] Luedtke and Ahmed 2008, SIAM Journal on Optimization 19: chance constraints by scenarios.
    [2] Huangfu and Hall 2018, Mathematical Programming Computation 10: HiGHS.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415 - slow to load, and seldom needed

    count, limits, size = rows.shape
    flat = rows.reshape(-1, size)
    eased = _largest(flat, room)
    felt = np.flatnonzero(eased > _UNDECIDED)
    holds = np.zeros((len(felt), count))
    holds[np.arange(len(felt)), felt // limits] = eased[felt]
    firm, least, most = room.firm
    whole = np.flatnonzero(room.units)
    spare = np.zeros(len(whole))
    by_measure = np.hstack((np.eye(size)[whole], np.zeros((len(whole), count)), -np.diag(room.units[whole])))
    found = milp(
        np.concatenate((np.zeros(size), -np.ones(count), spare)),
        integrality=np.concatenate((np.zeros(size), np.ones(count), spare + 1)),
        bounds=Bounds(
            np.concatenate((room.lower, np.zeros(count), spare)),
            np.concatenate((room.upper, np.ones(count), spare + np.inf)),
        ),
        constraints=[
            LinearConstraint(_beside(flat[felt], holds, len(whole)), -np.inf, eased[felt]),
            LinearConstraint(_beside(firm, np.zeros((len(firm), count)), len(whole)), least, most),
            *([LinearConstraint(by_measure, 0, 0)] if len(whole) else []),
        ],
        options={"time_limit": limit_s, "presolve": True},
    )
    chosen = _chosen(found, count, size)
    if chosen.kg is not None and len(whole):
        # HiGHS counts whole within a millionth
        chosen.kg[whole] = np.rint(chosen.kg[whole] / room.units[whole]) * room.units[whole]
    return chosen


def _beside(masses: Array, others: Array, spare: int) -> "csr_array[np.float64, tuple[int, int]]":
    from scipy.sparse import csr_array  # noqa: PLC0415 - slow to load, and seldom needed

    return csr_array(np.hstack((masses, others, np.zeros((len(masses), spare)))))


def _chosen(found: "OptimizeResult", count: int, size: int) -> Chosen:
    if found.status == _INFEASIBLE:
        return Chosen(None, 0, 0, is_proven=True, is_empty=True)
    is_proven = found.status == _PROVEN
    kg = None if found.x is None else np.asarray(found.x[:size])
    met = 0 if found.x is None else round(float(found.x[size : size + count].sum()))
    if is_proven:
        return Chosen(kg, met, met, is_proven)
    bound = -float("inf" if found.mip_dual_bound is None else found.mip_dual_bound)
    most = int(np.floor(bound + 1e-6)) if np.isfinite(bound) else count
    return Chosen(kg, met, max(met, min(count, most)), is_proven)


def least_missed(rows: Array, room: Room) -> Vector | None:
    """Choose the mix of the least sum of misses over the scenarios: a linear programme, and where to begin.

    Parameters
    ----------
    rows, room
        As for :func:`most_met`; whole measures are not asked for.

    Returns
    -------
    Vector or None
        ``None`` when the room is empty.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415 - slow to load, and seldom needed

    count, limits, size = rows.shape
    flat = rows.reshape(-1, size)
    misses = -np.repeat(np.eye(count), limits, axis=0)
    firm, least, most = room.firm
    found = milp(
        np.append(np.zeros(size), np.ones(count)),
        bounds=Bounds(np.append(room.lower, np.zeros(count)), np.append(room.upper, np.full(count, np.inf))),
        constraints=[
            LinearConstraint(_beside(flat, misses, 0), -np.inf, 0),
            LinearConstraint(_beside(firm, np.zeros((len(firm), count)), 0), least, most),
        ],
    )
    return None if found.x is None else np.asarray(found.x[:size])


def _largest(flat: Array, room: Room) -> Vector:
    """Return the largest value that each row takes over the bounds and the amount.

    With every material counting towards the amount that is a continuous knapsack, filled from the best value per
    amount down; where some do not count (around a given mass of one material) the bounds alone must do.
    """
    base: Vector = flat @ room.lower
    room_kg = room.upper - room.lower
    if not (room.amount > 0).all():
        most: Vector = base + np.maximum(flat, 0) @ room_kg
        return most
    spoken = float(room.amount @ room.lower)
    order = np.argsort(-flat / room.amount, axis=1)
    worth = np.take_along_axis(flat / room.amount, order, axis=1)
    filled = np.cumsum((room_kg * room.amount)[order], axis=1)
    wanted, must = (
        np.diff(np.minimum(filled, max(0.0, end - spoken)), axis=1, prepend=0.0)
        for end in (room.most, room.least)
    )
    # beyond the least amount only what adds is filled in
    added: Vector = (np.where(worth > 0, wanted, must) * worth).sum(axis=1)
    return base + added
