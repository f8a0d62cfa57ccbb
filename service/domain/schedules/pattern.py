"""A turning pattern: how long the pile rests, then when it is turned."""

import datetime as dt
import itertools
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Final

from service.domain.errors import FieldError
from service.domain.schedules.reminders import MOST_REMINDERS, Reminder
from service.domain.schedules.work_days import WEEKDAYS, weekday_of

LONGEST_DAYS: Final = 366
"""A year: the slowest turned method, a seldom-turned windrow of leaves, takes 6 to 12 months (NRAES-54)."""


@dataclass(frozen=True)
class Pattern:
    """When a pile is turned, in days of the pile; day 0 is the build day.

    The rest is days 0 to ``rest_days`` - 1: the first turn may fall on day ``rest_days`` and none before. So
    "leave it four days, then turn every second day" turns on days 4, 6, 8, …, and a week's rest after a
    Monday's build allows the turn on the Monday after.

    Attributes
    ----------
    rest_days
        Days left alone after the build [d], 1 or more.
    last_turn_day
        Day of the pile after which no turn is planned.
    turn_on
        Weekdays (``mon`` to ``sun``) on which it is turned; exactly one of this and ``turn_every_days``.
    turn_every_days
        Interval [d] between turns, counted from the end of the rest.
    check_every_days
        Longest interval [d] between visits while hot; None asks for a heat check every crew day.
    min_spacing_days
        Days between two turns at least [d] when turns have to be moved; None keeps half the days between the
        pattern's own, so that a weekly turn is not moved to the day before the next.
    move_on_turning
        Whether each turn forks the pile into the next bay.
    curing_days
        Days of curing [d] after the hot phase; None plans none.
    screen
        Whether a screening closes the plan: on the first crew day after the hot phase and the curing.
    done_on_day
        Day of the pile on which the hot phase is over at the earliest, where the practice names one ("thirty days
        in all"); None: one interval after the last turn, or the day after ``last_turn_day``.
    reminders
        To cover and to wet.
    """

    rest_days: int
    last_turn_day: int
    turn_on: Collection[str] | None = None
    turn_every_days: int | None = None
    check_every_days: int | None = None
    min_spacing_days: int | None = None
    move_on_turning: bool = False
    curing_days: int | None = None
    screen: bool = False
    done_on_day: int | None = None
    reminders: tuple[Reminder, ...] = ()

    @property
    def described(self) -> str:
        """The turning, as a reason says it."""
        after = f"after {self.rest_days} {'day' if self.rest_days == 1 else 'days'} of rest"
        if self.turn_every_days is not None:
            return (
                "every day " + after
                if self.turn_every_days == 1
                else f"every {self.turn_every_days} days {after}"
            )
        named = [weekday for weekday in WEEKDAYS if weekday in (self.turn_on or ())]
        return f"on {', '.join(named)} {after}"

    @property
    def closest_days(self) -> int:
        """Days between the pattern's turns where they are closest [d]."""
        if self.turn_every_days is not None:
            return self.turn_every_days
        places = sorted(WEEKDAYS.index(word) for word in self.turn_on or ())
        return min(
            after - before for before, after in itertools.pairwise([*places, places[0] + len(WEEKDAYS)])
        )

    def turns_without_end(self, built_on: dt.date) -> Iterator[int]:
        """Yield the days of the pile on which the pattern turns, in order, past ``last_turn_day`` too."""
        if self.turn_every_days is not None:
            yield from itertools.count(self.rest_days, self.turn_every_days)
        else:
            wanted = frozenset(self.turn_on or ())
            days = itertools.count(self.rest_days)
            yield from (day for day in days if weekday_of(built_on + dt.timedelta(day)) in wanted)

    def turns(self, built_on: dt.date) -> tuple[int, ...]:
        """Return the days of the pile on which a pile built on that date is to be turned."""
        return tuple(
            itertools.takewhile(lambda day: day <= self.last_turn_day, self.turns_without_end(built_on))
        )

    def hot_phase_over(self, last_turn: int) -> int:
        """Return the day of the pile on which the hot phase is over.

        One interval after the last turn ("18 days" is the last turn on day 16 and two days more); with
        weekdays, the day after ``last_turn_day``; not before ``done_on_day``.
        """
        if self.turn_every_days is not None:
            over = last_turn + self.turn_every_days
        else:
            over = max(last_turn, self.last_turn_day) + 1
        return max(over, self.done_on_day or 0)

    def errors(self, at: str = "/pattern") -> list[FieldError]:
        """Return what is wrong with the pattern by itself, with pointers below ``at``."""
        found = _figure_errors(self, at) + _choice_errors(self, at)
        if self.last_turn_day < self.rest_days:
            found.append(
                FieldError(
                    f"{at}/last_turn_day",
                    f"{self.last_turn_day} lies inside the rest, which lasts to day {self.rest_days};"
                    f" give {self.rest_days} or later",
                )
            )
        if self.done_on_day is not None and not self.last_turn_day < self.done_on_day <= LONGEST_DAYS:
            detail = f"{self.done_on_day} does not fit; give {self.last_turn_day + 1} to {LONGEST_DAYS}"
            found.append(FieldError(f"{at}/done_on_day", detail))
        return found or [*_spacing_errors(self, at), *_reminder_errors(self, at)]


def weekday_errors(words: Collection[str], at: str) -> list[FieldError]:
    """Return the unknown and the repeated weekdays, each at its place in the list."""
    found = []
    seen: set[str] = set()
    for index, word in enumerate(words):
        if word not in WEEKDAYS:
            found.append(
                FieldError(f"{at}/{index}", f"{word!r} is not a weekday; use one of {', '.join(WEEKDAYS)}")
            )
        elif word in seen:
            found.append(FieldError(f"{at}/{index}", f"{word!r} stands twice; name each weekday once"))
        seen.add(word)
    return found


def _figure_errors(pattern: Pattern, at: str) -> list[FieldError]:
    """Return the figures that are too small or absurdly large."""
    figures = (
        ("rest_days", pattern.rest_days),
        ("last_turn_day", pattern.last_turn_day),
        ("turn_every_days", pattern.turn_every_days),
        ("check_every_days", pattern.check_every_days),
        ("min_spacing_days", pattern.min_spacing_days),
        ("curing_days", pattern.curing_days),
    )
    found = []
    for name, value in figures:
        if value is not None and not 1 <= value <= LONGEST_DAYS:
            why = (
                " (day 0 is the build day, and building is not a turn)"
                if name == "rest_days" and value == 0
                else ""
            )
            found.append(
                FieldError(f"{at}/{name}", f"{value} does not fit{why}; give 1 to {LONGEST_DAYS} days")
            )
    return found


def _choice_errors(pattern: Pattern, at: str) -> list[FieldError]:
    """Return what is wrong with the choice between weekdays and an interval."""
    if pattern.turn_on is None and pattern.turn_every_days is None:
        detail = "the pattern never turns; give turn_on (weekdays) or turn_every_days (an interval)"
        return [FieldError(f"{at}/turn_on", detail)]
    if pattern.turn_on is not None and pattern.turn_every_days is not None:
        detail = (
            f"{pattern.turn_every_days} stands beside turn_on; a pattern turns on weekdays or at an interval:"
            " leave one out"
        )
        return [FieldError(f"{at}/turn_every_days", detail)]
    if pattern.turn_on is not None and not pattern.turn_on:
        return [FieldError(f"{at}/turn_on", f"names no weekday; give one or more of {', '.join(WEEKDAYS)}")]
    return weekday_errors(pattern.turn_on or (), f"{at}/turn_on")


def _spacing_errors(pattern: Pattern, at: str) -> list[FieldError]:
    """Return the contradiction of a pattern that turns closer together than it allows itself."""
    own = pattern.closest_days
    if pattern.min_spacing_days is None or pattern.min_spacing_days <= own:
        return []
    detail = f"{pattern.min_spacing_days} is more than the {own} days between the pattern's turns; give {own} or less"
    return [FieldError(f"{at}/min_spacing_days", detail)]


def _reminder_errors(pattern: Pattern, at: str) -> Iterator[FieldError]:
    """Yield what is wrong with the reminders."""
    if len(pattern.reminders) > MOST_REMINDERS:
        detail = f"{len(pattern.reminders)} reminders are too many to be read; give at most {MOST_REMINDERS}"
        yield FieldError(f"{at}/reminders", detail)
    for index, reminder in enumerate(pattern.reminders):
        yield from reminder.errors(f"{at}/reminders/{index}", pattern.last_turn_day)
