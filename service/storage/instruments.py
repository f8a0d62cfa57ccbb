"""What is on record of a position's instruments, as a judge needs it."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

from service.domain.readings.calibrations import offset_c
from service.domain.readings.counted import Counted
from service.storage.corrections import moment_of
from service.storage.probes import Stay
from service.storage.tables import CalibrationRow

Calibrations = Mapping[UUID, Sequence[CalibrationRow]]
"""By probe, earliest first."""


def accuracy_c(stays: Sequence[tuple[Stay, Counted]], calibrations: Calibrations) -> float | None:
    """Return by how much the probes of a position may be off [Cel]: the most that is on record of any of them.

    A probe may be off by what its latest calibration found, and by what that calibration, or else its maker, states.
    None where nothing is on record.
    """
    figures: list[float] = []
    for stay, counted in stays:
        row = _latest(stay, counted, calibrations)
        stated = stay.accuracy_c if row is None or row.accuracy_c is None else row.accuracy_c
        found = None if row is None else abs(offset_c(row.reference_c, row.shown_c))
        figures += [one for one in (stated, found) if one]
    return max(figures, default=None)


def calibrated_at(stays: Sequence[tuple[Stay, Counted]], calibrations: Calibrations) -> datetime | None:
    """Return the last calibration of a position's probes before their last reading there; of several probes the oldest.

    None where one of them has none: a calibration after the last reading tells nothing of how it was read.
    """
    rows = [_latest(stay, counted, calibrations) for stay, counted in stays]
    known = [row.calibrated_at for row in rows if row is not None]
    return min(known) if known and len(known) == len(rows) else None


def _latest(stay: Stay, counted: Counted, calibrations: Calibrations) -> CalibrationRow | None:
    at = counted.readings.columns.observed_us
    if not at.size:
        return None
    last = moment_of(int(at[-1]))
    before = [row for row in calibrations.get(stay.probe_id, ()) if row.calibrated_at <= last]
    return before[-1] if before else None
