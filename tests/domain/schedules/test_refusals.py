import datetime as dt

import pytest

from service.domain.errors import Invalid
from service.domain.schedules import Pattern, TurnConstraint, plan
from tests.domain.schedules.words import EIGHTEEN_DAYS, MON_TO_FRI, MONDAY, a_request

SUNDAY = dt.date(2026, 3, 8)


def pointers(request):
    with pytest.raises(Invalid) as refusal:
        plan(request)
    assert all(error.detail for error in refusal.value.errors)
    return [error.pointer for error in refusal.value.errors]


@pytest.mark.parametrize(
    ("wrong", "expected"),
    [
        ({"time_zone": "Europe/Lisboa"}, ["/time_zone"]),
        ({"work_days": ("mon", "tue", "wendesday")}, ["/work_days/2"]),
        ({"work_days": ("mon", "tue", "mon")}, ["/work_days/2"]),
        ({"work_days": ("Mon",)}, ["/work_days/0"]),
        ({"closures": (SUNDAY, MONDAY, SUNDAY)}, ["/closures/2"]),
        ({"extra_days": (SUNDAY, SUNDAY)}, ["/extra_days/1"]),
        ({"extra_days": (MONDAY, SUNDAY), "closures": (SUNDAY,)}, ["/extra_days/1"]),
        ({"build_on": dt.date(1026, 3, 2)}, ["/build_on"]),
        ({"build_on": dt.date(9999, 12, 31)}, ["/build_on"]),
        ({"earliest_build_on": MONDAY + dt.timedelta(1)}, ["/earliest_build_on"]),
        ({"time_zone": "Mars", "work_days": ("x",)}, ["/time_zone", "/work_days/0"]),
    ],
)
def test_a_request_is_refused_where_it_is_wrong(wrong, expected):
    assert pointers(a_request(**wrong)) == expected


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        (Pattern(4, 16), ["/pattern/turn_on"]),
        (Pattern(4, 16, turn_on=("mon",), turn_every_days=2), ["/pattern/turn_every_days"]),
        (Pattern(4, 16, turn_on=()), ["/pattern/turn_on"]),
        (Pattern(4, 16, turn_on=("mon", "fry")), ["/pattern/turn_on/1"]),
        (Pattern(4, 16, turn_on=("mon", "mon")), ["/pattern/turn_on/1"]),
        (Pattern(4, 16, turn_every_days=0), ["/pattern/turn_every_days"]),
        (Pattern(4, 16, turn_every_days=-2), ["/pattern/turn_every_days"]),
        (Pattern(0, 16, turn_every_days=2), ["/pattern/rest_days"]),
        (Pattern(-1, 16, turn_every_days=2), ["/pattern/rest_days"]),
        (Pattern(4, 3, turn_every_days=2), ["/pattern/last_turn_day"]),
        (Pattern(4, 367, turn_every_days=2), ["/pattern/last_turn_day"]),
        (Pattern(4, 10**9, turn_every_days=2), ["/pattern/last_turn_day"]),
        (Pattern(4, 16, turn_every_days=2, check_every_days=0), ["/pattern/check_every_days"]),
        (Pattern(4, 16, turn_every_days=2, curing_days=0), ["/pattern/curing_days"]),
        (Pattern(4, 16, turn_every_days=2, min_spacing_days=0), ["/pattern/min_spacing_days"]),
        (Pattern(4, 16, turn_every_days=2, min_spacing_days=3), ["/pattern/min_spacing_days"]),
        (Pattern(4, 16, turn_on=("mon", "sun"), min_spacing_days=2), ["/pattern/min_spacing_days"]),
        (Pattern(4, 5, turn_on=("mon",)), ["/pattern/last_turn_day"]),  # Friday and Saturday: no Monday
    ],
)
def test_a_pattern_is_refused_where_it_is_wrong(pattern, expected):
    assert pointers(a_request(pattern)) == expected


def test_the_longest_patterns_are_still_planned():
    year = Pattern(4, 366, turn_every_days=7, min_spacing_days=7, check_every_days=366, curing_days=366)
    assert (
        plan(a_request(year)).state == "planned"
    )  # day 4 of a Monday's pile and every seventh after: Fridays


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        (TurnConstraint("r", "c", -1), ["/rule/minimum_turns"]),
        (TurnConstraint("r", "c", 5, window_days=0), ["/rule/window_days"]),
        (TurnConstraint("r", "c", 5, spacing_h=float("nan")), ["/rule/spacing_h"]),
        (TurnConstraint("r", "c", 5, longest_reading_gap_h=0), ["/rule/longest_reading_gap_h"]),
    ],
)
def test_a_demand_no_rule_makes_is_refused(rule, expected):
    assert pointers(a_request(rule=rule)) == expected


def test_the_value_and_the_remedy_are_named():
    with pytest.raises(Invalid) as refusal:
        plan(a_request(Pattern(4, 3, turn_every_days=2), work_days=(*MON_TO_FRI, "sunday")))
    text = str(refusal.value)
    assert "'sunday'" in text
    assert "use one of mon" in text
    assert "give 4 or later" in text


def test_sets_are_as_good_as_lists():
    as_sets = a_request(work_days=frozenset(MON_TO_FRI), closures=frozenset({SUNDAY}))
    as_lists = a_request(EIGHTEEN_DAYS, work_days=list(MON_TO_FRI), closures=[SUNDAY])
    assert plan(as_sets) == plan(as_lists)
