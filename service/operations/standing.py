"""Where a pile stands: its status, its verdicts and its next turn together, as status, board and demo show them."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from service.domain.compliance import Verdict, judge
from service.domain.errors import Conflict
from service.domain.piles import Risk, Status, in_force, status, turns
from service.domain.schedules import (
    NextTurn,
    Pattern,
    Plan,
    PlanRequest,
    WorkCalendar,
    next_turn,
    plan,
    repair,
)
from service.domain.turning_demands import turn_constraint
from service.storage.histories import air_beside, facts_of, history_of, positions_of
from service.storage.piles import Loaded

_TURNED_STAGES = frozenset({"filling", "hot"})


@dataclass(frozen=True)
class Standing:
    """A pile's status, and its verdict under each of its rules by the rule's id."""

    status: Status
    verdicts: Mapping[str, Verdict]
    turn: NextTurn | None


def standing(loaded: Loaded, *, now: datetime) -> Standing:
    """Work out where a pile stands from its record; nothing is written."""
    zone = ZoneInfo(loaded.site.time_zone)
    history = history_of(loaded, now=now)
    verdicts = {
        rule: judge(loaded.book[rule], history, judged_at=now, time_zone=zone)
        for rule in loaded.pile.rules
        if rule in loaded.book
    }
    facts, positions, air = facts_of(loaded), positions_of(loaded), air_beside(loaded)
    turn = _next_turn(loaded, zone, now)
    risks = _risks(verdicts)
    told = status(
        facts,
        positions,
        now=now,
        next_turn=None if turn is None else turn.catch_up_on or turn.next_on,
        missed_turns=() if turn is None else turn.missed,
        verdict_risks=risks,
        air=air,
    )
    if told.stage not in _TURNED_STAGES and turn is not None:
        # Nobody turns a pile that cures or is gone: what was missed before does not matter now.
        turn = None
        told = status(facts, positions, now=now, verdict_risks=risks, air=air)
    return Standing(told, verdicts, turn)


def _next_turn(loaded: Loaded, zone: ZoneInfo, now: datetime) -> NextTurn | None:
    pile, site = loaded.pile, loaded.site
    pattern = _pattern(loaded)
    if pattern is None or pile.built_at is None:
        return None
    calendar = WorkCalendar(frozenset(site.work_days), frozenset(site.closures), frozenset())
    done = _turns_done(loaded, zone, pile.built_at)
    return next_turn(pattern, _local(pile.built_at, zone), done, _local(now, zone), calendar)


def schedule(loaded: Loaded, *, now: datetime) -> Plan:
    """Plan a pile's turns on its site's crew days: what is left once it is built, all of them before.

    Raises
    ------
    Conflict
        The pile has no turning pattern.
    """
    pattern = _pattern(loaded)
    if pattern is None:
        raise Conflict("the pile has no turning pattern; give it one (GET /v1/schedules/patterns lists some)")
    pile, site = loaded.pile, loaded.site
    zone = ZoneInfo(site.time_zone)
    today = _local(now, zone)
    book = loaded.book
    turned = [rule for rule in pile.rules if rule in book and book[rule].turns is not None]
    request = PlanRequest(
        time_zone=site.time_zone,
        build_on=today,
        work_days=tuple(site.work_days),
        pattern=pattern,
        closures=tuple(site.closures),
        rule=turn_constraint(book[turned[0]]) if turned else None,
        earliest_build_on=today,
    )
    if pile.built_at is None or pile.built_at > now:
        wanted = today if pile.built_at is None else _local(pile.built_at, zone)
        return plan(replace(request, build_on=wanted))
    return repair(request, _local(pile.built_at, zone), _turns_done(loaded, zone, pile.built_at), today)


def _pattern(loaded: Loaded) -> Pattern | None:
    kept = loaded.pile.pattern
    if kept is None:
        return None
    turn_on = kept.get("turn_on")
    return Pattern(**{**kept, "turn_on": None if turn_on is None else tuple(turn_on)})


def _turns_done(loaded: Loaded, zone: ZoneInfo, built_at: datetime) -> list[date]:
    return [_local(at, zone) for at in turns(in_force(loaded.events)) if at >= built_at]


def _local(at: datetime, zone: ZoneInfo) -> date:
    return at.astimezone(zone).date()


def _risks(verdicts: Mapping[str, Verdict]) -> list[Risk]:
    return [
        Risk(rule, risk.at, risk.detail, risk.position)
        for rule, verdict in verdicts.items()
        if verdict.state != "met"
        for risk in verdict.at_risk
    ]
