"""Calibrations on record: all of a probe, and the newest of many."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

from sqlalchemy.dialects.postgresql import distinct_on
from sqlmodel import Session, col, select

from service.storage.records import Page, page
from service.storage.tables import CalibrationRow


def calibrations_page(
    session: Session, organisation_id: int, probe_id: UUID, *, limit: int, after: str | None
) -> Page[CalibrationRow]:
    """Return a probe's calibrations in the order they were recorded."""
    statement = select(CalibrationRow).where(
        col(CalibrationRow.organisation_id) == organisation_id, col(CalibrationRow.probe_id) == probe_id
    )
    return page(session, statement, [col(CalibrationRow.id)], limit=limit, after=after)


def newest_of(
    session: Session, organisation_id: int, probe_ids: Sequence[UUID]
) -> Mapping[UUID, CalibrationRow]:
    """Return the latest calibration of each probe that has one; of one instant, what was recorded last."""
    statement = (
        select(CalibrationRow)
        .where(
            col(CalibrationRow.organisation_id) == organisation_id,
            col(CalibrationRow.probe_id).in_(probe_ids),
        )
        .ext(distinct_on(col(CalibrationRow.probe_id)))
        .order_by(
            col(CalibrationRow.probe_id),
            col(CalibrationRow.calibrated_at).desc(),
            col(CalibrationRow.recorded_at).desc(),
            col(CalibrationRow.id).desc(),
        )
    )
    return {row.probe_id: row for row in session.exec(statement).all()}


def by_probe(
    session: Session, organisation_id: int, probe_ids: Sequence[UUID], *, known_at: datetime | None = None
) -> Mapping[UUID, Sequence[CalibrationRow]]:
    """Return every calibration of some probes, earliest first, or those recorded by ``known_at``."""
    statement = select(CalibrationRow).where(
        col(CalibrationRow.organisation_id) == organisation_id,
        col(CalibrationRow.probe_id).in_(probe_ids),
    )
    if known_at is not None:
        statement = statement.where(col(CalibrationRow.recorded_at) <= known_at)
    key = (col(CalibrationRow.calibrated_at), col(CalibrationRow.recorded_at), col(CalibrationRow.id))
    found: dict[UUID, list[CalibrationRow]] = {}
    for row in session.exec(statement.order_by(*key)).all():
        found.setdefault(row.probe_id, []).append(row)
    return found
