"""Readings read back: a probe's series over some time, as columns."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.storage.packing import POSTGRES_EPOCH_US
from service.storage.readings import Plain

_COLUMNS: Final = """
select string_agg(timestamptz_send(observed_at), ''::bytea order by observed_at),
       string_agg(float8send(value), ''::bytea order by observed_at),
       string_agg(int2send(unit), ''::bytea order by observed_at),
       string_agg(int2send(flag), ''::bytea order by observed_at)
from reading
where organisation_id = %s and probe = %s and quantity = %s and observed_at >= %s and observed_at < %s
"""
"""One row of four packed columns, in the index's own order; binary COPY through this driver hands over row by row
and took 2.4 times as long (10,565 readings: 8.7 ms against 3.7 ms)."""


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

    No Python object for a reading: the server packs the columns and NumPy reads them as they are.
    """
    row = connection.execute(
        _COLUMNS, (organisation_id, probe, quantity, since, until or "infinity"), binary=True
    ).fetchone()
    assert row is not None
    observed_at, value, unit, flag = (column or b"" for column in row)
    return Stretch(
        np.frombuffer(observed_at, ">i8").astype(np.int64) + POSTGRES_EPOCH_US,
        np.frombuffer(value, ">f8").astype(np.float64),
        np.frombuffer(unit, ">i2").astype(np.int16),
        np.frombuffer(flag, ">i2").astype(np.int16),
    )
