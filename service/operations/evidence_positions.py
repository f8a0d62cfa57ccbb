"""Which instruments sat where, what they said, and what people said of it, for an evidence pack."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import numpy as np

from service.domain.compliance import History, Series
from service.domain.compliance.evidence import excluded
from service.domain.quantities import UCUM
from service.domain.readings.calibrations import offset_c
from service.domain.readings.corrections import ReadingCorrection, in_force
from service.domain.readings.quality import celsius
from service.storage.corrections import microseconds, moment_of
from service.storage.piles import Loaded
from service.storage.probes import Stay
from service.storage.stretches import FOREVER_US, span_us
from service.storage.tables import CalibrationRow, ProbeRow


def positions_of(
    loaded: Loaded,
    history: History,
    probes: Mapping[UUID, ProbeRow],
    calibrations: Mapping[UUID, CalibrationRow],
    *,
    now: datetime,
) -> list[dict[str, Any]]:
    """Return one entry for each stay of a probe, with its readings counted as the verdict counts them."""
    by_name = {one.position: one for one in history.series}
    found = []
    for stay in (one.stay for one in loaded.occupied):
        series = by_name.get(f"{stay.position} ({stay.serial})") or by_name.get(stay.position)
        calibration = calibrations.get(stay.probe_id)
        found.append(
            {
                "position": stay.position if series is None else series.position,
                "serial": stay.serial,
                "probe_id": stay.probe_id,
                "depth_cm": stay.depth_cm,
                "from": stay.since,
                "to": stay.until,
                "accuracy_c": probes[stay.probe_id].accuracy_c,
                **_readings(stay, series, now),
                "calibration": None if calibration is None else _calibration(calibration),
            }
        )
    return found


def _readings(stay: Stay, series: Series | None, now: datetime) -> dict[str, Any]:
    if series is None:
        return dict.fromkeys(("first", "last", "lowest_c", "highest_c")) | {
            "readings": 0,
            "readings_counted": 0,
            "not_counted": {},
        }
    since_us, until_us = span_us(stay.since, stay.until)
    until_us = min(until_us, microseconds(now) + 1)
    first, last = (int(n) for n in np.searchsorted(series.observed_at, (since_us, max(since_us, until_us))))
    part = _part(series, first, last)
    counts = part.counts(part.observed_at.size)
    told_c = celsius(part.value[counts], part.unit[counts])
    left_out: dict[str, int] = {}
    for one in excluded(History(series=(part,)), FOREVER_US):
        left_out[one.cause] = left_out.get(one.cause, 0) + one.count
    at = part.observed_at
    return {
        "readings": int(at.size),
        "readings_counted": int(counts.sum()),
        "not_counted": left_out,
        "first": moment_of(int(at[0])) if at.size else None,
        "last": moment_of(int(at[-1])) if at.size else None,
        "lowest_c": float(told_c.min()) if told_c.size else None,
        "highest_c": float(told_c.max()) if told_c.size else None,
    }


def _part(series: Series, first: int, last: int) -> Series:
    """Return some readings of a series, with the entries that hold for any of them."""
    cut = slice(first, last)
    at = series.observed_at[cut]
    return Series(
        series.position,
        at,
        series.value[cut],
        series.unit[cut],
        series.flag[cut],
        assessed=None if series.assessed is None else series.assessed[cut],
        said=None if series.said is None else series.said[cut],
        applied=tuple(
            type(one)(one.correction, one.kind, here)
            for one in series.applied
            if (here := one.observed_at[np.isin(one.observed_at, at)]).size
        ),
    )


def _calibration(row: CalibrationRow) -> dict[str, Any]:
    names = ("id", "calibrated_at", "method", "reference_c", "shown_c", "accuracy_c", "recorded_at")
    told = {name: getattr(row, name) for name in names}
    return told | {"offset_c": offset_c(row.reference_c, row.shown_c)}


def reading_corrections_of(
    loaded: Loaded, entries: Mapping[UUID, Sequence[ReadingCorrection]]
) -> list[dict[str, Any]]:
    """Return what people said of the readings of the pile's probes while they sat in it, in order of record."""
    serials = {one.stay.probe_id: one.stay.serial for one in loaded.occupied}
    stays = [(one.stay.probe_id, span_us(one.stay.since, one.stay.until)) for one in loaded.occupied]
    found = []
    for probe_id, said in entries.items():
        held = {one.id for one in in_force(said)}
        here = {
            one.id for one in said if any(probe == probe_id and _meets(one, *span) for probe, span in stays)
        }
        # A withdrawal belongs where what it withdraws belongs, and may be withdrawn itself.
        for one in sorted(said, key=lambda one: (one.recorded_at, one.id)):
            if one.kind == "withdraw" and one.withdraws in here:
                here.add(one.id)
        found += [(one, probe_id, held) for one in said if one.id in here]
    found.sort(key=lambda one: (one[0].recorded_at, one[0].id))
    return [_entry(one, serials[probe_id], held) for one, probe_id, held in found]


def _meets(one: ReadingCorrection, since_us: int, until_us: int) -> bool:
    """Whether an entry speaks of readings recorded in a stay, or moved into it."""
    if one.kind == "withdraw":
        return False
    reach = [(one.since_us, one.until_us), (one.since_us + one.by_us, one.until_us + one.by_us)]
    return any(start < until_us and end > since_us for start, end in reach)


def _entry(one: ReadingCorrection, serial: str, held: set[UUID]) -> dict[str, Any]:
    spans = one.kind != "withdraw"
    return {
        "id": one.id,
        "serial": serial,
        "kind": one.kind,
        "quantity": None if one.quantity is None else one.quantity.label,
        "from": moment_of(one.since_us) if spans else None,
        "to": moment_of(one.until_us) if spans else None,
        "by_s": one.by_s,
        "unit": None if one.unit is None else UCUM[one.unit],
        "withdraws": one.withdraws,
        "reason": one.reason,
        "recorded_at": one.recorded_at,
        "in_force": one.id in held,
    }
