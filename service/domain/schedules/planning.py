"""The plan of one pile: as asked where crews can keep it, and otherwise what is wrong and what comes nearest."""

import datetime as dt
from dataclasses import replace
from typing import Final

from service.domain.schedules.answer import Misfit, Plan
from service.domain.schedules.cautions import TURNING_CAUTIONS
from service.domain.schedules.faults import BUILD, Fault, contradiction, faults_of
from service.domain.schedules.nearest import FURTHEST_BUILD_SHIFT_DAYS, Keepable, nearest_keepable
from service.domain.schedules.placing import LONGEST_MOVE_DAYS
from service.domain.schedules.request import PlanRequest
from service.domain.schedules.visits import Layout
from service.domain.schedules.work_days import WorkCalendar, spoken, weekday_of

_NAMED_DAYS: Final = 7


def plan(request: PlanRequest) -> Plan:
    """Plan one pile on one site's crew days.

    Parameters
    ----------
    request
        Dates are local dates in the site's zone; clock changes do not move them.

    Returns
    -------
    Plan
        ``planned``, or ``cannot_be_kept`` with every misfit of what was asked and the nearest plan that can
        be kept, or no nearest and the cheapest change of crew days that would give one.

    Raises
    ------
    Invalid
        With one pointer for each value of the request that does not fit.
    """
    request.refuse_what_does_not_fit()
    calendar = request.calendar
    turns = request.pattern.turns(request.build_on)
    faults = faults_of(request, calendar, turns)
    asked = Layout(request, calendar, request.build_on, turns, _asked_reasons(request, turns))
    if not faults:
        return _planned(asked, moved_days=0)
    keepable = nearest_keepable(request, calendar)
    changed = keepable or nearest_keepable(request, calendar, may_open=True)
    misfits = [_misfit(request, turns, task, fault, changed) for task, fault in sorted(faults.items())]
    if keepable is None:
        misfits = _explained(request, misfits, changed)
    return Plan(
        "cannot_be_kept",
        request.build_on,
        asked.tasks(),
        tuple(misfits),
        None if keepable is None else _laid_out(request, calendar, keepable),
        None,
        asked.warnings(),
        TURNING_CAUTIONS,
        asked.hot_until,
        asked.reminders(),
    )


def _planned(layout: Layout, *, moved_days: int) -> Plan:
    """Return the plan of a layout that can be kept."""
    return Plan(
        "planned",
        layout.built_on,
        layout.tasks(),
        (),
        None,
        moved_days,
        layout.warnings(),
        TURNING_CAUTIONS,
        layout.hot_until,
        layout.reminders(),
    )


def _laid_out(request: PlanRequest, calendar: WorkCalendar, keepable: Keepable) -> Plan:
    """Return the plan of a keepable choice of days."""
    reasons = moved_reasons(request, calendar, keepable.built_on, keepable.turns, keepable.wanted)
    layout = Layout(request, calendar, keepable.built_on, keepable.turns, reasons)
    return _planned(layout, moved_days=keepable.moved_days)


def _asked_reasons(request: PlanRequest, turns: tuple[int, ...]) -> tuple[str, ...]:
    """Return why each turn of the pattern stands where it stands."""
    return tuple(
        f"turn {turn} of {len(turns)}, {request.pattern.described}" for turn in range(1, len(turns) + 1)
    )


def moved_reasons(
    request: PlanRequest,
    calendar: WorkCalendar,
    built_on: dt.date,
    turns: tuple[int, ...],
    wanted: tuple[int, ...],
) -> tuple[str, ...]:
    """Return why each turn stands where it stands, saying of the moved ones what moved them."""
    reasons = []
    for turn, (day, asked) in enumerate(zip(turns, wanted, strict=True), start=1):
        reason = f"turn {turn} of {len(turns)}, {request.pattern.described}"
        if day != asked:
            on = built_on + dt.timedelta(asked)
            why = (
                "to keep the turns in order and apart"
                if calendar.is_crew_day(on)
                else calendar.why_no_crew(on)
            )
            reason += f"; {_apart(day - asked)} than day {asked}: {why}"
        reasons.append(reason)
    return tuple(reasons)


def _misfit(
    request: PlanRequest, turns: tuple[int, ...], task: int, fault: Fault, changed: Keepable | None
) -> Misfit:
    """Return a fault as the answer shows it, with the remedy the nearest or changed plan has for it."""
    day = 0 if task == BUILD else turns[task]
    on = request.build_on + dt.timedelta(day)
    return Misfit(
        on,
        "build" if task == BUILD else "turn",
        day,
        weekday_of(on),
        tuple(fault.causes),
        "; ".join(fault.sentences),
        _remedy(task, on, fault, changed, len(turns)),
    )


def _remedy(task: int, on: dt.date, fault: Fault, changed: Keepable | None, asked: int) -> str:
    """Return what mends one misfit."""
    if changed is None:
        return "choose another pattern or another build date"
    verb = "build" if task == BUILD else "turn"
    new = changed.built_on if task == BUILD else changed.built_on + dt.timedelta(changed.turns[task])
    remedies = []
    if new in changed.opened:
        remedies.append(f"open {spoken(new)} as an extra work day and {verb} then")
    elif new != on:
        remedies.append(f"{verb} on {spoken(new)}, {_apart((new - on).days)}")
    elif "too_few_turns" not in fault.causes:
        remedies.append(f"keep {spoken(on)} and move the others")
    if "no_crew" in fault.causes and not changed.opened:
        remedies.append(f"open {spoken(on)} as an extra work day")
    found = [", or ".join(remedies)] if remedies else []
    if "too_few_turns" in fault.causes:
        last = changed.built_on + dt.timedelta(changed.turns[-1])
        found.append(f"carry the pattern on by {len(changed.turns) - asked} turns, to {spoken(last)}")
    return "; ".join(found)


def _explained(request: PlanRequest, misfits: list[Misfit], changed: Keepable | None) -> list[Misfit]:
    """Return the misfits, one of them saying also why there is no nearest plan and what change would give one."""
    impossible = contradiction(request)
    place = next((at for at, misfit in enumerate(misfits) if impossible and "window" in misfit.causes), 0)
    because = impossible or _why_none(request, changed)
    chosen = misfits[place]
    change = "" if changed is None else f"; the cheapest change is {_opened(changed.opened)}"
    misfits[place] = replace(chosen, because=f"{chosen.because}; {because}", remedy=chosen.remedy + change)
    return misfits


def _why_none(request: PlanRequest, changed: Keepable | None) -> str:
    """Return why there is no nearest plan."""
    if not request.work_days and not request.extra_days:
        return "the site has no work day at all"
    moves = f"with the build moved by up to {FURTHEST_BUILD_SHIFT_DAYS} days and each turn by up to {LONGEST_MOVE_DAYS}"
    if changed is not None:
        return f"{moves}, these crew days still hold too few turns"
    rule = f" for {request.rule.named}" if request.rule else ""
    return f"{moves}, no days are left that do{rule}, whoever works on them"


def _opened(dates: tuple[dt.date, ...]) -> str:
    """Return the days that would have to be opened, the first week's worth by name."""
    count = "1 extra work day" if len(dates) == 1 else f"{len(dates)} extra work days"
    more = f" and {len(dates) - _NAMED_DAYS} more" if len(dates) > _NAMED_DAYS else ""
    return f"{count}: {', '.join(spoken(on) for on in dates[:_NAMED_DAYS])}{more}"


def _apart(days: int) -> str:
    """Return a move as it is said, for example ``1 day later``."""
    count = abs(days)
    return f"{count} {'day' if count == 1 else 'days'} {'later' if days > 0 else 'earlier'}"
