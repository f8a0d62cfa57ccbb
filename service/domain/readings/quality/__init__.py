"""Quality of readings: flags in the QARTOD vocabulary, set on arrival and, with more known, in retrospect.

Flags never hide or delete a reading; what a verdict leaves out, it says.
"""

from service.domain.readings.quality.arrival import flag_by_value, flag_on_arrival
from service.domain.readings.quality.assessing import Assessment, assess, assess_pile
from service.domain.readings.quality.columns import ReadSeries, Track, celsius, track
from service.domain.readings.quality.evidence import EVIDENCE_EXCLUDES, counts_as_evidence, left_out
from service.domain.readings.quality.flags import QUESTIONS, Flags, Test, combine, primary, tests_of
from service.domain.readings.quality.units import mistaken_unit_c

__all__ = [
    "EVIDENCE_EXCLUDES",
    "QUESTIONS",
    "Assessment",
    "Flags",
    "ReadSeries",
    "Test",
    "Track",
    "assess",
    "assess_pile",
    "celsius",
    "combine",
    "counts_as_evidence",
    "flag_by_value",
    "flag_on_arrival",
    "left_out",
    "mistaken_unit_c",
    "primary",
    "tests_of",
    "track",
]
