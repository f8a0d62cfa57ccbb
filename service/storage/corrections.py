"""What people said about readings, on record: as rows for a list, as domain values for everything else."""

from datetime import UTC, datetime, timedelta
from typing import Final
from uuid import UUID

from sqlmodel import Session, col, select
from sqlmodel.sql.expression import SelectOfScalar

from service.domain.quantities import Quantity, Unit
from service.domain.readings.corrections import CorrectionKind, ReadingCorrection
from service.storage.records import Page, page
from service.storage.tables import ReadingCorrectionRow

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_US: Final = timedelta(microseconds=1)


def corrections_page(
    session: Session, organisation_id: int, probe_id: UUID, *, limit: int, after: str | None
) -> Page[ReadingCorrectionRow]:
    """Return what was said about a probe's readings in the order it was recorded."""
    key = [col(ReadingCorrectionRow.recorded_at), col(ReadingCorrectionRow.id)]
    return page(session, _of_probe(organisation_id, probe_id), key, limit=limit, after=after)


def corrections_of(session: Session, organisation_id: int, probe_id: UUID) -> list[ReadingCorrection]:
    """Return every entry about a probe's readings, in the order of record, withdrawals among them."""
    rows = session.exec(
        _of_probe(organisation_id, probe_id).order_by(
            col(ReadingCorrectionRow.recorded_at), col(ReadingCorrectionRow.id)
        )
    ).all()
    return [as_entry(row) for row in rows]


def _of_probe(organisation_id: int, probe_id: UUID) -> SelectOfScalar[ReadingCorrectionRow]:
    return select(ReadingCorrectionRow).where(
        col(ReadingCorrectionRow.organisation_id) == organisation_id,
        col(ReadingCorrectionRow.probe_id) == probe_id,
    )


def as_entry(row: ReadingCorrectionRow) -> ReadingCorrection:
    """Return a row as the domain speaks of it."""
    kind: CorrectionKind = row.kind  # type: ignore[assignment]  # a check constraint holds it to these
    return ReadingCorrection(
        id=row.id,
        kind=kind,
        since_us=microseconds(row.since),
        until_us=microseconds(row.until),
        reason=row.reason,
        recorded_at=row.recorded_at,
        quantity=None if row.quantity is None else Quantity(row.quantity),
        by_s=row.by_s,
        unit=None if row.unit is None else Unit(row.unit),
        withdraws=row.withdraws,
    )


def microseconds(moment: datetime) -> int:
    """Return an aware instant as the domain counts it [us since 1970-01-01T00:00Z]."""
    return (moment - _EPOCH) // _US


def moment_of(at_us: int) -> datetime:
    """Return an instant from its count."""
    return _EPOCH + timedelta(microseconds=at_us)
