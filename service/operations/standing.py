"""Where a pile stands: its status, its verdicts and its next turn together, as status, board and demo show them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from service.domain.compliance import Verdict, judge
from service.domain.errors import Conflict
from service.domain.piles import Risk, Status, status
from service.domain.schedules import NextTurn, Plan, next_turn
from service.storage.histories import air_beside, facts_of, history_of, positions_of
from service.storage.piles import Loaded
from service.storage.schedules import local_date, pattern_of, plan_of, turns_done
from service.storage.site_calendars import crew_days_of

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
    pile, pattern = loaded.pile, pattern_of(loaded)
    if pattern is None or pile.built_at is None:
        return None
    built_on, today = local_date(pile.built_at, zone), local_date(now, zone)
    crew = crew_days_of(loaded.calendar, built_on, today)
    return next_turn(pattern, built_on, turns_done(loaded, zone, pile.built_at), today, crew)


def schedule(loaded: Loaded, *, now: datetime) -> Plan:
    """Plan a pile's turns on its site's crew days: what is left once it is built, all of them before.

    Raises
    ------
    Conflict
        The pile has no turning pattern.
    """
    found = plan_of(loaded, now=now)
    if found is None:
        raise Conflict("the pile has no turning pattern; give it one (GET /v1/schedules/patterns lists some)")
    return found


def _risks(verdicts: Mapping[str, Verdict]) -> list[Risk]:
    return [
        Risk(rule, risk.at, risk.detail, risk.position)
        for rule, verdict in verdicts.items()
        if verdict.state != "met"
        for risk in verdict.at_risk
    ]
