"""Where a search begins: at a plan with every turn where pattern and rule have it, or at one found before."""

import datetime as dt
from collections.abc import Iterator, Mapping

from ortools.sat.python import cp_model

from service.domain.lines.model import Line, Sum, settle
from service.domain.lines.starting import starting_plan
from service.domain.lines.watching import Begun


def so_far(line: Line, solution: cp_model.CpSolverSolutionCallback) -> Iterator[tuple[str, Begun]]:
    """Yield where each pile stands in a plan the solver has just found."""
    first = line.request.first
    for pile in line.piles:
        if not solution.value(pile.is_built):
            continue
        bays = (line.classes[place].bays[0] for place, here in pile.in_class.items() if solution.value(here))
        turns = [
            solution.value(at) for at, done in zip(pile.turns, pile.done, strict=True) if solution.value(done)
        ]
        yield (
            pile.wish.name,
            Begun(
                first + dt.timedelta(solution.value(pile.built)),
                tuple(first + dt.timedelta(day) for day in turns),
                next(bays, None),
            ),
        )


def take_up(line: Line, begun: Mapping[str, Begun], within_s: float) -> cp_model.CpSolver | None:
    """Begin at the best plan of a search that was broken off, if it is a plan still."""
    first = line.request.first
    hints: list[tuple[cp_model.IntVar, int]] = []
    for pile in line.piles:
        was = begun.get(pile.wish.name)
        if was is None:
            hints += [(pile.is_built, int(pile.wish.built_on is not None))]
            continue
        built = (was.build_on - first).days
        hints += [(pile.is_built, 1), *((chosen, int(day == built)) for day, chosen in pile.on.items())]
        hints += [
            (at, (on - first).days)
            for at, on in zip(pile.turns, was.turn_on, strict=False)
            if pile.wish.built_on is None
        ]
        hints += [
            (here, int(was.bay in line.classes[place].bays))
            for place, here in pile.in_class.items()
            if was.bay is not None
        ]
    return settled_on(line, hints, within_s)


def begin(line: Line, within_s: float) -> cp_model.CpSolver | None:
    """Begin at the plan whose turns all stand where pattern and rule have them, if the model takes it."""
    start = starting_plan(line, within_s=within_s)
    values: list[tuple[cp_model.IntVar, int]] = []
    for pile in line.piles:
        column = start.get(pile.wish.name)
        if column is None and pile.wish.built_on is not None:
            values += [(pile.is_built, 1), *((done, 0) for done in pile.done)]
            continue
        values.append((pile.is_built, int(column is not None)))
        values += [
            (chosen, int(column is not None and day == column.course.built))
            for day, chosen in pile.on.items()
        ]
        values += [(by, 0) for by in pile.moved]
        if pile.wish.built_on is not None:
            values += [(done, 1) for done in pile.done]
        if column is not None:
            values += [(pile.ready, column.ready)]
            values += [(here, int(column.stays[0][0] == place)) for place, here in pile.in_class.items()]
    return settled_on(line, values, within_s)


def settled_on(
    line: Line, values: list[tuple[cp_model.IntVar, int]], within_s: float, *, aim: Sum | None = None
) -> cp_model.CpSolver | None:
    """Return the best plan in which the values are as given, or None when there is none."""
    line.model.clear_hints()  # type: ignore[no-untyped-call]
    # A pile with one class of bays stands in it when it is built: the same unknown twice, hinted once.
    for unknown, value in {one.index: (one, value) for one, value in values}.values():
        line.model.add_hint(unknown, value)
    solver = cp_model.CpSolver()
    settle(solver, within_s, is_hasty=line.is_repair)
    solver.parameters.fix_variables_to_their_hinted_value = True
    solver.parameters.cp_model_presolve = False
    line.model.minimize(line.broken_wishes() if aim is None else aim)
    if solver.solve(line.model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    hint(line, solver)
    return solver


def hint(line: Line, solver: cp_model.CpSolver) -> None:
    """Begin the next search where this one ended."""
    line.model.clear_hints()  # type: ignore[no-untyped-call]
    for index, value in enumerate(solver.response_proto.solution):
        line.model.add_hint(line.model.get_int_var_from_proto_index(index), value)
