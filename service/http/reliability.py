"""How well a site keeps the days it plans turns for."""

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime
from typing import Annotated, Any, Final, Literal
from uuid import UUID

from fastapi import APIRouter, Query
from pydantic import Field

from service.domain.errors import Invalid
from service.domain.schedules import WEEKDAYS, weekday_of
from service.domain.schedules.reliability import (
    CONFIDENCE,
    PRIOR_KEPT,
    PlannedTurn,
    expected_shares,
    grouped,
    tally,
)
from service.http.authority import CanRead, Database
from service.http.values import Day, Out
from service.operations.reliability import turns_kept
from service.operations.sites import site_of

router = APIRouter(tags=["sites"])

_MOST_DAYS: Final = 800


class TallyOut(Out):
    """Planned turns by what became of them."""

    planned: int = Field(description="Those of which it is known: kept, early, late and missed together.")
    kept: int = Field(description="Done on the day.")
    early: int
    late: int = Field(description="Done after the day, and still as that turn: within a day.")
    missed: int
    kept_pct: float | None
    kept_low_pct: float | None = Field(
        description="Wilson interval of the kept share, 95 %: with few turns it is wide, and proves as little."
    )
    kept_high_pct: float | None
    median_late_days: float | None = Field(
        description="Over the turns that were done; negative is early; null when none was."
    )


class CrewTallyOut(TallyOut):
    """Of one crew; null is the turns for which no crew was named."""

    crew: str | None


class WeekdayTallyOut(TallyOut):
    """Of one weekday, on which the turns were planned."""

    weekday: Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
    expected_pct: float = Field(
        description="Share of its turns a plan expects to be done by their day, drawn towards 100 by few turns."
    )
    crews: list[CrewTallyOut]


class ReliabilityOut(Out):
    """How a site kept its planned turns."""

    time_zone: str
    since: date = Field(serialization_alias="from")
    until: date = Field(serialization_alias="to")
    confidence_pct: float
    prior_kept: int = Field(
        description="Turns taken to have been done by their day before any was seen: expected_pct = 100 (prior_kept +"
        " kept + early) / (prior_kept + planned)."
    )
    total: TallyOut
    unplanned: int = Field(description="Turns recorded that nobody had planned, of piles that have a plan.")
    weekdays: list[WeekdayTallyOut]
    crews: list[CrewTallyOut]


@router.get("/sites/{site_id}/reliability", response_model=ReliabilityOut)
def get_reliability(
    site_id: UUID,
    since: Annotated[Day, Query(alias="from", description="The first local date.")],
    until: Annotated[Day, Query(alias="to", description="The local date after the last.")],
    caller: CanRead,
    database: Database,
) -> object:
    """Count a site's planned turns by what became of them, by weekday and crew; turns still to come are left out."""
    days = (until - since).days
    if not 0 < days <= _MOST_DAYS:
        raise Invalid.field("/to", f"{until} is {days} days after {since}; give 1 to {_MOST_DAYS} days")
    with database.begin(caller.organisation_id) as session:
        site = site_of(session, caller, site_id)
        kept, time_zone = turns_kept(session, site, since, until, now=datetime.now(UTC)), site.time_zone
    return ReliabilityOut(
        time_zone=time_zone,
        since=since,
        until=until,
        confidence_pct=100 * CONFIDENCE,
        prior_kept=PRIOR_KEPT,
        total=TallyOut(**_counted(kept.turns)),
        unplanned=kept.unplanned,
        weekdays=_weekdays(kept.turns),
        crews=_crews(kept.turns),
    )


def _weekdays(turns: Sequence[PlannedTurn]) -> list[WeekdayTallyOut]:
    expected = expected_shares(turns)
    found = grouped(turns, lambda turn: weekday_of(turn.on))
    return [
        WeekdayTallyOut.model_validate(
            {
                "weekday": word,
                "expected_pct": 100 * expected[word],
                "crews": _crews(found[word]),
                **_counted(found[word]),
            }
        )
        for word in WEEKDAYS
        if word in found
    ]


def _crews(turns: Iterable[PlannedTurn]) -> list[CrewTallyOut]:
    found = grouped(turns, lambda turn: turn.crew)
    return [
        CrewTallyOut(crew=crew, **_counted(found[crew]))
        for crew in sorted(found, key=lambda one: (one is None, one or ""))
    ]


def _counted(turns: Sequence[PlannedTurn]) -> dict[str, Any]:
    count = tally(turns)
    shares = {
        "kept_pct": count.kept_share,
        "kept_low_pct": count.kept_share_low,
        "kept_high_pct": count.kept_share_high,
    }
    return {**vars(count), **{name: None if share is None else 100 * share for name, share in shares.items()}}
