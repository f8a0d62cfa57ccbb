"""Sealing the readings of a batch when they are kept, in columns, at some nanoseconds a reading.

A seal holds, for each probe and quantity of the batch, the SHA-256 of its readings as 20 bytes each, and a *mark* of
four bytes for each reading. The digest proves; the marks only tell which reading it is that does not fit: hashing every
reading by itself would cost a fifth of keeping it.
"""

import hashlib
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

SALT_BYTES: Final = 16
_RECORD: Final = np.dtype([("at", ">i8"), ("value", ">f8"), ("unit", ">i2"), ("flag", ">i2")])
_SERIES: Final = struct.Struct(">iHIII32s")
_HEAD: Final = np.dtype(
    [
        ("probe", ">i4"),
        ("quantity", ">u2"),
        ("count", ">u4"),
        ("first_s", ">u4"),
        ("last_s", ">u4"),
        ("records", "V32"),
    ]
)
"""``_SERIES`` as a column."""
_WHO: Final = struct.Struct(">iH")
_READING: Final = struct.Struct(">qdhh")
_BITS: Final = struct.Struct(">QQI")
_MARK: Final = struct.Struct(">I")
_ALL: Final = 2**64 - 1
_FEW: Final = 20
"""Where both ways take the same time, for readings that each came alone."""
_MARK_BYTES: Final = 4
_LATEST_S: Final = 2**32 - 1
_SECOND_US: Final = 1_000_000
_A: Final = 0x9E3779B97F4A7C15
_B: Final = 0xC2B2AE3D27D4EB4F
_C: Final = 0x165667B19E3779F9
"""Odd 64-bit constants that spread bits; any would do."""


@dataclass(frozen=True)
class Kept:
    """Readings that were kept, column by column, ascending by probe, quantity and instant.

    Attributes
    ----------
    batch, probe, quantity
        Numbers and codes.
    observed_us
        Microseconds since 1970-01-01T00:00Z, int64.
    value
        As recorded, float64.
    unit, flag
        Codes, int16.
    """

    batch: NDArray[np.int64]
    probe: NDArray[np.int32]
    quantity: NDArray[np.int16]
    observed_us: NDArray[np.int64]
    value: NDArray[np.float64]
    unit: NDArray[np.int16]
    flag: NDArray[np.int16]


@dataclass(frozen=True)
class SealedSeries:
    """One probe's readings of one quantity in one batch.

    Attributes
    ----------
    count
        How many readings.
    first_s, last_s
        Whole seconds since 1970 of the first and the last.
    records
        SHA-256 of the readings, 20 bytes each, ascending.
    marks
        Four bytes for each reading, in the same order.
    """

    probe: int
    quantity: int
    count: int
    first_s: int
    last_s: int
    records: bytes
    marks: bytes


@dataclass(frozen=True)
class Seal:
    """What a batch held when it was kept."""

    salt: bytes
    series: tuple[SealedSeries, ...]

    def salt_of(self, series: SealedSeries) -> bytes:
        """Return the salt of one series, from which that of its neighbours cannot be told."""
        return hashlib.sha256(self.salt + _WHO.pack(series.probe, series.quantity)).digest()[:SALT_BYTES]


def records_of(
    observed_us: NDArray[np.int64], value: NDArray[np.float64], unit: NDArray[Any], flag: NDArray[Any]
) -> bytes:
    """Return readings as 20 bytes each: instant [us], value (IEEE 754), unit and flag, all big-endian."""
    packed = np.empty(len(value), _RECORD)
    packed["at"], packed["value"], packed["unit"], packed["flag"] = observed_us, value, unit, flag
    return packed.tobytes()


def marks_of(
    observed_us: NDArray[np.int64], value: NDArray[np.float64], unit: NDArray[Any], flag: NDArray[Any]
) -> bytes:
    """Return four bytes for each reading that differ, all but surely, where a reading differs."""
    told = (unit.astype(np.uint64) & 0xFFFF) << np.uint64(16) | (flag.astype(np.uint64) & 0xFFFF)
    bits = np.ascontiguousarray(value, np.float64).view(np.uint64)
    mixed = observed_us.astype(np.uint64) * np.uint64(_A) ^ bits * np.uint64(_B)
    mixed ^= (told + np.uint64(1)) * np.uint64(_C)
    mixed = (mixed ^ mixed >> np.uint64(29)) * np.uint64(_A)
    marks: bytes = (mixed >> np.uint64(32)).astype(">u4").tobytes()
    return marks


def seal(kept: Kept, salts: Callable[[int], bytes]) -> dict[int, bytes]:
    """Return the seal of each batch among some readings, as bytes to be kept with it.

    Parameters
    ----------
    salts
        Gives that many random bytes.
    """
    if not len(kept.batch):
        return {}
    if len(kept.batch) <= _FEW:
        return _seal_few(kept, salts)
    if bool((kept.batch != kept.batch[0]).any()):
        order = np.argsort(kept.batch, kind="stable")
        kept = Kept(*(getattr(kept, name)[order] for name in Kept.__dataclass_fields__))
    columns = (kept.observed_us, kept.value, kept.unit, kept.flag)
    records, marks = memoryview(records_of(*columns)), marks_of(*columns)
    first = _firsts(kept.batch, kept.probe, kept.quantity)
    end = np.append(first[1:], len(kept.batch))
    heads = np.empty(len(first), _HEAD)
    heads["probe"], heads["quantity"], heads["count"] = kept.probe[first], kept.quantity[first], end - first
    heads["first_s"], heads["last_s"] = (
        np.clip(kept.observed_us[at] // _SECOND_US, 0, _LATEST_S) for at in (first, end - 1)
    )
    bounds = zip((first * _RECORD.itemsize).tolist(), (end * _RECORD.itemsize).tolist(), strict=True)
    digests = b"".join([hashlib.sha256(records[a:b]).digest() for a, b in bounds])
    heads["records"] = np.frombuffer(digests, "V32")
    return _by_batch(kept.batch[first], first, len(kept.batch), heads.tobytes(), marks, salts)


def _by_batch(
    batch: NDArray[np.int64],
    first: NDArray[np.intp],
    count: int,
    heads: bytes,
    marks: bytes,
    salts: Callable[[int], bytes],
) -> dict[int, bytes]:
    """Cut the heads of all series and the marks of all readings into a seal for each batch."""
    begins = _firsts(batch)
    of_heads = [*(begins * _SERIES.size).tolist(), len(heads)]
    of_marks = [*(first[begins] * _MARK_BYTES).tolist(), count * _MARK_BYTES]
    salt = salts(SALT_BYTES * len(begins))
    return {
        number: salt[SALT_BYTES * n : SALT_BYTES * (n + 1)]
        + heads[of_heads[n] : of_heads[n + 1]]
        + marks[of_marks[n] : of_marks[n + 1]]
        for n, number in enumerate(batch[begins].tolist())
    }


def _firsts(*columns: NDArray[Any]) -> NDArray[np.intp]:
    """Return where any of some columns takes another value than before."""
    new = np.ones(len(columns[0]), np.bool_)
    new[1:] = columns[0][1:] != columns[0][:-1]
    for column in columns[1:]:
        new[1:] |= column[1:] != column[:-1]
    return np.flatnonzero(new)


def _seal_few(kept: Kept, salts: Callable[[int], bytes]) -> dict[int, bytes]:
    """Do the same reading by reading: for a few, NumPy takes longer to begin than to end."""
    columns = (getattr(kept, name).tolist() for name in Kept.__dataclass_fields__)
    rows = sorted(zip(*columns, strict=True), key=itemgetter(0))
    heads: dict[int, bytes] = {}
    marks: dict[int, bytes] = {}
    for (batch, probe, quantity), group in groupby(rows, key=itemgetter(0, 1, 2)):
        same = list(group)
        packed = [_READING.pack(*row[3:]) for row in same]
        digest = hashlib.sha256(b"".join(packed)).digest()
        head = _SERIES.pack(probe, quantity, len(same), _second(same[0][3]), _second(same[-1][3]), digest)
        heads[batch] = heads.get(batch, b"") + head
        marks[batch] = marks.get(batch, b"") + b"".join([_mark(one) for one in packed])
    return {batch: salts(SALT_BYTES) + of_batch + marks[batch] for batch, of_batch in heads.items()}


def _mark(record: bytes) -> bytes:
    """Return the mark of one reading, as :func:`marks_of` does."""
    at, bits, told = _BITS.unpack(record)
    mixed = (at * _A ^ bits * _B ^ (told + 1) * _C) & _ALL
    return _MARK.pack(((mixed ^ mixed >> 29) * _A & _ALL) >> 32)


def joined(seals: Sequence[bytes]) -> bytes:
    """Return one seal of the series of several of the same batch."""
    if len(seals) == 1:
        return seals[0]
    read = [read_seal(one) for one in seals]
    series = [one for seal_ in read for one in seal_.series]
    heads = [
        _SERIES.pack(one.probe, one.quantity, one.count, one.first_s, one.last_s, one.records)
        for one in series
    ]
    return read[0].salt + b"".join(heads) + b"".join(one.marks for one in series)


def _second(at_us: int) -> int:
    return min(max(0, at_us // _SECOND_US), _LATEST_S)


def read_seal(packed: bytes) -> Seal:
    """Read a seal back.

    Raises
    ------
    ValueError
        It is cut off.
    """
    heads, at, count = [], SALT_BYTES, 0
    while len(packed) - at > count * _MARK_BYTES:  # the marks come last, as many as the heads tell of
        if at + _SERIES.size > len(packed):
            raise ValueError("a seal that is cut off")
        heads.append(_SERIES.unpack_from(packed, at))
        count += heads[-1][2]
        at += _SERIES.size
    if len(packed) - at != count * _MARK_BYTES:
        raise ValueError("a seal that is cut off")
    series = []
    for probe, quantity, many, first_s, last_s, records in heads:
        marks = packed[at : at + many * _MARK_BYTES]
        series.append(SealedSeries(probe, quantity, many, first_s, last_s, records, marks))
        at += many * _MARK_BYTES
    return Seal(packed[:SALT_BYTES], tuple(series))


def holds_probe(probe: int) -> bytes:
    """Return bytes that stand in every seal with readings of a probe; now and then in another, too."""
    return struct.pack(">i", probe)
