"""Quality of readings: flags in the QARTOD vocabulary, set on arrival and, with more known, in retrospect.

Flags never hide or delete a reading; what a verdict leaves out, it says.
"""

from service.domain.readings.quality.arrival import flag_anew, flag_by_value, flag_on_arrival
from service.domain.readings.quality.assessing import Assessment, assess, assess_pile
from service.domain.readings.quality.columns import HAND_READ_FROM_H, ReadSeries, Track, track
from service.domain.readings.quality.evidence import (
    EVIDENCE_EXCLUDES,
    counts_as_evidence,
    left_out,
    reasons_out,
)
from service.domain.readings.quality.flags import QUESTIONS, Flags, Test, combine, primary, tests_of
from service.domain.readings.quality.near_air import AIR_COMPARED_H, MOST_OF_A_DAY, air_at, follows_air
from service.domain.readings.quality.stillness import flat_line
from service.domain.readings.quality.units import mistaken_unit_c
from service.domain.temperatures import celsius

__all__ = [
    "AIR_COMPARED_H",
    "EVIDENCE_EXCLUDES",
    "HAND_READ_FROM_H",
    "MOST_OF_A_DAY",
    "QUESTIONS",
    "Assessment",
    "Flags",
    "ReadSeries",
    "Test",
    "Track",
    "air_at",
    "assess",
    "assess_pile",
    "celsius",
    "combine",
    "counts_as_evidence",
    "flag_anew",
    "flag_by_value",
    "flag_on_arrival",
    "flat_line",
    "follows_air",
    "left_out",
    "mistaken_unit_c",
    "primary",
    "reasons_out",
    "tests_of",
    "track",
]
