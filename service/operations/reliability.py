"""How well a site keeps its planned turns: what was planned on the morning of each day beside what was recorded."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.schedules.handover import WITHIN_DAYS, Done, Planned, hand_over, is_missed
from service.domain.schedules.reliability import PlannedTurn, expected_shares
from service.storage import handover as stored
from service.storage.tables import SiteRow

LOOK_BACK_DAYS: Final = 365
"""A year shows every season once."""
_MARGIN: Final = timedelta(2 * WITHIN_DAYS["turn"] + 1)
"""A turn at the edge may belong to one planned beyond it."""


@dataclass(frozen=True)
class Kept:
    """A site's planned turns of which it is known what became of them, and how many were done that nobody planned."""

    turns: tuple[PlannedTurn, ...]
    unplanned: int


def turns_kept(session: Session, site: SiteRow, since: date, until: date, *, now: datetime) -> Kept:
    """Return what became of a site's turns planned from ``since`` to ``until``, which is not included.

    Planned is what stood in the plan when work began on the day; a repair that moved the turn before then moved the
    promise, one made afterwards did not. Turns to come, and those that may still be done in time, are left out.
    Unplanned turns are those of piles with a planned turn in that time, not before the first of these.
    """
    zone = ZoneInfo(site.time_zone)
    today = now.astimezone(zone).date()
    by_pile: dict[str, list[stored.Promise]] = {}
    for promise in stored.promises(session, site, since - _MARGIN, until + _MARGIN):
        by_pile.setdefault(promise.pile, []).append(promise)
    done = _turns_done(session, site, by_pile, zone)
    turns: list[PlannedTurn] = []
    unplanned = 0
    for pile, told in by_pile.items():
        found = hand_over([Planned(one.on, "turn", one.on) for one in told], done.get(pile, ()))
        turns += (
            PlannedTurn(one.on, one.crew, None if act is None else (act.on - one.on).days)
            for one in told
            for act in [found.done.get(one.on)]
            if since <= one.on < until and (act is not None or is_missed("turn", one.on, today))
        )
        unplanned += sum(max(since, told[0].on) <= act.on < until for act in found.unplanned)
    return Kept(tuple(turns), unplanned)


def _turns_done(
    session: Session, site: SiteRow, labels: Collection[str], zone: ZoneInfo
) -> dict[str, list[Done]]:
    piles = stored.piles_labelled(session, site.organisation_id, site.id, labels)
    done = stored.done_of(session, site.organisation_id, piles, zone)
    return {pile.label: [act for act in done[pile.id] if act.task == "turn"] for pile in piles}


def reliability(session: Session, organisation_id: int, site_id: UUID, *, now: datetime) -> dict[str, float]:
    """Return, by weekday, the share of turns to expect to be done by their day: what a plan leaves slack for."""
    site = session.get_one(SiteRow, (organisation_id, site_id))
    today = now.astimezone(ZoneInfo(site.time_zone)).date()
    kept = turns_kept(session, site, today - timedelta(LOOK_BACK_DAYS), today, now=now)
    return expected_shares(kept.turns)
