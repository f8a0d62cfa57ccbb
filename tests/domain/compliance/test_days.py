"""Calendar days in place of hours: records of daily readings."""

from zoneinfo import ZoneInfo

from service.domain.compliance import Reading
from tests.domain.compliance.case import CA, DE, FDA
from tests.domain.compliance.histories import CLOCKS_FORWARD, NEW_YORK, SPRING
from tests.domain.compliance.piles import at, hour_of, log, pile, verdict

MIDNIGHT_TURNS = (1, 2, 3, 4, 5)


def daily(values: list[float], hours: list[float] | None = None) -> list[Reading]:
    """One reading a day, at 08:00 unless hours of the day are given."""
    times = hours or [8.0] * len(values)
    return [Reading("core", at(24 * day + times[day]), value) for day, value in enumerate(values)]


def test_the_last_entry_alone_stands_for_a_day_of_its_own() -> None:
    """21 CFR 112.54(b)(2): '15 days (which do not have to be consecutive)', with one cold entry in between.

    Eight and eight entries are 7 + 7 days between entries and the day of the last one; eight and seven are short.
    """
    enough = verdict(FDA, pile(daily([60.0] * 8 + [50.0] + [60.0] * 8)))
    assert (enough.state, enough.held_days, enough.held_h) == ("met", 15.0, 336.0)
    assert hour_of(enough.met_at) == 16 * 24 + 8
    assert "15 calendar days" in (enough.note or "")
    short = verdict(FDA, pile(daily([60.0] * 8 + [50.0] + [60.0] * 7)))
    assert (short.state, short.held_days) == ("under_way", 14.0)


def test_fifteen_dated_entries_at_odd_hours() -> None:
    """14 CCR 17868.3 'Daily': 08:00 one day and 15:00 the next are 31 h apart, and each day has its reading."""
    hours = [8.0 if day % 2 == 0 else 15.0 for day in range(15)]
    found = verdict(CA, pile(daily([60.0] * 15, hours), turn_days=(1.7, 3.7, 5.7, 7.7, 9.7)))
    assert (found.state, found.held_days) == ("met", 15.0)
    # From just after midnight to just before the midnight after next are 47 h: too long, though no day is missed.
    far = [0.5] * 7 + [23.5] * 8
    assert verdict(CA, pile(daily([60.0] * 15, far))).state != "met"


def test_one_cold_entry_begins_california_again() -> None:
    """14 CCR 17868.3: 'maintained … at a temperature of 131 °F or higher for a period of 15 days'."""
    days = (9, 10, 11, 12, 13)
    assert verdict(CA, pile(daily([60.0] * 7 + [50.0] + [60.0] * 14), turn_days=days)).held_days == 14.0
    found = verdict(CA, pile(daily([60.0] * 7 + [50.0] + [60.0] * 15), turn_days=(9, 11, 13, 15, 17)))
    assert (found.state, found.held_days) == ("met", 15.0)


def test_a_mixed_day_counts_on_a_dense_record_only_if_it_was_cool_briefly() -> None:
    """House reading (no source) of 14 CCR 17868.3, which asks for one reading a day: at most 6 h cool."""

    def state(cool_h: float) -> str:
        readings = log(lambda hour: 54.0 if 200 <= hour < 200 + cool_h else 60.0, 360, every_h=0.5)
        return verdict(CA, pile(readings)).state

    assert state(5.5) == "met"
    assert state(6) == "under_way"


def test_met_by_days_and_a_little_later_by_hours() -> None:
    """At h 361 the 360 h are there as well: nothing is left to note, and the first instant stands."""
    history = pile(log(57, 361, start=SPRING), start=SPRING)
    found = verdict(CA, history, start=SPRING, zone=NEW_YORK)
    assert (found.state, found.note, found.held_h) == ("met", None, 361.0)
    assert hour_of(found.met_at, SPRING) == 359.0
    utc = verdict(CA, CLOCKS_FORWARD, start=SPRING, zone=ZoneInfo("UTC"))
    assert utc.state == "under_way"


def test_a_sunday_does_not_stretch_a_gap_beyond_a_day() -> None:
    """BioAbfV § 3(6) 'mindestens ein Mal pro Werktag': 56 h from Saturday to Monday join, 71 h do not."""

    def gaps(saturday_h: float, monday_h: float) -> list[float]:
        hours = {5: saturday_h, 7: monday_h}
        readings = [
            Reading("core", at(24 * day + hours.get(day, 8.0)), 57.0) for day in range(14) if day != 6
        ]
        found = verdict(DE, pile(readings))
        return [(one.to - one.from_).total_seconds() / 3600 for one in found.lost if hour_of(one.from_) > 100]

    assert gaps(15.0, 23.0) == []
    assert gaps(0.5, 23.5) == [71.0]
