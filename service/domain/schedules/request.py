"""What a plan is asked for, and the refusal of what no plan can be made from."""

import datetime as dt
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Final

from service.domain.errors import FieldError, Invalid
from service.domain.schedules.pattern import Pattern, weekday_errors
from service.domain.schedules.turn_constraint import TurnConstraint
from service.domain.schedules.work_days import WorkCalendar, zone_fault

FIRST_DATE: Final = dt.date(1900, 1, 1)
LAST_DATE: Final = dt.date(2999, 12, 31)
"""Beyond these a date is a slip of the pen, and date arithmetic would run off the calendar."""


@dataclass(frozen=True)
class PlanRequest:
    """One pile on one site.

    Attributes
    ----------
    time_zone
        IANA name; the dates below are local dates there.
    build_on
        The date wanted for the build, day 0 of the pile.
    work_days, closures, extra_days
        As in :class:`~service.domain.schedules.work_days.WorkCalendar`, in the order in which they were
        given, so that a refusal can point at the wrong one.
    pattern
        When it is to be turned.
    rule
        What a published rule asks of the turns, or None.
    earliest_build_on
        No build is proposed before it (material not there yet); None leaves six days before free.
    reasons
        Why the site is closed, by closure, where that is known.
    """

    time_zone: str
    build_on: dt.date
    work_days: Collection[str]
    pattern: Pattern
    closures: Collection[dt.date] = ()
    extra_days: Collection[dt.date] = ()
    rule: TurnConstraint | None = None
    earliest_build_on: dt.date | None = None
    reasons: Mapping[dt.date, str] = field(default_factory=dict, compare=False)

    @property
    def calendar(self) -> WorkCalendar:
        """The crew days of the request."""
        return WorkCalendar(
            frozenset(self.work_days), frozenset(self.closures), frozenset(self.extra_days), self.reasons
        )

    def refuse_what_does_not_fit(self) -> None:
        """Check every value.

        Raises
        ------
        Invalid
            With one pointer for each value that does not fit.
        """
        found = [
            *_zone_errors(self.time_zone),
            *_build_errors(self.build_on, self.earliest_build_on),
            *weekday_errors(self.work_days, "/work_days"),
            *_date_errors(self.closures, "/closures"),
            *_date_errors(self.extra_days, "/extra_days"),
            *_contradictions(self.extra_days, frozenset(self.closures)),
            *self.pattern.errors(),
            *(self.rule.errors() if self.rule else ()),
        ]
        if not found and not self.pattern.turns(self.build_on):
            found = [_no_turn(self.pattern, self.build_on)]
        if found:
            raise Invalid(*found)


def _zone_errors(time_zone: str) -> list[FieldError]:
    """Return the fault of an unknown zone."""
    fault = zone_fault(time_zone)
    return [FieldError("/time_zone", fault)] if fault else []


def _build_errors(build_on: dt.date, earliest: dt.date | None) -> list[FieldError]:
    """Return what is wrong with the build date."""
    if not FIRST_DATE <= build_on <= LAST_DATE:
        return [
            FieldError(
                "/build_on", f"{build_on} is out of reach; give a date from {FIRST_DATE} to {LAST_DATE}"
            )
        ]
    if earliest is not None and earliest > build_on:
        detail = f"{earliest} is after the build on {build_on}; give that date or an earlier one"
        return [FieldError("/earliest_build_on", detail)]
    return []


def _date_errors(dates: Collection[dt.date], at: str) -> list[FieldError]:
    """Return the dates that stand twice, each at its place in the list."""
    found = []
    seen: set[dt.date] = set()
    for index, on in enumerate(dates):
        if on in seen:
            found.append(FieldError(f"{at}/{index}", f"{on} stands twice; name each date once"))
        seen.add(on)
    return found


def _contradictions(extra_days: Collection[dt.date], closures: frozenset[dt.date]) -> list[FieldError]:
    """Return the extra days on which the site is closed."""
    return [
        FieldError(f"/extra_days/{index}", f"{on} is also a closure; leave it out of one of the two lists")
        for index, on in enumerate(extra_days)
        if on in closures
    ]


def _no_turn(pattern: Pattern, build_on: dt.date) -> FieldError:
    """Return the fault of a pattern whose weekdays miss the time left for turning."""
    first = next(pattern.turns_without_end(build_on))
    return FieldError(
        "/pattern/last_turn_day",
        f"no turn falls on days {pattern.rest_days} to {pattern.last_turn_day} of a pile built on {build_on};"
        f" give {first} or later",
    )
