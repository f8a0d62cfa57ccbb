"""Readings read back: a probe's series over some time, as columns."""

import struct
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.storage.packing import POSTGRES_EPOCH_US
from service.storage.readings import Plain

_ROW: Final = np.dtype([
    ("fields", ">i2"),
    ("l1", ">i4"), ("observed_at", ">i8"),
    ("l2", ">i4"), ("value", ">f8"),
    ("l3", ">i4"), ("unit", ">i2"),
    ("l4", ">i4"), ("flag", ">i2"),
])  # fmt: skip
_COPY_HEAD: Final = len(b"PGCOPY\n\xff\r\n\0") + 8


@dataclass(frozen=True)
class Stretch:
    """The readings of one probe and quantity over some time, ascending.

    Attributes
    ----------
    observed_us
        Microseconds since 1970-01-01T00:00Z, int64.
    value, unit, flag
        As recorded; ``Unit`` and ``QualityFlag`` codes.
    """

    observed_us: NDArray[np.int64]
    value: NDArray[np.float64]
    unit: NDArray[np.int16]
    flag: NDArray[np.int16]


def stretch(
    connection: Plain,
    organisation_id: int,
    probe: int,
    quantity: int,
    *,
    since: datetime,
    until: datetime | None,
) -> Stretch:
    """Load a probe's readings from ``since`` up to but not including ``until``.

    Binary COPY into NumPy: no Python object for a reading.
    """
    with (
        connection.cursor() as cursor,
        cursor.copy(
            "copy (select observed_at, value, unit, flag from reading where organisation_id = %s and probe = %s"
            " and quantity = %s and observed_at >= %s and observed_at < %s order by observed_at)"
            " to stdout (format binary)",
            (organisation_id, probe, quantity, since, until or "infinity"),
        ) as copy,
    ):
        raw = b"".join(bytes(part) for part in copy)
    (extension,) = struct.unpack_from(">i", raw, _COPY_HEAD - 4)
    body = memoryview(raw)[_COPY_HEAD + extension : -2]
    rows = np.frombuffer(body, _ROW)
    return Stretch(
        rows["observed_at"].astype(np.int64) + POSTGRES_EPOCH_US,
        rows["value"].astype(np.float64),
        rows["unit"].astype(np.int16),
        rows["flag"].astype(np.int16),
    )
