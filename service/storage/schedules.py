"""A pile's plan on its site's crew days, from their rows."""

from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from service.domain.errors import Invalid
from service.domain.piles import in_force, turns
from service.domain.schedules import (
    Pattern,
    Plan,
    PlanRequest,
    local_instant,
    plan,
    read_pattern,
    repair,
)
from service.domain.schedules.work_days import WORK_STARTS
from service.domain.turning_demands import turn_constraint
from service.storage.piles import Loaded
from service.storage.site_calendars import crew_days_of


def pattern_of(loaded: Loaded) -> Pattern | None:
    """Return a pile's turning pattern, if it has one."""
    kept = loaded.pile.pattern
    return None if kept is None else read_pattern(kept)


def turns_done(loaded: Loaded, zone: ZoneInfo, built_at: datetime) -> list[date]:
    """Return the local dates of the turns since the build."""
    return [local_date(at, zone) for at in turns(in_force(loaded.events)) if at >= built_at]


def local_date(at: datetime, zone: ZoneInfo) -> date:
    """Return the date at the site."""
    return at.astimezone(zone).date()


def plan_of(loaded: Loaded, *, now: datetime) -> Plan | None:
    """Plan a pile's turns: what is left once it is built, all of them before; None if it has no turning pattern.

    Raises
    ------
    Invalid
        Pattern and site do not fit, for instance no crew is ever there.
    """
    pattern = pattern_of(loaded)
    if pattern is None:
        return None
    site, built_at = loaded.site, loaded.built_at
    zone = ZoneInfo(site.time_zone)
    today = local_date(now, zone)
    book = loaded.book
    build_on = today if built_at is None else local_date(built_at, zone)
    crew = crew_days_of(loaded.calendar, build_on, today)
    turned = [rule for rule in loaded.pile.rules if rule in book and book[rule].turns is not None]
    request = PlanRequest(
        time_zone=site.time_zone,
        build_on=today,
        work_days=tuple(crew.work_days),
        pattern=pattern,
        closures=tuple(crew.closures),
        extra_days=tuple(crew.extra_days),
        reasons=crew.reasons,
        rule=turn_constraint(book[turned[0]]) if turned else None,
        earliest_build_on=today,
    )
    if built_at is None or built_at > now:
        return plan(replace(request, build_on=build_on))
    return repair(request, build_on, turns_done(loaded, zone, built_at), today)


def planned_turns(loaded: Loaded, *, now: datetime) -> tuple[datetime, ...]:
    """Return when a built pile is still to be turned; a day's work is taken to start at nine.

    Empty where it has no pattern, is not built, or the plan does not fit the site: then nothing is known ahead.
    """
    if loaded.built_at is None or loaded.built_at > now:
        return ()
    try:
        found = plan_of(loaded, now=now)
    except Invalid:
        return ()
    if found is None:
        return ()
    zone = loaded.site.time_zone
    return tuple(local_instant(zone, one.date, WORK_STARTS) for one in found.days if one.task == "turn")
