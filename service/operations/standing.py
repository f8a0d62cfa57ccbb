"""Where a pile stands: its status, its verdicts and its next turn together, as status, board and demo show them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from service.domain.compliance import RULES, Verdict, judge
from service.domain.piles import Risk, Status, in_force, status, turns
from service.domain.schedules import NextTurn, Pattern, WorkCalendar, next_turn
from service.storage.histories import facts_of, history_of, positions_of
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
        rule: judge(RULES[rule], history, judged_at=now, time_zone=zone)
        for rule in loaded.pile.rules
        if rule in RULES
    }
    facts, positions = facts_of(loaded), positions_of(loaded)
    turn = _next_turn(loaded, zone, now)
    risks = _risks(verdicts)
    told = status(
        facts,
        positions,
        now=now,
        next_turn=None if turn is None else turn.catch_up_on or turn.next_on,
        missed_turns=() if turn is None else turn.missed,
        verdict_risks=risks,
    )
    if told.stage not in _TURNED_STAGES and turn is not None:
        # Nobody turns a pile that cures or is gone: what was missed before does not matter now.
        turn = None
        told = status(facts, positions, now=now, verdict_risks=risks)
    return Standing(told, verdicts, turn)


def _next_turn(loaded: Loaded, zone: ZoneInfo, now: datetime) -> NextTurn | None:
    pile, site = loaded.pile, loaded.site
    if pile.pattern is None or pile.built_at is None:
        return None
    turn_on = pile.pattern.get("turn_on")
    pattern = Pattern(**{**pile.pattern, "turn_on": None if turn_on is None else tuple(turn_on)})
    done = [at.astimezone(zone).date() for at in turns(in_force(loaded.events)) if at >= pile.built_at]
    calendar = WorkCalendar(frozenset(site.work_days), frozenset(site.closures), frozenset())
    return next_turn(pattern, _local(pile.built_at, zone), done, _local(now, zone), calendar)


def _local(at: datetime, zone: ZoneInfo) -> date:
    return at.astimezone(zone).date()


def _risks(verdicts: Mapping[str, Verdict]) -> list[Risk]:
    return [
        Risk(rule, risk.at, risk.detail, risk.position)
        for rule, verdict in verdicts.items()
        if verdict.state != "met"
        for risk in verdict.at_risk
    ]
