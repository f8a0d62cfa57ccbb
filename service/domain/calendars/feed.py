"""A site's planned tasks as an iCalendar feed (RFC 5545, RFC 7986)."""

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from uuid import UUID

from icalendar import Alarm, Calendar, Event, Timezone, vDuration

from service.domain.calendars.calendar import SiteCalendar
from service.domain.calendars.showing import CalendarTask, Shown, shown
from service.domain.calendars.zone import told_zone
from service.domain.errors import Invalid

CANCELLED_FOR: Final = dt.timedelta(30)
"""How long a cancelled task stays, so that every program that has it has taken it back."""
SHOWN_BACK_DAYS: Final = 92
"""Past tasks shown [d]: a season, and no feed that grows for ever."""
SHOWN_AHEAD_DAYS: Final = 800
LOOK_AGAIN_AFTER: Final = dt.timedelta(hours=1)
EARLIEST_ALARM: Final = dt.timedelta(7)
_CONTROLS: Final = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")


@dataclass(frozen=True)
class Feed:
    """What a feed is written from.

    Attributes
    ----------
    site, time_zone
        The site's name, and its zone's IANA name.
    crew
        Whose feed it is; None for all of the site, which then names no crew.
    calendar
        The site's crews.
    tasks
        Of the crew and of no crew, or all; from ``SHOWN_BACK_DAYS`` ago on.
    """

    site: str
    time_zone: str
    crew: str | None
    calendar: SiteCalendar
    tasks: Sequence[CalendarTask]


def read_alarm(asked: str) -> dt.timedelta:
    """Return how long before a task an alarm was asked for.

    Raises
    ------
    Invalid
        Not an RFC 5545 duration, or none between a minute and seven days.
    """
    remedy = "write how long before, such as PT2H or P1D, at most P7D"
    try:
        before: object = vDuration.from_ical(asked)  # type: ignore[no-untyped-call]
    except (ValueError, OverflowError) as error:
        raise Invalid.field("/alarm", f"{ascii(asked)[:40]} is no duration; {remedy}") from error
    if not isinstance(before, dt.timedelta) or not dt.timedelta(minutes=1) <= before <= EARLIEST_ALARM:
        raise Invalid.field("/alarm", f"{ascii(asked)[:40]} cannot be kept; {remedy}")
    return before


def write_feed(feed: Feed, *, now: dt.datetime, alarm: dt.timedelta | None = None) -> bytes:
    """Write a feed.

    The same plan gives the same bytes, whenever it is asked for (until a cancelled task is old enough to go, a day
    leaves the past that is shown, or a year ends): ``DTSTAMP`` is when the task was last revised, which is what RFC
    5545 section 3.8.7.2 makes of it in a calendar without ``METHOD``.

    Parameters
    ----------
    feed
        Its tasks.
    now
        Aware.
    alarm
        Ring that long before each task to come; None, the default, for silence: others' programs ring, too.
    """
    calendar = _head(feed)
    faces = shown(feed.tasks, feed.calendar, feed.site, feed.time_zone)
    events = [
        _event(task, faces[task.id], alarm)
        for task in sorted(feed.tasks, key=lambda one: (faces[one.id].begins, one.bay, str(one.id)))
        if not task.is_cancelled or now - task.changed_at < CANCELLED_FOR
    ]
    calendar.add_component(_zone(feed, faces, now))
    for event in events:
        calendar.add_component(event)
    written: bytes = calendar.to_ical()
    return written


def _head(feed: Feed) -> Calendar:
    """Return the calendar without its events; METHOD is absent, for nobody is invited."""
    name = f"Compost at {feed.site}" + ("" if feed.crew is None else f": {feed.crew}")
    calendar = Calendar()
    calendar.add("prodid", "-//Heapledger//Planned tasks//EN")
    calendar.add("version", "2.0")
    calendar.add("name", _text(name))
    calendar.add("x-wr-calname", _text(name))
    # RFC 7986 section 5.7 has no default type, and the library writes none by itself.
    calendar.add("refresh-interval", LOOK_AGAIN_AFTER, parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", f"PT{LOOK_AGAIN_AFTER // dt.timedelta(hours=1)}H")
    return calendar


def _zone(feed: Feed, faces: Mapping[UUID, Shown], now: dt.datetime) -> Timezone:
    """Return the zone's rules for the years that are used, and for the present one if none is.

    It stands there even if no event needs it: RFC 5545 wants at least one component in a calendar.
    """
    years = [face.begins.year for face in faces.values()] or [now.year]
    return told_zone(feed.time_zone, min(years), max(years))


def _event(task: CalendarTask, face: Shown, alarm: dt.timedelta | None) -> Event:
    event = Event()
    event.add("uid", str(task.id))
    event.add("dtstamp", task.changed_at.astimezone(dt.UTC))
    event.add("last-modified", task.changed_at.astimezone(dt.UTC))
    event.add("sequence", task.sequence)
    event.add("dtstart", face.begins)
    event.add("dtend", face.ends)
    event.add("summary", _text(face.summary))
    event.add("location", _text(face.location))
    event.add("description", _text(face.description))
    event.add("status", "CANCELLED" if task.is_cancelled else "CONFIRMED")
    if alarm is not None and task.state == "planned":
        rings = Alarm()
        rings.add("action", "DISPLAY")
        rings.add("description", _text(face.summary))
        rings.add("trigger", -alarm)
        event.add_component(rings)
    return event


def _text(words: str) -> str:
    """Return words without what RFC 5545 section 3.1 forbids in a text."""
    return _CONTROLS.sub(" ", words)
