"""Planned tasks and feeds for tests, and feeds read by programs that are not ours."""

import datetime as dt
import json
import os
import shutil
import subprocess
import sys
import uuid
from pathlib import Path
from typing import Any

import pytest

from service.domain.calendars import CalendarTask, Feed, Shift, SiteCalendar, write_feed

NOW = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
MONDAY = dt.date(2026, 3, 2)
CREW = Shift("blue", 2, 3)
EVERY_DAY = SiteCalendar(dict.fromkeys(("mon", "tue", "wed", "thu", "fri", "sat", "sun"), (CREW,)))
ICAL_JS = "2.2.1"


def a_task(**overrides: Any) -> CalendarTask:
    values: dict[str, Any] = {
        "id": uuid.uuid4(),
        "on_date": MONDAY,
        "task": "turn",
        "number": 1,
        "pile": "A",
        "bay": "1",
        "to_bay": None,
        "day_of_pile": 7,
        "minutes": 60,
        "crew": None,
        "reason": "turn 1 of 9, every second day",
        "state": "planned",
        "sequence": 0,
        "changed_at": NOW,
    }
    return CalendarTask(**values | overrides)


def a_feed(*tasks: CalendarTask, **overrides: Any) -> Feed:
    values: dict[str, Any] = {
        "site": "North garden",
        "time_zone": "Europe/Lisbon",
        "crew": None,
        "calendar": EVERY_DAY,
        "tasks": tasks,
    }
    return Feed(**values | overrides)


def written(*tasks: CalendarTask, now: dt.datetime = NOW, **overrides: Any) -> bytes:
    return write_feed(a_feed(*tasks, **overrides), now=now)


def unfolded(feed: bytes) -> list[str]:
    """Return content lines as RFC 5545 section 3.1 puts them together, by octets."""
    return feed.replace(b"\r\n ", b"").decode().split("\r\n")[:-1]


_STRICTLY = """
import json, sys
from icalendar import Calendar
calendar = Calendar.from_ical(sys.stdin.buffer.read())
faults = [str(one) for part in calendar.walk() for one in part.errors]
events = [
    {"uid": str(e["UID"]), "sequence": int(e["SEQUENCE"]), "status": str(e["STATUS"]), "summary": str(e["SUMMARY"]),
     "location": str(e["LOCATION"]), "description": str(e["DESCRIPTION"]), "tzid": e["DTSTART"].params.get("TZID"),
     "begins": e.decoded("DTSTART").isoformat(), "ends": e.decoded("DTEND").isoformat(),
     "changed": e.decoded("LAST-MODIFIED").isoformat(), "stamp": e.decoded("DTSTAMP").isoformat(),
     "alarms": [str(a["TRIGGER"].to_ical().decode()) for a in e.walk("VALARM")]}
    for e in calendar.walk("VEVENT")
]
zones = [{"tzid": z.tz_name, "offsets": sorted({str(p["DTSTART"].dt.year) for p in z.subcomponents})}
         for z in calendar.walk("VTIMEZONE")]
print(json.dumps({"faults": faults, "events": events, "zones": zones, "name": str(calendar["NAME"]),
                  "method": calendar.get("METHOD")}))
"""


def read_strictly(feed: bytes) -> Any:
    """Read a feed with icalendar in a process of its own; what it had to overlook is among the faults."""
    told = subprocess.run([sys.executable, "-c", _STRICTLY], input=feed, capture_output=True, check=True)
    return json.loads(told.stdout)


def read_in_javascript(feed: bytes) -> Any:
    """Read a feed with ical.js, which `.ci/run` fetches; skip where that could not be."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("Node.js is not installed")
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    there = cache / f"heapledger-tests/ical.js-{ICAL_JS}"
    module = there / "node_modules/ical.js/dist/ical.js"
    if not module.exists():
        pytest.skip(f"npm install --prefix {there} ical.js@{ICAL_JS} has not been run; .ci/run does it")
    script = Path(__file__).with_name("read_feed.mjs")
    told = subprocess.run([node, script, module.as_uri()], input=feed, capture_output=True, check=True)
    return json.loads(told.stdout)
