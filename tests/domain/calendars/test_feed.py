"""The feed as octets, and as two programs that are not ours read it."""

import datetime as dt
import itertools
import re
from zoneinfo import ZoneInfo

import icalendar
import pytest
import recurring_ical_events
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.calendars import read_alarm, write_feed
from service.domain.errors import Invalid
from tests.domain.calendars.feeds import (
    MONDAY,
    NOW,
    a_feed,
    a_task,
    read_in_javascript,
    read_strictly,
    unfolded,
    written,
)

AWKWARD = 'Semi; comma, back\\slash "quoted": Pilha nº 3 às 9 h, ação 🍂🍁 ' + "ção" * 40
CHANGES = [
    # Directive 2000/84/EC: last Sundays of March and October, at 01:00 UTC.
    ("Europe/Lisbon", dt.date(2026, 3, 28), "09:00"),
    ("Europe/Lisbon", dt.date(2026, 3, 30), "08:00"),
    ("Europe/Lisbon", dt.date(2026, 10, 24), "08:00"),
    ("Europe/Lisbon", dt.date(2026, 10, 26), "09:00"),
    # 15 U.S.C. 260a as amended in 2005: second Sunday of March, first of November, at 02:00.
    ("America/Chicago", dt.date(2026, 3, 7), "15:00"),
    ("America/Chicago", dt.date(2026, 3, 9), "14:00"),
    ("America/Chicago", dt.date(2026, 10, 31), "14:00"),
    ("America/Chicago", dt.date(2026, 11, 2), "15:00"),
    # Zones without a change, with half an hour, with one of half an hour, and UTC itself.
    ("Asia/Kolkata", dt.date(2026, 3, 30), "03:30"),
    ("Australia/Lord_Howe", dt.date(2026, 4, 4), "22:00"),
    ("Australia/Lord_Howe", dt.date(2026, 4, 6), "22:30"),
    ("Etc/UTC", dt.date(2026, 3, 30), "09:00"),
]


class TestOctets:
    """RFC 5545 section 3.1: content lines of at most 75 octets, ended by CRLF, folded before a space."""

    def test_lines_end_in_crlf_and_hold_75_octets(self):
        feed = written(a_task(pile=AWKWARD, reason=AWKWARD, bay="Baía " * 30))
        lines = feed.split(b"\r\n")
        assert lines.pop() == b""
        assert any(line.startswith(b" ") for line in lines)
        for line in lines:
            assert len(line) <= 75
            assert b"\r" not in line
            assert b"\n" not in line
            line.decode()  # no character is cut in two

    def test_text_is_escaped(self):
        line = next(
            one for one in unfolded(written(a_task(pile="a;b,c\\d", reason="x\ny"))) if "SUMMARY" in one
        )
        assert line == r"SUMMARY:Turn a\;b\,c\\d (1)"

    def test_what_a_calendar_is_told(self):
        lines = unfolded(written(a_task()))
        assert lines[:2] == ["BEGIN:VCALENDAR", "VERSION:2.0"]
        assert "REFRESH-INTERVAL;VALUE=DURATION:PT1H" in lines
        assert "X-PUBLISHED-TTL:PT1H" in lines
        assert "NAME:Compost at North garden" in lines
        assert not any(line.startswith(("METHOD", "ATTENDEE", "ORGANIZER")) for line in lines)
        assert "BEGIN:VALARM" not in lines
        assert "BEGIN:VTODO" not in lines

    @pytest.mark.parametrize(("zone", "on", "utc"), CHANGES)
    def test_no_time_floats(self, zone, on, utc):  # noqa: ARG002 - of the table
        lines = unfolded(written(a_task(on_date=on), time_zone=zone))
        events = lines[lines.index("BEGIN:VEVENT") :]
        times = [line for line in events if line.startswith(("DTSTART", "DTEND"))]
        assert len(times) == 2
        for line in times:
            assert re.fullmatch(rf"DT(START|END)(;TZID={zone}:\d{{8}}T\d{{6}}|:\d{{8}}T\d{{6}}Z)", line)

    def test_the_zone_is_told_for_the_years_used(self):
        lines = unfolded(written(a_task(), a_task(on_date=dt.date(2027, 2, 1))))
        zone = lines[lines.index("BEGIN:VTIMEZONE") : lines.index("END:VTIMEZONE")]
        assert not any(line.startswith(("RDATE", "RRULE")) for line in zone)
        # Where the year begins, then both years' changes: Directive 2000/84/EC, at 01:00 UTC.
        starts = sorted(line.partition(":")[2] for line in zone if line.startswith("DTSTART"))
        assert [on[:8] for on in starts] == ["20260101", "20260329", "20261025", "20270328", "20271031"]

    @pytest.mark.parametrize("zone", ["Europe/Lisbon", "Etc/UTC"])
    def test_a_feed_without_tasks_is_a_calendar_still(self, zone):
        lines = unfolded(written(time_zone=zone))  # RFC 5545 section 3.6: at least one component
        assert lines.count("BEGIN:VTIMEZONE") == 1
        assert "BEGIN:VEVENT" not in lines

    def test_the_same_plan_gives_the_same_octets_whenever_asked(self):
        tasks = [a_task(), a_task(bay="2", state="cancelled"), a_task(bay="3", state="done")]
        feed = written(*tasks)
        assert written(*tasks[::-1], now=NOW + dt.timedelta(days=20, minutes=7)) == feed
        assert written(*tasks[:2]) != feed


class TestLife:
    def test_a_cancelled_task_stays_thirty_days(self):
        task = a_task(state="cancelled", sequence=3)
        for days, there in ((0, True), (29.9, True), (30, False)):
            feed = written(task, now=NOW + dt.timedelta(days))
            assert (b"STATUS:CANCELLED" in feed) == there
            assert (b"SUMMARY:CANCELLED: Turn A" in feed) == there
            assert (str(task.id).encode() in feed) == there

    def test_a_moved_task_keeps_its_name_and_says_that_it_changed(self):
        task = a_task()
        later = NOW + dt.timedelta(hours=5)
        moved = a_task(id=task.id, on_date=MONDAY + dt.timedelta(2), sequence=1, changed_at=later)
        (before,), (after,) = (read_strictly(written(one))["events"] for one in (task, moved))
        assert before["uid"] == after["uid"] == str(task.id)
        assert (before["sequence"], after["sequence"]) == (0, 1)
        assert after["changed"] == after["stamp"] == later.isoformat()
        assert after["begins"][:10] == "2026-03-04"

    @pytest.mark.parametrize("state", ["done", "missed"])
    def test_what_is_over_stays_as_it_was_planned(self, state):
        task = a_task()
        assert written(a_task(id=task.id, state=state)) == written(task)

    def test_a_crew_s_feed_bears_its_name_and_the_site_s_none(self):
        task = a_task(crew="blue")
        assert b"blue" not in written(task)
        assert b"NAME:Compost at North garden: blue" in written(task, crew="blue")


class TestAlarm:
    def test_rings_for_what_is_to_come_and_only_when_asked(self):
        tasks = [
            a_task(bay=str(n), state=s) for n, s in enumerate(("planned", "done", "missed", "cancelled"))
        ]
        feed = write_feed(a_feed(*tasks), now=NOW, alarm=read_alarm("PT2H"))
        assert [one["alarms"] for one in read_strictly(feed)["events"] if one["alarms"]] == [["-PT2H"]]
        assert [one["alarms"] for one in read_in_javascript(feed)["events"] if one["alarms"]] == [["-PT2H"]]

    @pytest.mark.parametrize("asked", ["PT15M", "PT2H", "P1D", "P1DT12H", "P7D", "P1W"])
    def test_takes_durations(self, asked):
        assert dt.timedelta(0) < read_alarm(asked) <= dt.timedelta(7)

    @pytest.mark.parametrize(
        "asked",
        ["", "2h", "PT0S", "-PT2H", "P8D", "PT2H ", "7200", "P", "PT", "P9" + "9" * 12 + "D", "p1d\n"],
    )
    def test_refuses_others_with_a_remedy(self, asked):
        with pytest.raises(Invalid, match="such as PT2H"):
            read_alarm(asked)


class TestReadByOthers:
    """icalendar in another process, ical.js in another language, and recurring-ical-events for a calendar's days."""

    @pytest.mark.parametrize(("zone", "on", "utc"), CHANGES)
    def test_nine_stays_nine_beside_a_change_of_clocks(self, zone, on, utc):
        feed = written(a_task(on_date=on), time_zone=zone)
        calendar = icalendar.Calendar.from_ical(feed)
        (event,) = recurring_ical_events.of(calendar).at(on)
        begins = event.decoded("DTSTART")
        assert f"{begins:%Y-%m-%d %H:%M}" == f"{on} 09:00"
        assert f"{begins.astimezone(dt.UTC):%H:%M}" == utc
        # The zone that came along says the same as the one this machine knows.
        (told,) = calendar.timezones
        assert begins.replace(tzinfo=told.to_tz(lookup_tzid=False)).utcoffset() == begins.utcoffset()

    def test_nine_stays_nine_in_javascript(self):
        for zone in dict.fromkeys(zone for zone, _, _ in CHANGES):
            days = [(on, utc) for one, on, utc in CHANGES if one == zone]
            told = read_in_javascript(written(*(a_task(on_date=on) for on, _ in days), time_zone=zone))
            for (on, utc), event in zip(sorted(days), told["events"], strict=True):
                at = dt.datetime.fromisoformat(event["begins"])
                assert f"{at:%H:%M}" == utc, (zone, on)
                assert at.astimezone(ZoneInfo(zone)).date() == on
                assert event["local"].startswith(f"{on}T09:00:00")

    def test_the_zone_holds_in_every_year_that_is_used(self):
        days = (dt.date(2026, 3, 30), dt.date(2027, 3, 26), dt.date(2027, 3, 29), dt.date(2027, 11, 1))
        told = read_in_javascript(written(*(a_task(on_date=on) for on in days)))
        assert [one["begins"][11:16] for one in told["events"]] == ["08:00", "09:00", "08:00", "09:00"]

    @pytest.mark.parametrize(
        "zone", [*dict.fromkeys(zone for zone, _, _ in CHANGES), "Africa/Casablanca", "Europe/Dublin"]
    )
    def test_each_change_of_clocks_is_told_at_its_very_hour(self, zone):
        """Held against the IANA database: the offset before and after each beginning that is told."""
        feed = written(a_task(), a_task(on_date=dt.date(2027, 9, 1)), time_zone=zone)
        (told,) = icalendar.Calendar.from_ical(feed).timezones
        changes = 0
        for part in told.subcomponents:
            if part.TZOFFSETFROM == part.TZOFFSETTO:
                continue
            changes += 1
            at = part.DTSTART.replace(tzinfo=dt.timezone(part.TZOFFSETFROM))
            known = [
                moment.astimezone(ZoneInfo(zone)).utcoffset() for moment in (at - dt.timedelta(seconds=1), at)
            ]
            assert known == [part.TZOFFSETFROM, part.TZOFFSETTO]
        noon = dt.datetime.combine(dt.date(2026, 1, 1), dt.time(12))
        days = [noon + dt.timedelta(day) for day in range(730)]
        offsets = [day.replace(tzinfo=ZoneInfo(zone)).utcoffset() for day in days]
        assert changes == sum(one != other for one, other in itertools.pairwise(offsets))
        read = told.to_tz(lookup_tzid=False)
        assert [day.replace(tzinfo=read).utcoffset() for day in days] == offsets

    def test_both_read_what_was_written(self):
        tasks = [
            a_task(pile=AWKWARD, reason=AWKWARD, sequence=7),
            a_task(bay="2", state="cancelled", pile="Ω"),
            a_task(on_date=MONDAY + dt.timedelta(1), to_bay="9; 10"),
        ]
        feed = written(*tasks)
        strict, script = read_strictly(feed), read_in_javascript(feed)
        assert strict["faults"] == []
        assert strict["method"] is script["method"] is None
        assert (script["refreshType"], script["refresh"]) == ("duration", "PT1H")
        assert strict["name"] == script["name"] == "Compost at North garden"
        assert len(strict["events"]) == len(script["events"]) == 3
        for one, other in zip(strict["events"], script["events"], strict=True):
            same = ("uid", "sequence", "status", "summary", "location", "description", "tzid")
            assert {name: one[name] for name in same} == {name: other[name] for name in same}
            for time in ("begins", "ends", "changed"):
                assert dt.datetime.fromisoformat(one[time]) == dt.datetime.fromisoformat(other[time])
        by_uid = {one["uid"]: one for one in strict["events"]}
        assert by_uid[str(tasks[0].id)]["summary"] == f"Turn {AWKWARD} (1)"
        assert by_uid[str(tasks[1].id)]["status"] == "CANCELLED"
        assert by_uid[str(tasks[2].id)]["summary"] == "Turn A (1 to 9; 10)"

    def test_a_week_has_the_tasks_of_its_days(self):
        tasks = [a_task(on_date=MONDAY + dt.timedelta(n), pile=str(n)) for n in range(-1, 9)]
        calendar = icalendar.Calendar.from_ical(written(*tasks))
        week = recurring_ical_events.of(calendar).between(MONDAY, MONDAY + dt.timedelta(7))
        assert sorted(str(one["SUMMARY"]) for one in week) == [f"Turn {n} (1)" for n in range(7)]

    @settings(max_examples=60, deadline=None)
    @given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=120))
    def test_any_words_come_through_or_lose_their_controls(self, words):
        feed = written(a_task(pile=words))
        assert all(len(line) <= 75 for line in feed.split(b"\r\n"))
        (event,) = icalendar.Calendar.from_ical(feed).walk("VEVENT")
        assert event.errors == []
        readable = re.sub(r"[\x00-\x08\x0b-\x1f\x7f]", " ", words)
        assert str(event["SUMMARY"]) == f"Turn {readable} (1)"
