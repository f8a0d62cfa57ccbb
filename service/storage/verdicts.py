"""Verdicts on file: the newest of each pile, rule and interpretation, and what came in since one was issued."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy import text
from sqlmodel import Session

from service.domain.compliance import Interpretation
from service.domain.quantities import Quantity


@dataclass(frozen=True)
class OnFile:
    """A verdict on file without its body."""

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


_NEWEST: Final = text("""
select distinct on (pile_id, rule, interpretation)
  id, pile_id, rule, rule_version, interpretation, state, readings_digest, engine_version, judged_at, issued_at
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
select
  exists (
    select from placement s
    join probe p on p.organisation_id = s.organisation_id and p.id = s.probe_id
    join reading r on r.organisation_id = s.organisation_id and r.probe = p.number and r.quantity = :temperature
      and r.observed_at >= s.since and r.observed_at < coalesce(s.until, 'infinity') and r.observed_at <= :judged_at
    join batch b on b.organisation_id = r.organisation_id and b.batch_id = r.batch_id
    where s.organisation_id = :organisation_id and s.pile_id = :pile_id and r.organisation_id = :organisation_id
      and (b.received_at > :since or p.created_at > :since)),
  exists (
    select from placement s
    join reading_correction c on c.organisation_id = s.organisation_id and c.probe_id = s.probe_id
    where s.organisation_id = :organisation_id and s.pile_id = :pile_id and c.recorded_at > :since),
  exists (
    select from placement s
    where s.organisation_id = :organisation_id and s.pile_id = :pile_id and s.created_at > :since)
""")


def came_since(session: Session, organisation_id: int, verdict: OnFile) -> CameSince:
    """Return what came in on a pile's readings since a verdict on it was issued.

    A bag is dated when it came in and seen when it is on disk: of one that was on its way just then, nothing is told.
    """
    row = session.execute(
        _CAME_SINCE,
        {
            "organisation_id": organisation_id,
            "pile_id": verdict.pile_id,
            "temperature": int(Quantity.TEMPERATURE),
            "judged_at": verdict.judged_at,
            "since": verdict.issued_at,
        },
    ).one()
    return CameSince(*row)
