"""A work calendar as the plan of one pile needs it: on which dates a crew is there at all."""

import datetime as dt

from service.domain.calendars.calendar import SiteCalendar
from service.domain.schedules import WorkCalendar, weekday_of


def work_calendar(calendar: SiteCalendar, first: dt.date, last: dt.date) -> WorkCalendar:
    """Return the crew days of a calendar.

    Its weekdays are those on which a crew comes in every season; a date of the others is an extra day. So the
    answer is exact from ``first`` to ``last``, and everywhere if the calendar has no seasons.

    Parameters
    ----------
    calendar
        A calendar that fits.
    first, last
        Local dates, both included.
    """
    weeks = (calendar.week, *(season.week for season in calendar.seasons))
    always = frozenset.intersection(*(frozenset(word for word in week if week[word]) for week in weeks))
    extra = {one.on for one in calendar.extra_days if calendar.crews_on(one.on)}
    if calendar.seasons:
        days = (first + dt.timedelta(offset) for offset in range((last - first).days + 1))
        extra |= {on for on in days if weekday_of(on) not in always and calendar.crews_on(on)}
    return WorkCalendar(
        always,
        frozenset(closure.on for closure in calendar.closures),
        frozenset(extra),
        # A site without a calendar says that it is closed and not why.
        {} if calendar.is_assumed else {closure.on: closure.reason for closure in calendar.closures},
    )
