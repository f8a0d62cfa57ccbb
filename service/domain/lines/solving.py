"""Solving a line: broken wishes first, then promises kept, readiness, and last the busiest day."""

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from ortools.sat.python import cp_model

from service.domain.lines.model import Line, PileVars, Sum, settle
from service.domain.lines.starting import limits, starting_plan

Ending = Literal["proof", "work", "clock", "caller"]
Aim = Literal["broken wishes", "promises moved", "readiness", "busiest day"]

_BEGIN_S: Final = 2.0
_SHARES: Final[dict[Aim, float]] = {
    "broken wishes": 0.35,
    "promises moved": 0.35,
    "readiness": 0.5,
    "busiest day": 0.15,
}


@dataclass(frozen=True)
class Stage:
    """How far one aim was brought.

    Attributes
    ----------
    aim
        What was made small.
    value, bound
        The least found, and below which nothing exists; equal when it is proven.
    is_proven
        Whether no plan is better in this aim, the aims before being kept.
    """

    aim: Aim
    value: float
    bound: float
    is_proven: bool

    @property
    def gap_pct(self) -> float:
        """How much of the value might still be saved, %."""
        return (
            0.0 if self.is_proven or self.value <= 0 else 100 * max(0.0, self.value - self.bound) / self.value
        )


@dataclass(frozen=True)
class Found:
    """The values of a solved line.

    Attributes
    ----------
    built, turns, cool, ready, screened
        By pile's name: days from the first day of the horizon; a pile that is not built is absent.
    bay_class
        By pile's name, the class of bays it stands in; absent for piles that move through several.
    broken, short_l
        The broken wishes by key, and litres short by order's key.
    stages
        One for each aim, in order.
    took_s
        Wall-clock seconds.
    stopped_by
        ``proof``, ``work`` (the deterministic limit), ``clock`` (another run may differ) or ``caller``.
    """

    built: dict[str, int]
    turns: dict[str, tuple[int, ...]]
    cool: dict[str, int]
    ready: dict[str, int]
    screened: dict[str, int]
    bay_class: dict[str, int]
    broken: tuple[str, ...]
    short_l: dict[str, int]
    stages: tuple[Stage, ...]
    took_s: float
    stopped_by: Ending


Progress = Callable[[Aim, float, float], bool]
"""Told the aim, the best value and the bound as they improve; answers whether to go on."""


def solve(line: Line, *, within_s: float, progress: Progress | None = None) -> Found:
    """Find the best plan of a line.

    Parameters
    ----------
    line
        The model.
    within_s
        Seconds asked; see ``stopped_by``.
    progress
        Told as the search goes on.

    Returns
    -------
    Found
        There is always a plan: a pile that cannot be built is a broken wish.

    References
    ----------
    [1] Perron and Furnon, OR-Tools, CP-SAT solver: lexicographic aims by fixing each before the next.
    """
    began = time.perf_counter()
    floors = _floors(line, min(_BEGIN_S, within_s / 3))
    kept: cp_model.CpSolver | None = _begin(line, min(_BEGIN_S, within_s / 3))
    stages: list[Stage] = []
    stopped_by: Ending = "proof"
    for aim, said in _aims(line):
        objective = said()
        stage, kept, ended = _stage(line, aim, objective, kept, floors.get(aim), within_s, progress)
        if stage is None or not stage.is_proven:
            stopped_by = ended
        if stage is None:
            break
        stages.append(stage)
        if ended == "caller":
            break
        line.model.add(objective <= round(stage.value))
        _hint(line, kept)
    assert kept is not None, "a stage ends with a plan, or raises"
    return _read(line, kept, tuple(stages), time.perf_counter() - began, stopped_by)


def sketch(line: Line, *, within_s: float) -> Found | None:
    """Return the plan with every turn where pattern and rule have it, in a fraction of the time, or None."""
    began = time.perf_counter()
    kept = _begin(line, within_s)
    return None if kept is None else _read(line, kept, (), time.perf_counter() - began, "work")


def _floors(line: Line, within_s: float) -> dict[Aim, int]:
    known = limits(line, within_s=within_s)
    return {} if known is None else {"broken wishes": known.broken_wishes, "readiness": known.readiness}


def _stage(
    line: Line,
    aim: Aim,
    objective: Sum,
    kept: cp_model.CpSolver | None,
    floor: int | None,
    within_s: float,
    progress: Progress | None,
) -> tuple[Stage | None, cp_model.CpSolver, Ending]:
    """Bring one aim as far as it goes; what is known to be least already is not searched for."""
    if kept is not None and floor is not None and kept.value(objective) <= floor:
        return Stage(aim, kept.value(objective), floor, is_proven=True), kept, "proof"
    if floor is not None:
        line.model.add(objective >= floor)
    search = _pursue(line, aim, objective, within_s * _SHARES[aim], progress)
    if search.status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        best, bound = search.solver.objective_value, search.solver.best_objective_bound
        is_proven = search.status == cp_model.OPTIMAL
        return (
            Stage(aim, best, best if is_proven else max(bound, floor or 0), is_proven),
            search.solver,
            search.ended_by,
        )
    if kept is None:
        raise ArithmeticError(f"no plan was found for the line: {search.solver.status_name(search.status)}")
    # The busiest day is an unknown of its own, which the plan so far says nothing of.
    stage = None if aim == "busiest day" else Stage(aim, kept.value(objective), floor or 0, is_proven=False)
    return stage, kept, search.ended_by


def _aims(line: Line) -> list[tuple[Aim, Callable[[], Sum]]]:
    found: list[tuple[Aim, Callable[[], Sum]]] = [("broken wishes", line.broken_wishes)]
    if any(pile.wish.promised for pile in line.piles):
        found.append(("promises moved", line.moved_promises))
    return [*found, ("readiness", line.readiness), ("busiest day", line.busiest_day)]


@dataclass(frozen=True)
class _Search:
    solver: cp_model.CpSolver
    status: cp_model.CpSolverStatus
    ended_by: Ending


def _pursue(line: Line, aim: Aim, objective: Sum, within_s: float, progress: Progress | None) -> _Search:
    line.model.minimize(objective)
    solver = cp_model.CpSolver()
    settle(solver, within_s)
    watch = _Watch(aim, progress, solver)
    solver.best_bound_callback = watch.on_bound
    began = time.perf_counter()
    status = solver.solve(line.model, watch)
    is_late = time.perf_counter() - began >= solver.parameters.max_time_in_seconds
    ended: Ending = "caller" if watch.is_stopped else "clock" if is_late else "work"
    return _Search(solver, status, "proof" if status == cp_model.OPTIMAL else ended)


class _Watch(cp_model.CpSolverSolutionCallback):
    """Tells how far a search is, and stops it when asked."""

    def __init__(self, aim: Aim, progress: Progress | None, solver: cp_model.CpSolver) -> None:
        super().__init__()
        self.is_stopped = False
        self._aim, self._progress, self._solver = aim, progress, solver
        self._best, self._bound = math.inf, -math.inf

    def on_solution_callback(self) -> None:
        self._best, self._bound = self.objective_value, self.best_objective_bound
        self._tell()

    def on_bound(self, bound: float) -> None:
        self._bound = bound
        self._tell()

    def _tell(self) -> None:
        if self._progress is not None and not self._progress(self._aim, self._best, self._bound):
            self.is_stopped = True
            self._solver.stop_search()


def _begin(line: Line, within_s: float) -> cp_model.CpSolver | None:
    """Begin at the plan whose turns all stand where pattern and rule have them, if the model takes it."""
    start = starting_plan(line, within_s=within_s)
    values: list[tuple[cp_model.IntVar, int]] = []
    for pile in line.piles:
        column = start.get(pile.wish.name)
        values.append((pile.is_built, int(column is not None)))
        values += [
            (chosen, int(column is not None and day == column.course.built))
            for day, chosen in pile.on.items()
        ]
        values += [(by, 0) for by in pile.moved]
        if column is not None:
            values += [(pile.ready, column.ready)]
            values += [(here, int(column.stays[0][0] == place)) for place, here in pile.in_class.items()]
    # A pile with one class of bays stands in it when it is built: the same unknown twice, hinted once.
    for unknown, value in {one.index: (one, value) for one, value in values}.values():
        line.model.add_hint(unknown, value)
    solver = cp_model.CpSolver()
    settle(solver, within_s)
    solver.parameters.fix_variables_to_their_hinted_value = True
    solver.parameters.cp_model_presolve = False
    line.model.minimize(line.broken_wishes())
    if solver.solve(line.model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    _hint(line, solver)
    return solver


def _hint(line: Line, solver: cp_model.CpSolver) -> None:
    """Begin the next search where this one ended."""
    line.model.clear_hints()  # type: ignore[no-untyped-call]
    for index, value in enumerate(solver.response_proto.solution):
        line.model.add_hint(line.model.get_int_var_from_proto_index(index), value)


def _read(
    line: Line, solver: cp_model.CpSolver, stages: tuple[Stage, ...], took_s: float, stopped_by: Ending
) -> Found:
    there = [pile for pile in line.piles if solver.value(pile.is_built)]
    return Found(
        built={pile.wish.name: solver.value(pile.built) for pile in there},
        turns={pile.wish.name: _turns(pile, solver) for pile in there},
        cool={pile.wish.name: solver.value(pile.cool) for pile in there},
        ready={pile.wish.name: solver.value(pile.ready) for pile in there},
        screened={p.wish.name: solver.value(p.screened) for p in there if p.screened is not None},
        bay_class={
            pile.wish.name: next(place for place, here in pile.in_class.items() if solver.value(here))
            for pile in there
            if pile.in_class
        },
        broken=tuple(key for key, is_broken in line.broken.items() if solver.value(is_broken)),
        short_l={key: solver.value(litres) for key, litres in line.short.items() if solver.value(litres)},
        stages=stages,
        took_s=took_s,
        stopped_by=stopped_by,
    )


def _turns(pile: PileVars, solver: cp_model.CpSolver) -> tuple[int, ...]:
    return tuple(
        solver.value(at) for at, done in zip(pile.turns, pile.done, strict=True) if solver.value(done)
    )
