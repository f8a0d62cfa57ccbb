"""Checks on readings: what is usable, what is plausible, where a series has holes."""

from service.domain.readings.checks import (
    FUTURE_TOLERANCE,
    Refusal,
    refuse,
    usable,
)

__all__ = ["FUTURE_TOLERANCE", "Refusal", "refuse", "usable"]
