"""What a duty is judged from."""

from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from service.domain.compliance.evidence import Record
from service.domain.compliance.history import History
from service.domain.compliance.instants import local_date
from service.domain.compliance.samples import Sample
from service.domain.compliance.verdict import State

Seen = tuple[State, str]
"""How far a part is shown, and what was seen, in words."""
LISTED: Final = 5
"""So many places or days are named; of more only the number is told."""


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """What a duty is judged from.

    Attributes
    ----------
    history, record
        What was recorded.
    period
        First and last instant over which readings are looked for [us].
    zone
        Time zone of the site.
    samples
        Of the one day that speaks for the duty; empty where it asks for none.
    """

    history: History
    record: Record
    period: tuple[int, int]
    zone: ZoneInfo
    samples: tuple[Sample, ...] = ()

    @property
    def is_blank(self) -> bool:
        """True if there is no stretch of readings to look at."""
        return self.record.is_empty or self.period[0] >= self.period[1]

    def day(self, instant: int) -> str:
        """Return the calendar day of an instant at the site."""
        return local_date(instant, self.zone).isoformat()
