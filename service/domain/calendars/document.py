"""A work calendar as it is kept on record and sent in requests, to and from the domain's."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

from service.domain.calendars.calendar import (
    CREW,
    Closure,
    ExtraDay,
    HolidayChosen,
    MonthDay,
    Season,
    Shift,
    SiteCalendar,
    Week,
)
from service.domain.calendars.checking import written
from service.domain.schedules import WEEKDAYS

Kept = dict[str, Any]


def read_calendar(kept: Mapping[str, Any]) -> SiteCalendar:
    """Return the calendar of a document of the right shape; whether it fits is checked apart.

    Parameters
    ----------
    kept
        ``week`` (shifts by weekday), ``seasons``, ``closures`` and ``extra_days``; dates and days of the year as
        text. Absent parts are empty.
    """
    return SiteCalendar(
        week=_week(kept.get("week") or {}),
        seasons=tuple(
            Season(one["name"], _month_day(one["from"]), _month_day(one["to"]), _week(one.get("week") or {}))
            for one in kept.get("seasons") or ()
        ),
        closures=tuple(
            Closure(
                dt.date.fromisoformat(one["date"]),
                one["reason"],
                None if one.get("holiday") is None else HolidayChosen(**one["holiday"]),
            )
            for one in kept.get("closures") or ()
        ),
        extra_days=tuple(
            ExtraDay(dt.date.fromisoformat(one["date"]), _shift(one)) for one in kept.get("extra_days") or ()
        ),
    )


def kept_calendar(calendar: SiteCalendar) -> Kept:
    """Return the document of a calendar: what :func:`read_calendar` reads, closures and extra days by date."""
    return {
        "week": _kept_week(calendar.week),
        "seasons": [
            {
                "name": one.name,
                "from": written(one.first),
                "to": written(one.last),
                "week": _kept_week(one.week),
            }
            for one in calendar.seasons
        ],
        "closures": [
            {
                "date": one.on.isoformat(),
                "reason": one.reason,
                "holiday": None if one.holiday is None else dict(vars(one.holiday)),
            }
            for one in sorted(calendar.closures, key=lambda one: one.on)
        ],
        "extra_days": [
            {"date": one.on.isoformat(), **vars(one.shift)}
            for one in sorted(calendar.extra_days, key=lambda one: one.on)
        ],
    }


def _week(kept: Mapping[str, Any]) -> Week:
    return {word: tuple(map(_shift, kept[word])) for word in WEEKDAYS if kept.get(word)}


def _kept_week(week: Week) -> Kept:
    return {word: [dict(vars(shift)) for shift in week.get(word, ())] for word in WEEKDAYS}


def _shift(kept: Mapping[str, Any]) -> Shift:
    return Shift(kept.get("crew") or CREW, kept["people"], kept["hours"])


def _month_day(text: str) -> MonthDay:
    month, day = text.split("-")
    return int(month), int(day)
