"""What cannot be a calendar is refused where it stands."""

import datetime as dt

import pytest

from service.domain.calendars import read_calendar, refuse_what_does_not_fit
from service.domain.errors import Invalid

TODAY = dt.date(2026, 11, 26)
SHIFT = {"crew": "Year 9", "people": 6, "hours": 1.5}
WEEK = {"mon": [SHIFT]}
MONDAYS = [(TODAY + dt.timedelta(days)).isoformat() for days in range(-7, 400)]


def season(name, first, last, week=WEEK):
    return {"name": name, "from": first, "to": last, "week": week}


@pytest.mark.parametrize(
    ("document", "pointer", "said"),
    [
        ({"week": {}}, "/week", "no crew comes"),
        ({"week": {"mon": []}}, "/week", "give at least one weekday"),
        ({"week": {}, "extra_days": [{"date": "2026-11-20", **SHIFT}]}, "/week", "from 2026-11-26"),
        (
            {"week": WEEK, "closures": [{"date": on, "reason": "shut"} for on in MONDAYS]},
            "/closures",
            "leave one open",
        ),
        ({"week": {"mon": [SHIFT | {"people": 0}]}}, "/week/mon/0/people", "0 people do no work"),
        ({"week": {"mon": [SHIFT | {"people": -2}]}}, "/week/mon/0/people", "give 1 or more"),
        ({"week": {"mon": [SHIFT | {"hours": 24.5}]}}, "/week/mon/0/hours", "at most 24"),
        ({"week": {"mon": [SHIFT | {"hours": 0}]}}, "/week/mon/0/hours", "above 0"),
        ({"week": {"mon": [SHIFT | {"hours": 0.001}]}}, "/week/mon/0/hours", "less than a minute"),
        ({"week": {"mon": [SHIFT, SHIFT]}}, "/week/mon/1/crew", "stands twice on mon"),
        (
            {"week": WEEK, "seasons": [season("a", "06-01", "08-31"), season("b", "08-31", "10-01")]},
            "/seasons/1/from",
            "both hold 08-31",
        ),
        (
            {"week": WEEK, "seasons": [season("winter", "12-01", "02-10"), season("b", "02-10", "03-01")]},
            "/seasons/1/from",
            "both hold 02-10",
        ),
        (
            {"week": WEEK, "seasons": [season("a", "02-29", "02-29"), season("b", "02-01", "03-01")]},
            "/seasons/1/from",
            "both hold 02-29",
        ),
        (
            {"week": WEEK, "seasons": [season("a", "06-01", "06-02"), season("a", "07-01", "07-02")]},
            "/seasons/1/name",
            "stands twice",
        ),
        (
            {"week": WEEK, "seasons": [season("a", "02-30", "03-10")]},
            "/seasons/0/from",
            "02-30 is no day of a year",
        ),
        ({"week": WEEK, "seasons": [season("a", "06-01", "13-01")]}, "/seasons/0/to", "13-01"),
        (
            {"week": WEEK, "seasons": [season("a", "06-01", "07-01", {"sat": [SHIFT | {"people": 0}]})]},
            "/seasons/0/week/sat/0/people",
            "0 people",
        ),
        (
            {"week": WEEK, "closures": [{"date": "2026-12-07", "reason": "x"}] * 2},
            "/closures/1/date",
            "2026-12-07 is closed twice",
        ),
        (
            {"week": WEEK, "extra_days": [{"date": "2026-12-05", **SHIFT}] * 2},
            "/extra_days/1/crew",
            "'Year 9' stands twice on 2026-12-05",
        ),
        (
            {"week": WEEK, "extra_days": [{"date": "2026-12-05", **SHIFT, "hours": 30}]},
            "/extra_days/0/hours",
            "30 h",
        ),
    ],
)
def test_each_fault_is_named_with_its_remedy(document, pointer, said):
    with pytest.raises(Invalid) as refusal:
        refuse_what_does_not_fit(read_calendar(document), TODAY)
    found = {error.pointer: error.detail for error in refusal.value.errors}
    assert said in found[pointer], found


@pytest.mark.parametrize(
    "document",
    [
        {"week": WEEK},
        {"week": {}, "extra_days": [{"date": "2026-12-05", **SHIFT}]},
        {"week": {}, "seasons": [season("summer", "07-01", "08-31")]},
        {"week": WEEK, "seasons": [season("winter", "12-20", "01-06", {}), season("b", "01-07", "12-19")]},
        {"week": WEEK, "closures": [{"date": on, "reason": "shut"} for on in MONDAYS[:300]]},
    ],
)
def test_what_has_a_crew_in_the_year_ahead_is_taken(document):
    refuse_what_does_not_fit(read_calendar(document), TODAY)
