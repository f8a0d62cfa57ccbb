"""What a published rule asks of the turns, as far as a schedule can keep or break it."""

from dataclasses import dataclass
from typing import Final

from service.domain.errors import FieldError

HEATING_DAYS: Final = 2
"""Days from the build to hot: the careful end of "heats in 24 to 48 hours".

Robert D. Raabe, *The Rapid Composting Method*, University of California.
"""


@dataclass(frozen=True)
class TurnConstraint:
    """A rule's demands on turning; the caller fills it from the encoded rule.

    Attributes
    ----------
    rule
        The rule's id, for example ``us-nop-windrow``.
    citation
        Where it stands, for example ``7 CFR 205.203(c)(2)(iii)``.
    minimum_turns
        Turns the rule counts at least.
    window_days
        Days of the window that must hold all ``minimum_turns``; None where they may lie anywhere in a longer
        hot period. Turns on dates D1 and D2 share a window of n days if D2 - D1 <= n - 1: then they lie
        within n times 24 h whatever hour of the day each was done, and within n calendar days as well.
    spacing_h
        Hours between two turns at least [h].
    turns_while_hot
        Whether a turn counts only while the pile is hot; if so, none before day :data:`HEATING_DAYS` does.
    heat_before_turn_h
        Hours of heat each turn must follow [h], where the text asks for that.
    hot_days
        Days the heat must be held [d]; the pile is not taken down before.
    longest_reading_gap_h
        Longest time between two readings that still proves the heat between them [h].
    """

    rule: str
    citation: str
    minimum_turns: int
    window_days: int | None = None
    spacing_h: float = 0
    turns_while_hot: bool = True
    heat_before_turn_h: float = 0
    hot_days: float | None = None
    longest_reading_gap_h: float | None = None

    @property
    def spacing_days(self) -> int:
        """Dates between two turns at least; one turn a date is the closest a plan goes."""
        return max(1, _whole_days(max(self.spacing_h, self.heat_before_turn_h)))

    @property
    def first_counting_day(self) -> int:
        """Day of the pile from which a turn counts."""
        return HEATING_DAYS if self.turns_while_hot else 1

    @property
    def first_turn_day(self) -> int:
        """Day of the pile before which no turn may fall."""
        return HEATING_DAYS + _whole_days(self.heat_before_turn_h) if self.heat_before_turn_h else 0

    @property
    def hot_until_day(self) -> int:
        """Day of the pile on which the heat has been held long enough at the earliest."""
        return HEATING_DAYS + _whole_days(24 * self.hot_days) if self.hot_days else 0

    @property
    def named(self) -> str:
        """The rule as a sentence names it."""
        return f"{self.rule} ({self.citation})"

    def errors(self) -> list[FieldError]:
        """Return what cannot be a rule's demand."""
        figures = (
            ("minimum_turns", self.minimum_turns, 0),
            ("window_days", self.window_days, 1),
            ("spacing_h", self.spacing_h, 0),
            ("heat_before_turn_h", self.heat_before_turn_h, 0),
            ("hot_days", self.hot_days, 0),
            ("longest_reading_gap_h", self.longest_reading_gap_h, 1),
        )
        return [
            FieldError(f"/rule/{name}", f"{value} is too small; give {least} or more")
            for name, value, least in figures
            if value is not None and not value >= least
        ]


def _whole_days(hours: float) -> int:
    """Return the dates that must lie between two events at the same hour for ``hours`` to pass."""
    return int(-(-hours // 24))
