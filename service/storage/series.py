"""A series read piece by piece, as it counts; each piece is whole by itself and needs no transaction but its own.

No snapshot is held over the pieces: readings are never changed, and one that comes in late belongs to the series as
much as the others.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.domain.quantities import Quantity
from service.domain.readings.corrected import Columns, Corrected
from service.domain.readings.counted import Counted, count, count_temperatures
from service.domain.readings.resampling import Buckets, Resolution, resample
from service.storage.corrections import microseconds, moment_of
from service.storage.frames import Frame, Scene, Sitting
from service.storage.readings import Plain
from service.storage.stretches import air_over, said_in

DAY_US: Final = 86_400_000_000

CONTEXT_US: Final = 21 * DAY_US
"""How far around a piece readings are looked at by the tests. None looks further than a week, but what a probe's scale
and rhythm are is learned from all that is there. Piles shorter than this are looked at whole."""

_NTH: Final = """
select at from unnest(%(probe)s::int4[], %(since)s::timestamptz[], %(until)s::timestamptz[]) as s (probe, since, until)
cross join lateral (
  select observed_at as at from reading r
  where r.organisation_id = %(organisation_id)s and r.probe = s.probe and r.quantity = %(quantity)s
    and r.observed_at >= s.since and r.observed_at < s.until
  order by r.observed_at limit %(most)s) as first
order by at offset %(most)s - 1 limit 1
"""


@dataclass(frozen=True, eq=False)
class Piece:
    """All readings of a series over some time, by ``(at_us, number, recorded_us)``.

    Attributes
    ----------
    sittings, sitting
        Where they were taken: ``sitting`` is a place in ``sittings``.
    at_us, value, unit, flag, counts
        ``(n,)`` as they count; flags with every objection found.
    recorded_us, recorded_unit
        ``(n,)`` as the probe told them.
    corrections
        The entries that hold for a reading, by its place here.
    until_us
        The piece holds everything before this instant [us].
    """

    sittings: Sequence[Sitting]
    sitting: NDArray[np.intp]
    at_us: NDArray[np.int64]
    value: NDArray[np.float64]
    unit: NDArray[np.int16]
    flag: NDArray[np.int16]
    counts: NDArray[np.bool_]
    recorded_us: NDArray[np.int64]
    recorded_unit: NDArray[np.int16]
    corrections: dict[int, tuple[UUID, ...]]
    until_us: int

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.at_us)


def about(connection: Plain, frame: Frame, since_us: int, most: int) -> int:
    """Return an instant up to which there are about so many readings; only a guess where a clock was corrected."""
    spans = [
        (one.number, max(since_us, one.since_us), min(frame.until_us, one.until_us)) for one in frame.wanted
    ]
    asked = [span for span in spans if span[1] < span[2]]
    row = connection.execute(
        _NTH,
        {
            "organisation_id": frame.organisation_id,
            "quantity": int(frame.quantity),
            "most": most,
            "probe": [number for number, _, _ in asked],
            "since": [moment_of(since) for _, since, _ in asked],
            "until": [moment_of(until) for _, _, until in asked],
        },
    ).fetchone()
    return frame.until_us if row is None else min(frame.until_us, microseconds(row[0]) + 1)


def read(connection: Plain, frame: Frame, since_us: int, until_us: int) -> Piece:
    """Read the part of a series from ``since_us`` up to but not including ``until_us``."""
    parts = [
        part for scene in frame.scenes for part in _scene_parts(connection, frame, scene, since_us, until_us)
    ]
    return _joined(parts, until_us)


def nothing(until_us: int) -> Piece:
    """Return a piece without readings."""
    return _joined([], until_us)


@dataclass(frozen=True, eq=False)
class _Part:
    sitting: Sitting
    recorded: Columns
    counted: Counted


def _scene_parts(connection: Plain, frame: Frame, scene: Scene, since_us: int, until_us: int) -> list[_Part]:
    is_compared = frame.quantity is Quantity.TEMPERATURE
    around_us = CONTEXT_US if is_compared else 0
    if not any(one.is_wanted and _meets(one, since_us, until_us) for one in scene.sittings):
        return []
    first_us, last_us = max(0, since_us - around_us), until_us + around_us
    sittings = [one for one in scene.sittings if _meets(one, first_us, last_us)]
    loaded = [
        said_in(
            connection,
            frame.organisation_id,
            one.number,
            frame.quantity,
            frame.entries.get(one.probe_id, ()),
            since_us=max(first_us, one.since_us),
            until_us=min(last_us, one.until_us),
        )
        for one in sittings
    ]
    counted = _counted(connection, frame, scene, sittings, [laid for _, laid in loaded], (first_us, last_us))
    return [
        _Part(one, recorded, found.within(since_us, until_us))
        for one, (recorded, _), found in zip(sittings, loaded, counted, strict=True)
        if one.is_wanted
    ]


def _meets(sitting: Sitting, since_us: int, until_us: int) -> bool:
    return sitting.since_us < until_us and since_us < sitting.until_us


def _counted(
    connection: Plain,
    frame: Frame,
    scene: Scene,
    sittings: Sequence[Sitting],
    laid: Sequence[Corrected],
    span_us: tuple[int, int],
) -> Sequence[Counted]:
    if frame.quantity is not Quantity.TEMPERATURE:
        return [count(one, frame.quantity) for one in laid]
    air = None
    if scene.air is not None:
        air = air_over(connection, frame.organisation_id, scene.air, since_us=span_us[0], until_us=span_us[1])
    return count_temperatures(
        laid, depths_cm=[one.depth_cm for one in sittings], turns=scene.turns_us, air=air
    )


def _joined(parts: Sequence[_Part], until_us: int) -> Piece:
    def column(of: Any, dtype: Any) -> NDArray[Any]:  # noqa: ANN401 - one of many columns
        return np.concatenate([np.zeros(0, dtype), *(of(part) for part in parts)]).astype(dtype)

    size = [len(part.counted.flag) for part in parts]
    sitting = np.repeat(np.arange(len(parts)), size)
    number = np.repeat(np.array([part.sitting.number for part in parts], np.int64), size)
    at_us = column(lambda part: part.counted.readings.columns.observed_us, np.int64)
    recorded_us = column(lambda part: part.recorded.observed_us[part.counted.readings.place], np.int64)
    order = np.lexsort((recorded_us, number, at_us))
    return Piece(
        sittings=[part.sitting for part in parts],
        sitting=sitting[order],
        at_us=at_us[order],
        value=column(lambda part: part.counted.readings.columns.value, np.float64)[order],
        unit=column(lambda part: part.counted.readings.columns.unit, np.int16)[order],
        flag=column(lambda part: part.counted.flag, np.int16)[order],
        counts=column(lambda part: part.counted.counts, np.bool_)[order],
        recorded_us=recorded_us[order],
        recorded_unit=column(lambda part: part.recorded.unit[part.counted.readings.place], np.int16)[order],
        corrections=_corrections(parts, size, order),
        until_us=until_us,
    )


def _corrections(
    parts: Sequence[_Part], size: Sequence[int], order: NDArray[np.intp]
) -> dict[int, tuple[UUID, ...]]:
    if not any(part.counted.readings.entries for part in parts):
        return {}
    place = np.empty(order.size, np.intp)
    place[order] = np.arange(order.size)
    starts = np.concatenate(([0], np.cumsum(size)))
    return {
        int(place[start + at]): part.counted.readings.touching(int(at))
        for part, start in zip(parts, starts, strict=False)
        for at in np.flatnonzero(part.counted.readings.touched)
    }


@dataclass(frozen=True)
class Bucket:
    """An hour or a day at one place in which there is at least one reading that counts.

    Attributes
    ----------
    sitting
        A stay at that place.
    """

    sitting: Sitting
    start_us: int
    end_us: int
    unit: int
    count: int
    minimum: float
    mean: float
    maximum: float
    first_us: int
    last_us: int


def buckets_of(piece: Piece, resolution: Resolution, time_zone: ZoneInfo) -> list[Bucket]:
    """Draw the readings of a piece that count together by place, in order of ``(start, place, unit)``."""
    by_place: dict[tuple[str, str], list[int]] = {}
    for at, one in enumerate(piece.sittings):
        by_place.setdefault(one.place, []).append(at)
    found: list[Bucket] = []
    for same in by_place.values():
        here = np.isin(piece.sitting, same)
        drawn = resample(
            piece.at_us[here],
            piece.value[here],
            piece.unit[here],
            piece.counts[here],
            resolution=resolution,
            time_zone=time_zone,
        )
        found += _told(drawn, piece.sittings[same[0]])
    return sorted(found, key=lambda one: (one.start_us, one.sitting.place, one.unit))


def _told(drawn: Buckets, sitting: Sitting) -> list[Bucket]:
    columns = (
        drawn.start_us,
        drawn.end_us,
        drawn.unit,
        drawn.count,
        drawn.minimum,
        drawn.mean,
        drawn.maximum,
        drawn.first_us,
        drawn.last_us,
    )
    return [Bucket(sitting, *row) for row in zip(*(column.tolist() for column in columns), strict=True)]


def end_of_bucket(at_us: int, resolution: Resolution, time_zone: ZoneInfo) -> int:
    """Return when the hour or day that holds an instant ends [us]."""
    one = resample(
        np.array([at_us]),
        np.zeros(1),
        np.zeros(1, np.int16),
        np.ones(1, np.bool_),
        resolution=resolution,
        time_zone=time_zone,
    )
    return int(one.end_us[0])
