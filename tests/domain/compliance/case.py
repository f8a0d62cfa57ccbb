"""One worked case of a published text: a pile, the words of the law it turns on, and what each rule must say."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from service.domain.compliance import History
from tests.domain.compliance.piles import START, UTC_ZONE

EPA, EPA_STATIC = "us-503-pfrp-windrow", "us-503-pfrp-asp"
NOP, NOP_STATIC = "us-nop-windrow", "us-nop-static-vessel"
FDA, FDA_STATIC = "us-fda-turned", "us-fda-static"
NY, CA, EU, UK, DE = "us-ny-windrow", "us-ca-windrow", "eu-cmc3", "uk-abp-housed-windrow", "de-bioabfv"

# State, and the hour at which it was first met.
Expected = tuple[str, float | None]
SHORT: Expected = ("under_way", None)
UNPROVEN: Expected = ("cannot_judge", None)


@dataclass(frozen=True)
class Case:
    """One published case.

    Attributes
    ----------
    name, text
        The case, and the words of the law with their source.
    history, at_h
        The pile, and the hour of judging; None for the last reading.
    expected
        By rule.
    reading
        The interpretation.
    noted
        Rules that are met under a reservation; every other verdict carries none.
    """

    name: str
    text: str
    history: History
    expected: Mapping[str, Expected]
    at_h: float | None = None
    reading: str = "inspector"
    noted: Sequence[str] = ()
    start: datetime = START
    zone: ZoneInfo = field(default=UTC_ZONE)
