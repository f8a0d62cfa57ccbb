"""Readings and what people say of them, in as few words as a table row has room for."""

from datetime import UTC, datetime, timedelta
from uuid import UUID

import numpy as np

from service.domain.quantities import Quantity, Unit
from service.domain.readings.corrected import Columns
from service.domain.readings.corrections import ReadingCorrection

S = 1_000_000
HOUR = 3600 * S


def an_entry(number, kind, since_us=0, until_us=100 * HOUR, /, **more):
    """The numbered entry of a day; ``at`` is the second it was recorded, else its number."""
    recorded_at = datetime(2026, 5, 4, tzinfo=UTC) + timedelta(seconds=more.pop("at", number))
    if "withdraws" in more:
        more["withdraws"] = UUID(int=more["withdraws"])
    told = {"reason": "seen on the spot", "recorded_at": recorded_at, **more}
    return ReadingCorrection(UUID(int=number), kind, since_us, until_us, **told)


def columns(observed_us, value=None, unit=None, flag=None):
    at = np.array(observed_us, np.int64)
    value = np.arange(at.size) if value is None else value
    unit = [Unit.CEL] * at.size if unit is None else unit
    flag = [1] * at.size if flag is None else flag
    return Columns(at, np.array(value, np.float64), np.array(unit, np.int16), np.array(flag, np.int16))


def numbers(entries):
    return [entry.id.int for entry in entries]


TEMPERATURE = Quantity.TEMPERATURE
