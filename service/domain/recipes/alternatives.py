"""Other mixes about as good as the one offered, each as unlike those already told as can be."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from .deciding import least
from .figures import plain
from .linear import Row, Vector
from .preference import distances, stages
from .programme import Programme
from .wanted import WATER, Request

_LEAST_MOVED: Final = 0.01
"""Of the mass: two mixes closer than this are the same to a crew. Common practice, no source."""
_GAP: Final = 0.5
_FELT: Final = 0.002
_MOST_NAMED: Final = 4
_MOST_OF_LEAST: Final = 2.0


def unlike(programme: Programme, request: Request, kg: Vector) -> list[Vector]:
    """Find mixes about as good as ``kg``, unlike it and unlike one another.

    Over the mixes that keep every limit and are at most ``within_pct`` worse by what comes first, each is the one
    that uses least of what the mixes before it used. Where that gives one of them again, a cut demands a difference:
    a sum of absolute differences needs one yes-or-no unknown for each, so branch and bound decides whether there is
    any other mix at all.

    Parameters
    ----------
    programme, request
        What was asked.
    kg
        The mix offered, in the programme's unit.

    Returns
    -------
    list of Vector
        At most as many as are asked for; fewer when nothing else differs by a hundredth of the mass.

    References
    ----------
    [1] Brill, Chang and Hopkins 1982, Modeling to generate alternatives: the HSJ approach, Management Science 28.
        From memory.
    """
    rows = _as_good(programme, request, kg)
    told = [kg]
    while len(told) <= request.choice.alternatives:
        used = programme.amount**2 if programme.named is None else np.ones(programme.size)
        overlap = used * np.sum(told, axis=0)
        found = least(programme, overlap, rows, gap=_GAP if programme.is_whole else 0.0)
        point = None if found is None else found.kg
        if point is None or _is_told(point, told):
            point = _cut(programme, rows, told, overlap)
        if point is None or _is_told(point, told):
            break
        told.append(point)
    return told[1:]


def _is_told(kg: Vector, told: Sequence[Vector]) -> bool:
    return min(moved(kg, one) for one in told) < _LEAST_MOVED * float(told[0].sum()) * (1 - 1e-6)


def moved(one: Vector, other: Vector) -> float:
    """Return half the sum of the differences of the masses, in the programme's unit: what would be exchanged."""
    return float(np.abs(one - other).sum()) / 2


def _as_good(programme: Programme, request: Request, kg: Vector) -> list[Row]:
    """Return the rows of mixes that meet the request and are hardly worse by what comes first."""
    rows = programme.rows
    within = request.choice.within_pct / 100
    order = stages(programme, request.targets, request.choice.prefer)
    for stage in order:
        if stage.kind != order[0].kind:
            break
        if stage.weights is not None:
            value = float(stage.weights @ kg)
            rows.append(Row(stage.weights, value + within * abs(value)))
            continue
        soft = distances(programme, request.targets)
        far = max(0.0, *(one.distance(kg) for one in soft)) + within
        rows += [Row(one.over - far * one.under) for one in soft]
    if programme.named is not None:
        # the others are free, so the whole is held as it was for the mix offered
        rows.append(Row(np.ones(programme.size), _MOST_OF_LEAST * float(kg.sum())))
    return rows


def _ceilings(programme: Programme, rows: Sequence[Row]) -> Vector:
    """Return what no mass can exceed, for the rows that switch."""
    if programme.named is not None:
        return np.minimum(programme.upper, rows[-1].bound)
    return np.minimum(programme.upper, programme.most / programme.amount)


def _cut(programme: Programme, rows: Sequence[Row], told: Sequence[Vector], overlap: Vector) -> Vector | None:
    """Find a mix that differs from each of those told by what a crew would notice.

    Unknowns after the masses: for each mix told, how much more there is of each material (``p``) and whether there
    is more at all (``b``). What there is less follows: ``p - (kg - told)``.
    """
    size = programme.size
    most = _ceilings(programme, rows)
    width = size + 2 * size * len(told)
    switched = list(rows)
    for place, other in enumerate(told):
        first = size + 2 * size * place
        for index in range(size):
            p, b = first + index, first + size + index
            switched.append(_row(width, {p: 1.0, b: -most[index]}, 0.0))
            switched.append(_row(width, {index: 1.0, p: -1.0}, other[index]))
            switched.append(_row(width, {p: 1.0, index: -1.0, b: most[index]}, most[index] - other[index]))
        apart = dict.fromkeys(range(size), 1.0) | {first + index: -2.0 for index in range(size)}
        switched.append(_row(width, apart, float(other.sum()) - 2 * _LEAST_MOVED * float(told[0].sum())))
    objective = np.append(overlap, np.zeros(width - size))
    high = [*most, *np.ones(size)] * len(told)
    units = [*np.zeros(size), *np.ones(size)] * len(told)
    found = least(
        programme, objective, switched, lower=[0.0] * (width - size), upper=high, units=units, gap=_GAP
    )
    return None if found is None else found.kg[:size]


def _row(width: int, entries: Mapping[int, float], bound: float) -> Row:
    coefficients = np.zeros(width)
    coefficients[list(entries)] = list(entries.values())
    return Row(coefficients, bound)


def differs(other: Mapping[str, float], first: Mapping[str, float]) -> str:
    """Say how a mix differs from the one offered first, the largest difference first.

    Parameters
    ----------
    other, first
        Masses in kg by name.
    """
    felt = _FELT * sum(first.values())
    gaps = {name: other[name] - first[name] for name in first if abs(other[name] - first[name]) > felt}
    largest = sorted(gaps, key=lambda name: -abs(gaps[name]))[:_MOST_NAMED]
    return "; ".join(_difference(name, other[name], first[name]) for name in largest)


def _difference(name: str, now: float, before: float) -> str:
    unit = "L" if name == WATER.name else "kg"
    if now == 0:
        return f"no {name} ({plain(before)} {unit} less)"
    if before == 0:
        return f"{plain(now)} {unit} of {name}, which the first has none of"
    return f"{plain(abs(now - before))} {unit} {'more' if now > before else 'less'} {name}"
