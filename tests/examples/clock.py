"""A gateway's clock that a test sets, and readings to keep."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from reading_buffer import Buffer

NOW = datetime(2026, 5, 4, 14, tzinfo=UTC)


class Clock:
    def __init__(self, now: datetime = NOW) -> None:
        self.shown, self.up_s, self.slept = now, 100.0, list[float]()

    def pass_by(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.shown += timedelta(seconds=seconds)
        self.up_s += seconds

    def buffer(self, file: Path, boot: str = "first") -> Buffer:
        return Buffer(file, lambda: self.shown, lambda: self.up_s, boot)


def reading(number: int, **members: Any) -> dict[str, Any]:
    return {"probe": "PR-1", "quantity": "temperature", "value": 20 + number / 10, "unit": "Cel"} | members
