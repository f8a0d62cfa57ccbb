"""Verdicts on file: the newest of each pile, rule and interpretation, and what came in since one was issued."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy import text
from sqlmodel import Session, col, select

from service.domain.compliance import Interpretation
from service.domain.quantities import Quantity
from service.storage.records import Page, page
from service.storage.tables import VerdictRow


@dataclass(frozen=True)
class OnFile:
    """A verdict on file; of its body ``met_at``, ``turns_counted`` and ``criteria`` as they stand there."""

    id: UUID
    pile_id: UUID
    rule: str
    rule_version: str
    interpretation: Interpretation
    state: str
    readings_digest: str
    engine_version: str
    judged_at: datetime
    issued_at: datetime
    met_at: str | None = None
    turns_counted: int | None = None
    criteria: Sequence[Mapping[str, Any]] = ()


_NEWEST: Final = text("""
select distinct on (pile_id, rule, interpretation)
  id, pile_id, rule, rule_version, interpretation, state, readings_digest, engine_version, judged_at, issued_at,
  body ->> 'met_at', (body ->> 'turns_counted')::int, coalesce(body -> 'criteria', '[]')
from verdict
where organisation_id = :organisation_id and (cast(:pile_id as uuid) is null or pile_id = :pile_id)
order by pile_id, rule, interpretation, judged_at desc, issued_at desc, id desc
""")
"""The newest looked at the latest instant; of several that did, it was issued last."""


def newest_on_file(session: Session, organisation_id: int, pile_id: UUID | None = None) -> Sequence[OnFile]:
    """Return the verdict that stands for each pile, rule and interpretation, those of one pile together."""
    rows = session.execute(_NEWEST, {"organisation_id": organisation_id, "pile_id": pile_id}).all()
    return [OnFile(*row) for row in rows]


@dataclass(frozen=True)
class CameSince:
    """What came in on the readings of a pile after a verdict was issued on it."""

    late_readings: bool
    corrections: bool
    placements: bool


_CAME_SINCE: Final = text("""
with looked_at as (
  select * from unnest(cast(:piles as uuid[]), cast(:untils as timestamptz[])) as l (pile_id, until)),
sat as (
  select s.probe_id, s.created_at, s.since, least(s.until, l.until) as until
  from looked_at l
  join placement s on s.organisation_id = :organisation_id and s.pile_id = l.pile_id and s.since <= l.until)
select
  exists (
    select from sat s
    join probe p on p.organisation_id = :organisation_id and p.id = s.probe_id
    join reading r on r.organisation_id = :organisation_id and r.probe = p.number and r.quantity = :temperature
      and r.observed_at >= s.since and r.observed_at <= s.until
    join batch b on b.organisation_id = r.organisation_id and b.batch_id = r.batch_id
    where b.received_at > :since or p.created_at > :since),
  exists (
    select from sat s
    join reading_correction c on c.organisation_id = :organisation_id and c.probe_id = s.probe_id
    where c.recorded_at > :since),
  exists (select from sat s where s.created_at > :since)
""")


def came_since(
    session: Session, organisation_id: int, verdict: OnFile, looked_at: Sequence[tuple[UUID, datetime]]
) -> CameSince:
    """Return what came in on the readings a verdict rests on since it was issued.

    A bag is dated when it came in and seen when it is on disk: of one that was on its way just then, nothing is told.

    Parameters
    ----------
    looked_at
        The pile, and those its material was in before, each with the last instant whose readings bear on the verdict.
    """
    row = session.execute(
        _CAME_SINCE,
        {
            "organisation_id": organisation_id,
            "piles": [pile_id for pile_id, _ in looked_at],
            "untils": [until for _, until in looked_at],
            "temperature": int(Quantity.TEMPERATURE),
            "since": verdict.issued_at,
        },
    ).one()
    return CameSince(*row)


def verdicts_page(
    session: Session, organisation_id: int, pile_id: UUID, *, limit: int, after: str | None
) -> Page[VerdictRow]:
    """Return the verdicts issued on a pile, oldest first."""
    statement = select(VerdictRow).where(
        col(VerdictRow.organisation_id) == organisation_id, col(VerdictRow.pile_id) == pile_id
    )
    return page(session, statement, [col(VerdictRow.id)], limit=limit, after=after)
