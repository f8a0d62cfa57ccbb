"""Recording that a probe was held against something known; appended, and no reading is altered by it."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.readings.calibrations import refuse_calibration
from service.operations.probes import probe_of
from service.operations.reopening import reopen
from service.storage import records
from service.storage.tables import CalibrationRow


def record_calibration(
    session: Session, caller: Caller, probe_id: UUID, values: Mapping[str, Any], *, now: datetime
) -> CalibrationRow:
    """Keep a calibration of a probe, and ask for a new look at verdicts whose readings were taken after it.

    Raises
    ------
    Invalid
        It cannot have been.
    """
    probe = probe_of(session, caller, probe_id)
    refuse_calibration(values["method"], values["reference_c"], values["calibrated_at"], now=now)
    row = records.add(
        session,
        CalibrationRow(
            organisation_id=caller.organisation_id,
            probe_id=probe.id,
            recorded_at=now,
            recorded_by=caller.credential_id,
            **values,
        ),
    )
    reopen(session, caller.organisation_id, row.calibrated_at)
    return row
