"""The time axis on the site's own clock.

When clocks change is law: in the Union on the last Sundays of March and October at 01:00 UTC (Directive 2000/84/EC,
Articles 2 and 3); in the United States on the second Sunday of March and the first of November at 02:00 (Energy
Policy Act of 2005, section 110).
"""

from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from service.domain.curves import draw
from service.domain.curves.ticks import (
    clock_changes,
    day_marks,
    offset_label,
    temperature_range,
    temperature_ticks,
    time_ticks,
)
from tests.domain.curves.making import HOUR, a_line, a_record, us, words

LISBON, CHICAGO = ZoneInfo("Europe/Lisbon"), ZoneInfo("America/Chicago")


@pytest.mark.parametrize(
    ("zone", "since", "until", "at", "offsets"),
    [
        (LISBON, "2026-03-20T00:00:00Z", "2026-04-05T00:00:00Z", "2026-03-29T01:00:00Z", (0, 60)),
        (LISBON, "2026-10-20T07:13:00Z", "2026-11-02T00:00:00Z", "2026-10-25T01:00:00Z", (60, 0)),
        (CHICAGO, "2026-03-01T00:00:00Z", "2026-03-20T00:00:00Z", "2026-03-08T08:00:00Z", (-360, -300)),
        (CHICAGO, "2026-10-25T00:00:00Z", "2026-11-09T00:00:00Z", "2026-11-01T07:00:00Z", (-300, -360)),
    ],
)
def test_clock_changes_are_found_where_the_law_has_them(
    zone: ZoneInfo, since: str, until: str, at: str, offsets: tuple[int, int]
) -> None:
    (found,) = clock_changes(us(since), us(until), zone)
    assert found.at_us == us(at)
    assert (found.before_min, found.after_min) == offsets


def test_a_day_of_23_hours_and_one_of_25_keep_their_length() -> None:
    spring = day_marks(us("2026-03-28T12:00:00Z"), us("2026-03-31T12:00:00Z"), LISBON)
    autumn = day_marks(us("2026-10-24T12:00:00Z"), us("2026-10-27T12:00:00Z"), LISBON)
    hours = [[(b - a) / HOUR for a, b in pairwise(days)] for days in (spring, autumn)]
    assert hours == [[23, 24], [25, 24]]


@pytest.mark.parametrize(
    ("since", "until", "zone", "labels"),
    [
        ("2026-05-04T14:10:00Z", "2026-05-04T20:10:00Z", CHICAGO, "10:00, 11:00, 12:00, 13:00, 14:00, 15:00"),
        ("2026-05-04T14:00:00Z", "2026-05-06T04:00:00Z", CHICAGO, "12:00, 18:00, 5 May, 06:00, 12:00, 18:00"),
        ("2026-05-04T14:00:00Z", "2026-05-11T14:00:00Z", CHICAGO, ", ".join(f"{day} May" for day in range(5, 12))),
        ("2026-03-20T09:00:00Z", "2026-04-13T14:00:00Z", LISBON, "23 Mar, 30 Mar, 6 Apr, 13 Apr"),
        ("2026-01-10T00:00:00Z", "2026-06-10T00:00:00Z", LISBON, "Feb 2026, Mar 2026, Apr 2026, May 2026, Jun 2026"),
    ],
)  # fmt: skip
def test_marks_stand_at_round_hours_days_and_mondays(
    since: str, until: str, zone: ZoneInfo, labels: str
) -> None:
    assert [one.label for one in time_ticks(us(since), us(until), zone)] == labels.split(", ")


def test_the_hour_that_comes_twice_is_marked_twice() -> None:
    ticks = time_ticks(us("2026-10-25T00:00:00Z"), us("2026-10-25T04:00:00Z"), LISBON)
    assert [one.label for one in ticks] == ["01:00", "01:00", "02:00", "03:00", "04:00"]


def test_zones_off_the_whole_hour_have_their_own_hours() -> None:
    """Nepal is at UTC+05:45 (IANA time zone database, Asia/Kathmandu)."""
    ticks = time_ticks(us("2026-05-04T00:00:00Z"), us("2026-05-04T03:00:00Z"), ZoneInfo("Asia/Kathmandu"))
    assert [(one.label, one.at_us) for one in ticks][:2] == [
        ("06:00", us("2026-05-04T00:15:00Z")),
        ("07:00", us("2026-05-04T01:15:00Z")),
    ]
    assert [offset_label(one) for one in (345, -210, 0)] == ["UTC+05:45", "UTC-03:30", "UTC+00:00"]


def test_a_curve_over_a_clock_change_says_so() -> None:
    hours = [h / 2 for h in range(24 * 40)]
    line = a_line(hours, [60.0] * len(hours))
    shift = us("2026-03-20T00:00:00Z") - int(line.observed_us[0])
    moved = a_line(hours, [60.0] * len(hours), observed_us=line.observed_us + shift, since_us=0)
    drawing = draw(a_record(moved, zone=LISBON, since_us=us("2026-03-20T00:00:00Z")))
    assert "clocks +1 h" in words(drawing)
    assert any("Europe/Lisbon (UTC+00:00 then UTC+01:00)" in one for one in words(drawing))
    assert "Clocks changed at 29 Mar 2026 02:00, from UTC+00:00 to UTC+01:00." in drawing.description


@pytest.mark.parametrize(
    ("lowest", "highest", "ends"),
    [(61, 66, (20, 70)), (-3, 70, (-10, 80)), (20, 88, (20, 90)), (12, 89, (10, 100))],
)
def test_the_temperature_axis_holds_all_and_has_few_round_marks(
    lowest: float, highest: float, ends: tuple[float, float]
) -> None:
    low, high = temperature_range(lowest, highest)
    assert (low, high) == ends
    assert low <= lowest < highest < high
    ticks = temperature_ticks(low, high)
    assert len(ticks) <= 12
    assert all(tick % 10 == 0 for tick in ticks)
