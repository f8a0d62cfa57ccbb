"""A digest of the readings a verdict saw: anyone who holds them can make it again."""

import hashlib

import numpy as np

from service.domain.compliance.history import History
from service.domain.readings.quality import primary


def readings_digest(history: History, judged_us: int) -> str:
    """Return a digest of every reading a verdict saw, the same for any order of arrival.

    SHA-256 over, for each position in order of its name: the name in UTF-8, a zero byte, the number of readings
    as a little-endian 64-bit integer, then the times (64-bit integers, microseconds since 1970 UTC), the values
    (64-bit IEEE floats), the unit codes and the primary flags (one byte each), all little-endian and in order of
    time. Where a test objected on arrival or a person accepted or excluded a reading, a byte 1 follows, the flags
    whole (16-bit integers) and what was said of each (one byte: 1 accepted, 255 excluded, 0 nothing). Times and
    units are those of the entries in force. What the tests find when they look at all readings together follows from
    these and from the turns, and is not part of it.

    Returns
    -------
    str
        ``sha256:`` and 64 hexadecimal digits.
    """
    digest = hashlib.sha256()
    for series in sorted(history.series, key=lambda one: one.position):
        n = int(np.searchsorted(series.observed_at, judged_us, side="right"))
        if n == 0:
            continue
        digest.update(series.position.encode() + b"\0" + n.to_bytes(8, "little"))
        # Adding 0.0 turns -0.0 into 0.0, and every not-a-number into one, so equal values have equal bytes.
        values = np.where(np.isnan(series.value[:n]), np.nan, series.value[:n] + 0.0)
        flag = series.flag[:n]
        code = primary(flag)
        digest.update(series.observed_at[:n].astype("<i8").tobytes())
        digest.update(values.astype("<f8").tobytes())
        digest.update(series.unit[:n].astype("u1").tobytes() + code.astype("u1").tobytes())
        said = np.zeros(n, np.int8) if series.said is None else series.said[:n]
        # Only then, so that a record without either keeps the digest it had before there were bits and entries.
        if (code != flag).any() or said.any():
            digest.update(b"\1" + flag.astype("<i2").tobytes() + said.astype("i1").tobytes())
    return f"sha256:{digest.hexdigest()}"
