"""When crews are at a site: weekdays with people and hours, seasons, closures, extra days, and holidays to choose."""

from service.domain.calendars.assumed import assumed_calendar, assumed_figures
from service.domain.calendars.calendar import (
    CREW,
    Closure,
    ExtraDay,
    HolidayChosen,
    Season,
    Shift,
    SiteCalendar,
    crew_minutes,
)
from service.domain.calendars.checking import refuse_what_does_not_fit
from service.domain.calendars.crew_days import work_calendar
from service.domain.calendars.document import kept_calendar, read_calendar
from service.domain.calendars.feed import (
    SHOWN_AHEAD_DAYS,
    SHOWN_BACK_DAYS,
    Feed,
    read_alarm,
    write_feed,
)
from service.domain.calendars.public_holidays import Offer, PublicHoliday, chosen, offered
from service.domain.calendars.showing import CalendarTask, Shown, shown

__all__ = [
    "CREW",
    "SHOWN_AHEAD_DAYS",
    "SHOWN_BACK_DAYS",
    "CalendarTask",
    "Closure",
    "ExtraDay",
    "Feed",
    "HolidayChosen",
    "Offer",
    "PublicHoliday",
    "Season",
    "Shift",
    "Shown",
    "SiteCalendar",
    "assumed_calendar",
    "assumed_figures",
    "chosen",
    "crew_minutes",
    "kept_calendar",
    "offered",
    "read_alarm",
    "read_calendar",
    "refuse_what_does_not_fit",
    "shown",
    "work_calendar",
    "write_feed",
]
