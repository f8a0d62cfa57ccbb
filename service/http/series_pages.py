"""A page of a series: piece after piece until it is full, each in a short transaction of its own."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from service.domain.quantities import UCUM, Unit
from service.domain.readings.quality import primary, tests_of
from service.domain.readings.resampling import Resolution
from service.storage import series
from service.storage.corrections import microseconds, moment_of
from service.storage.database import Database
from service.storage.frames import Frame
from service.storage.records import make_cursor, read_cursor
from service.storage.series import Bucket, Piece

_MOST_AT_ONCE: Final = 50_000
"""Readings drawn together in one go."""
_LENGTH_US: Final = {"hour": series.DAY_US // 24, "day": series.DAY_US}

_ReadingKey = tuple[int, int, int]
_BucketKey = tuple[int, tuple[str, str], int]
Page = tuple[list[dict[str, object]], str | None]


def readings_page(database: Database, frame: Frame, limit: int, after: str | None) -> Page:
    """Return the readings after a cursor in order of time, and the next cursor."""
    key: _ReadingKey = (frame.since_us, -1, -1)
    if after is not None:
        at, number, recorded = read_cursor(after, [datetime, int, datetime])
        assert isinstance(at, datetime)
        assert isinstance(number, int)
        assert isinstance(recorded, datetime)
        key = (microseconds(at), number, microseconds(recorded))
    rows: list[tuple[_ReadingKey, dict[str, object]]] = []
    since_us = max(frame.since_us, key[0])
    while len(rows) <= limit and since_us < frame.until_us:
        with database.begin_plain(frame.organisation_id) as connection:
            until_us = series.about(connection, frame, since_us, limit + 2)
            piece = series.read(connection, frame, since_us, until_us)
        for place in _after(piece, key):
            rows.append((_key(piece, place), _reading_out(piece, place, frame)))
            if len(rows) > limit:
                break
        since_us = piece.until_us
    items = [shown for _, shown in rows[:limit]]
    if len(rows) <= limit:
        return items, None
    at_us, number, recorded_us = rows[limit - 1][0]
    return items, make_cursor([moment_of(at_us), number, moment_of(recorded_us)])


def _after(piece: Piece, key: _ReadingKey) -> Iterator[int]:
    return (place for place in range(len(piece)) if _key(piece, place) > key)


def _key(piece: Piece, place: int) -> _ReadingKey:
    number = piece.sittings[piece.sitting[place]].number
    return int(piece.at_us[place]), number, int(piece.recorded_us[place])


def _reading_out(piece: Piece, place: int, frame: Frame) -> dict[str, object]:
    sitting, flag = piece.sittings[piece.sitting[place]], piece.flag[place]
    return {
        "probe": sitting.serial,
        "pile_id": sitting.pile_id,
        "position": sitting.position,
        "depth_cm": sitting.depth_cm,
        "observed_at": moment_of(int(piece.at_us[place])),
        "quantity": frame.quantity.label,
        "value": float(piece.value[place]),
        "unit": UCUM[Unit(int(piece.unit[place]))],
        "flag": int(primary(flag)),
        "tests": tests_of(int(flag)),
        "counts": bool(piece.counts[place]),
        "corrected": corrected_out(
            piece.corrections.get(place, ()),
            (int(piece.recorded_us[place]), int(piece.at_us[place])),
            (int(piece.recorded_unit[place]), int(piece.unit[place])),
        ),
    }


def corrected_out(
    by: Sequence[UUID], instants_us: tuple[int, int], units: tuple[int, int]
) -> dict[str, object] | None:
    """Return what people said of a reading; pairs of what was recorded and what counts."""
    if not by:
        return None
    return {
        "by": list(by),
        "recorded_at": None if instants_us[0] == instants_us[1] else moment_of(instants_us[0]),
        "recorded_unit": None if units[0] == units[1] else UCUM[Unit(units[0])],
    }


def buckets_page(
    database: Database,
    frame: Frame,
    resolution: Resolution,
    time_zone: ZoneInfo,
    limit: int,
    after: str | None,
) -> Page:
    """Return hours or days after a cursor, by ``(from, place)``, and the next cursor."""
    key: _BucketKey | None = None
    since_us = frame.since_us
    if after is not None:
        at, pile, position, unit = read_cursor(after, [datetime, str, str, int])
        assert isinstance(at, datetime)
        assert isinstance(unit, int)
        key = (microseconds(at), (str(pile), str(position)), unit)
        # The hour or day of the cursor is drawn once more: another place may still have its own.
        since_us = max(since_us, key[0])
    places = len({one.place for one in frame.wanted}) or 1
    span_us = _LENGTH_US[resolution] * (limit // places + 1)
    found: list[Bucket] = []
    while len(found) <= limit and since_us < frame.until_us:
        with database.begin_plain(frame.organisation_id) as connection:
            until_us = min(series.about(connection, frame, since_us, _MOST_AT_ONCE), since_us + span_us)
            until_us = min(frame.until_us, series.end_of_bucket(until_us - 1, resolution, time_zone))
            piece = series.read(connection, frame, since_us, until_us)
        drawn = series.buckets_of(piece, resolution, time_zone)
        found += [one for one in drawn if key is None or _bucket_key(one) > key]
        since_us = piece.until_us
        span_us *= 2
    items = [_bucket_out(one) for one in found[:limit]]
    if len(found) <= limit:
        return items, None
    start_us, (pile, position), unit = _bucket_key(found[limit - 1])
    return items, make_cursor([moment_of(start_us), pile, position, unit])


def _bucket_key(one: Bucket) -> _BucketKey:
    return one.start_us, one.sitting.place, one.unit


def _bucket_out(one: Bucket) -> dict[str, object]:
    return {
        "pile_id": one.sitting.pile_id,
        "position": one.sitting.position,
        "from_": moment_of(one.start_us),
        "to": moment_of(one.end_us),
        "count": one.count,
        "minimum": one.minimum,
        "mean": one.mean,
        "maximum": one.maximum,
        "unit": UCUM[Unit(one.unit)],
        "first_at": moment_of(one.first_us),
        "last_at": moment_of(one.last_us),
    }
