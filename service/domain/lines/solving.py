"""Solving a line: broken wishes first, then promises kept, readiness, and last the busiest day."""

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from ortools.sat.python import cp_model

from service.domain.lines.beginning import begin, hint, so_far, take_up
from service.domain.lines.keeping import keep_promises
from service.domain.lines.model import Line, PileVars, Sum, settle
from service.domain.lines.promises import least_moved, moved_in, moved_promises
from service.domain.lines.stages import Aim, Ending, Stage
from service.domain.lines.starting import Limits, limits
from service.domain.lines.watching import Begun, Watch

_BEGIN_S: Final = 2.0
_SHARES: Final[dict[Aim, float]] = {
    "broken wishes": 0.35,
    "promises moved": 0.35,
    "readiness": 0.5,
    "busiest day": 0.15,
}


@dataclass(frozen=True)
class Found:
    """The values of a solved line.

    Attributes
    ----------
    built, turns, cool, ready, screened
        By pile's name: days from the first day of the horizon; a pile that is not built is absent.
    left
        By pile's name, the places of turns that are left out, of piles that stand.
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
    left: Mapping[str, frozenset[int]] = field(default_factory=dict)


def solve(
    line: Line,
    *,
    within_s: float,
    watch: Watch | None = None,
    begun: Mapping[str, Begun] | None = None,
    is_even: bool = True,
) -> Found:
    """Find the best plan of a line.

    Parameters
    ----------
    line
        The model.
    within_s
        Seconds asked; see ``stopped_by``.
    watch
        Told as the search goes on; may stop it.
    begun
        The best plan of a search that was broken off: the search begins there if that plan still holds.
    is_even
        Whether to make the busiest day less busy at last; a repair leaves that, for it is in a hurry.

    Returns
    -------
    Found
        There is always a plan: a pile that cannot be built is a broken wish.

    References
    ----------
    [1] Perron and Furnon, OR-Tools, CP-SAT solver: lexicographic aims by fixing each before the next.
    """
    began = time.perf_counter()
    known = None if line.is_repair else limits(line, within_s=min(_BEGIN_S, within_s / 3))
    kept = take_up(line, begun, within_s / 3) if begun else None
    moved = moved_promises(line) if line.is_repair else None
    if kept is None and moved is not None:
        kept = keep_promises(line, moved, within_s / 3)
    kept = kept or begin(line, min(_BEGIN_S, within_s / 3))
    stages: list[Stage] = []
    stopped_by: Ending = "proof"
    for aim, said in _aims(line, moved, is_even=is_even):
        objective = said()
        floor = _floor(line, known, aim, stages)
        stage, kept, ended = _stage(line, aim, objective, kept, floor, within_s, watch)
        if stage is None or not stage.is_proven:
            stopped_by = ended
        if stage is None:
            break
        stages.append(stage)
        if ended == "caller":
            break
        line.model.add(objective <= round(stage.value))
        hint(line, kept)
    assert kept is not None, "a stage ends with a plan, or raises"
    return _read(line, kept, tuple(stages), time.perf_counter() - began, stopped_by)


def _floor(line: Line, known: Limits | None, aim: Aim, stages: list[Stage]) -> int | None:
    """Return what an aim cannot undercut; of readiness only where no more wishes are broken than must be."""
    if aim == "promises moved":
        return least_moved(line)
    if aim == "broken wishes":
        return 0 if known is None else known.broken_wishes
    if aim == "readiness" and known is not None and stages[0].value == known.broken_wishes:
        return known.readiness
    return None


def sketch(line: Line, *, within_s: float) -> Found | None:
    """Return the plan with every turn where pattern and rule have it, in a fraction of the time, or None."""
    began = time.perf_counter()
    kept = begin(line, within_s)
    return None if kept is None else _read(line, kept, (), time.perf_counter() - began, "work")


def _stage(
    line: Line,
    aim: Aim,
    objective: Sum,
    kept: cp_model.CpSolver | None,
    floor: int | None,
    within_s: float,
    watch: Watch | None,
) -> tuple[Stage | None, cp_model.CpSolver, Ending]:
    """Bring one aim as far as it goes; what is known to be least already is not searched for."""
    had = None if kept is None else _worth(line, aim, objective, kept)
    if kept is not None and had is not None and floor is not None and had <= floor:
        return Stage(aim, had, floor, is_proven=True), kept, "proof"
    if floor is not None:
        line.model.add(objective >= floor)
    search = _pursue(line, aim, objective, within_s * _SHARES[aim], watch)
    if search.status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        best, bound = search.solver.objective_value, search.solver.best_objective_bound
        is_proven = search.status == cp_model.OPTIMAL
        bound = best if is_proven else max(bound, floor or 0)
        if kept is None or had is None or best <= had:
            return Stage(aim, best, bound, is_proven), search.solver, search.ended_by
        # In a hurry the solver may not have come back to where it was told to begin.
        return Stage(aim, had, bound, is_proven=False), kept, search.ended_by
    if kept is None:
        raise ArithmeticError(f"no plan was found for the line: {search.solver.status_name(search.status)}")
    stage = None if had is None else Stage(aim, had, floor or 0, is_proven=False)
    return stage, kept, search.ended_by


def _worth(line: Line, aim: Aim, objective: Sum, kept: cp_model.CpSolver) -> float | None:
    """Return what a plan is worth in an aim whose unknowns may be younger than the plan: it says nothing of those."""
    if aim == "busiest day":
        return None
    return moved_in(line, kept) if aim == "promises moved" else float(kept.value(objective))


def _aims(line: Line, moved: Sum | None, *, is_even: bool) -> list[tuple[Aim, Callable[[], Sum]]]:
    found: list[tuple[Aim, Callable[[], Sum]]] = [("broken wishes", line.broken_wishes)]
    if moved is not None:
        return [*found, ("promises moved", lambda: moved), ("readiness", line.readiness)]
    found.append(("readiness", line.readiness))
    return [*found, ("busiest day", line.busiest_day)] if is_even else found


@dataclass(frozen=True)
class _Search:
    solver: cp_model.CpSolver
    status: cp_model.CpSolverStatus
    ended_by: Ending


def _pursue(line: Line, aim: Aim, objective: Sum, within_s: float, watch: Watch | None) -> _Search:
    line.model.minimize(objective)
    solver = cp_model.CpSolver()
    settle(solver, within_s, is_hasty=line.is_repair)
    teller = _Teller(line, aim, watch or Watch(), solver)
    solver.best_bound_callback = teller.on_bound
    began = time.perf_counter()
    status = solver.solve(line.model, teller)
    is_late = time.perf_counter() - began >= solver.parameters.max_time_in_seconds
    ended: Ending = "caller" if teller.is_stopped else "clock" if is_late else "work"
    return _Search(solver, status, "proof" if status == cp_model.OPTIMAL else ended)


class _Teller(cp_model.CpSolverSolutionCallback):
    """Tells the watch how far a search is, and ends it when the watch was stopped."""

    def __init__(self, line: Line, aim: Aim, watch: Watch, solver: cp_model.CpSolver) -> None:
        super().__init__()
        self._line, self._aim, self._watch, self._solver = line, aim, watch, solver
        self._best, self._bound = math.inf, -math.inf
        watch.begin(solver)

    @property
    def is_stopped(self) -> bool:
        return self._watch.is_stopped

    def on_solution_callback(self) -> None:
        self._best, self._bound = self.objective_value, self.best_objective_bound
        self._tell(dict(so_far(self._line, self)))

    def on_bound(self, bound: float) -> None:
        self._bound = bound
        self._tell(None)

    def _tell(self, so_far: Mapping[str, Begun] | None) -> None:
        if not self._watch.tell(self._aim, self._best, self._bound, so_far):
            self._solver.stop_search()


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
        left={
            pile.wish.name: frozenset(place for place, done in enumerate(pile.done) if not solver.value(done))
            for pile in there
            if pile.wish.built_on is not None
        },
    )


def _turns(pile: PileVars, solver: cp_model.CpSolver) -> tuple[int, ...]:
    return tuple(
        solver.value(at) for at, done in zip(pile.turns, pile.done, strict=True) if solver.value(done)
    )
