"""Hours and days against polars, which we did not make, and against the changes of the clock as they were decreed."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pint
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.quantities import Unit, temperature_c
from service.domain.readings.resampling import Buckets, in_display_unit, resample

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
HOUR_US = 3_600_000_000
COLUMNS = tuple(Buckets.__dataclass_fields__)
ZONES = ("America/Chicago", "Europe/Lisbon", "Asia/Kathmandu", "Australia/Lord_Howe")


def us(text):
    return (datetime.fromisoformat(text) - EPOCH) // timedelta(microseconds=1)


def told(moment_us):
    return (EPOCH + timedelta(microseconds=int(moment_us))).strftime("%Y-%m-%dT%H:%MZ")


def drawn(at, value=None, unit=None, usable=None, *, resolution="hour", zone="Europe/Lisbon"):
    at = np.array(at, np.int64)
    value = np.zeros(at.size) if value is None else np.array(value, np.float64)
    unit = np.full(at.size, Unit.CEL, np.int16) if unit is None else np.array(unit, np.int16)
    usable = np.ones(at.size, bool) if usable is None else np.array(usable, bool)
    return resample(at, value, unit, usable, resolution=resolution, time_zone=ZoneInfo(zone))


def rows(buckets):
    return [tuple(getattr(buckets, name)[i].item() for name in COLUMNS) for i in range(buckets.count.size)]


def by_polars(at, value, zone, resolution):
    """Group by the wall clock polars tells, and for hours by its offset: an hour has one reading of the clock."""
    wall = pl.col("at").dt.convert_time_zone(zone)
    keys = [wall.dt.replace_time_zone(None).dt.truncate("1h" if resolution == "hour" else "1d").alias("wall")]
    if resolution == "hour":
        keys.append((wall.dt.base_utc_offset() + wall.dt.dst_offset()).alias("offset"))
    frame = pl.DataFrame({"us": at, "value": value}).with_columns(
        pl.col("us").cast(pl.Datetime("us", "UTC")).alias("at")
    )
    return (
        frame.with_columns(start=wall.dt.truncate("1h" if resolution == "hour" else "1d").cast(pl.Int64))
        .group_by(keys)
        .agg(
            pl.len().cast(pl.Int64).alias("count"),
            pl.col("value").min().alias("minimum"),
            pl.col("value").mean().alias("mean"),
            pl.col("value").max().alias("maximum"),
            pl.col("us").min().alias("first_us"),
            pl.col("us").max().alias("last_us"),
            pl.col("start").first(),
        )
        .sort("first_us")
    )


@pytest.mark.parametrize("resolution", ["hour", "day"])
@pytest.mark.parametrize("zone", ZONES)
def test_a_year_with_holes_is_what_polars_makes_of_it(zone, resolution):
    chance = np.random.default_rng(2026)
    at = (
        us("2025-12-31T20:00+00:00")
        + np.sort(chance.choice(366 * 24 * 60, 25_000, replace=False)) * 60_000_000
    )
    at = at[(at // (HOUR_US * 31)) % 5 != 0]
    value = 55 + 12 * chance.standard_normal(at.size)
    ours, theirs = drawn(at, value, resolution=resolution, zone=zone), by_polars(at, value, zone, resolution)
    assert ours.count.size > 200
    for name in ("count", "minimum", "maximum", "first_us", "last_us"):
        assert getattr(ours, name).tolist() == theirs[name].to_list()
    np.testing.assert_allclose(ours.mean, theirs["mean"].to_numpy(), rtol=1e-13)
    differ = {told(a) for a, b in zip(ours.start_us, theirs["start"], strict=True) if a != b}
    # Where a change of half an hour cuts an hour, polars names it by the whole one it is no longer part of.
    cut = {"2026-04-04T15:00Z"} if (zone, resolution) == ("Australia/Lord_Howe", "hour") else set()
    assert differ == cut


@pytest.mark.parametrize(
    ("zone", "within", "start", "hours"),
    [
        ("America/Chicago", "2026-03-08T12:00+00:00", "2026-03-08T06:00Z", 23),
        ("America/Chicago", "2026-11-01T12:00+00:00", "2026-11-01T05:00Z", 25),
        ("Europe/Lisbon", "2026-03-29T12:00+00:00", "2026-03-29T00:00Z", 23),
        ("Europe/Lisbon", "2026-10-25T12:00+00:00", "2026-10-24T23:00Z", 25),
        ("Asia/Kathmandu", "2026-03-29T12:00+00:00", "2026-03-28T18:15Z", 24),
        ("Australia/Lord_Howe", "2026-04-05T00:00+00:00", "2026-04-04T13:00Z", 24.5),
        ("Australia/Lord_Howe", "2026-10-04T00:00+00:00", "2026-10-03T13:30Z", 23.5),
        ("America/Santiago", "2026-09-06T12:00+00:00", "2026-09-06T04:00Z", 23),
        ("America/Santiago", "2026-04-05T03:30+00:00", "2026-04-04T03:00Z", 25),
        ("America/St_Johns", "2010-11-06T12:00+00:00", "2010-11-06T02:30Z", 24),
        ("America/St_Johns", "2010-11-07T02:45+00:00", "2010-11-07T02:30Z", 25),
        ("Pacific/Apia", "2011-12-30T09:59+00:00", "2011-12-29T10:00Z", 24),
        ("Pacific/Apia", "2011-12-30T10:00+00:00", "2011-12-30T10:00Z", 24),
    ],
)
def test_a_day_is_as_long_as_the_clock_of_the_place_makes_it(zone, within, start, hours):
    """Changes as in the IANA time zone database.

    United States: second Sunday of March and first of November at 2 (15 U.S.C. 260a); Union: last Sunday of March and
    October at 1 UTC (Directive 2000/84/EC); Lord Howe by half an hour; Santiago skips and repeats at midnight;
    Newfoundland went back at 00:01 until 2011; Samoa left out 30 December 2011. All from memory.
    """
    (day,) = rows(drawn([us(within)], resolution="day", zone=zone))
    assert (told(day[0]), (day[1] - day[0]) / HOUR_US) == (start, hours)


@pytest.mark.parametrize(
    ("zone", "since", "expected"),
    [
        ("Asia/Kathmandu", "2026-05-04T00:00+00:00", ["23:15 60", "00:15 60", "01:15 60"]),
        ("Australia/Lord_Howe", "2026-04-04T14:10+00:00", ["14:00 60", "15:00 30", "15:30 60", "16:30 60"]),
        ("Australia/Lord_Howe", "2026-10-03T14:40+00:00", ["14:30 60", "15:30 30", "16:00 60", "17:00 60"]),
        ("America/Chicago", "2026-11-01T06:10+00:00", ["06:00 60", "07:00 60", "08:00 60"]),
        ("Europe/Lisbon", "2026-03-29T00:10+00:00", ["00:00 60", "01:00 60", "02:00 60"]),
    ],
)
def test_an_hour_is_a_whole_hour_of_the_clock_cut_where_it_is_changed(zone, since, expected):
    at = us(since) + np.arange(16) * 600_000_000
    found = [f"{told(row[0])[11:16]} {(row[1] - row[0]) // 60_000_000}" for row in rows(drawn(at, zone=zone))]
    assert found[: len(expected)] == expected


def test_a_reading_on_a_boundary_belongs_to_what_begins_there():
    midnight = us("2026-06-10T23:00+00:00")
    for resolution in ("hour", "day"):
        buckets = drawn([midnight - 1, midnight], [1, 2], resolution=resolution)
        assert buckets.mean.tolist() == [1, 2]
        assert buckets.end_us[0] == buckets.start_us[1] == midnight


def test_a_hole_stays_a_hole():
    buckets = drawn([us("2026-06-10T10:30+00:00"), us("2026-06-10T14:30+00:00")], [60, 50])
    assert [told(start)[11:16] for start in buckets.start_us] == ["10:00", "14:00"]


def test_unusable_readings_and_what_is_no_number_are_left_out():
    at = us("2026-06-10T10:00+00:00") + np.arange(4)
    assert rows(drawn(at, [60, 95, np.nan, 62], usable=[True, False, True, True]))[0][3:7] == (2, 60, 61, 62)
    assert rows(drawn(at, [1] * 4, usable=[False] * 4)) == rows(drawn([])) == []


def test_temperatures_meet_in_cel_and_battery_units_stay_apart():
    at = us("2026-06-10T10:00+00:00") + np.arange(3)
    mixed = rows(drawn(at, [131, 55, 328.15], [Unit.DEG_F, Unit.CEL, Unit.KELVIN]))
    assert [row[2:7] for row in mixed] == [(Unit.CEL, 3, 55, 55, 55)]
    later = np.concatenate([at, at + HOUR_US])
    battery = rows(drawn(later, [80, 3.6, 78, 3.5, 77, 3.4], [Unit.PCT, Unit.VOLT] * 3))
    assert [(told(row[0])[11:16], row[2], row[3]) for row in battery] == [
        ("10:00", Unit.PCT, 2),
        ("10:00", Unit.VOLT, 1),
        ("11:00", Unit.PCT, 1),
        ("11:00", Unit.VOLT, 2),
    ]


@pytest.mark.parametrize(
    ("unit", "name"), [(Unit.DEG_F, "degF"), (Unit.KELVIN, "kelvin"), (Unit.CEL, "degC")]
)
def test_display_in_cel_is_what_pint_and_the_exact_conversion_say(unit, name):
    value = np.round(np.linspace(-40, 400, 4401), 1)
    shown, shown_unit = in_display_unit(value, np.full(value.size, unit, np.int16))
    assert set(shown_unit.tolist()) == {Unit.CEL}
    np.testing.assert_allclose(shown, pint.UnitRegistry().Quantity(value, name).to("degC").m, atol=6e-7)
    np.testing.assert_allclose(shown, [temperature_c(float(one), unit) for one in value], atol=6e-7)


def test_what_does_not_fit_is_named():
    with pytest.raises(Invalid, match=r"/resolution: 'week' is not known; use 'hour' or 'day'"):
        drawn([0], resolution="week")
    with pytest.raises(Invalid, match="columns differ in length"):
        drawn([0], [1, 2])


# Laws. Each is a plain assertion over an implementation, so that the broken ones below can be held against it.

readings = st.lists(
    st.tuples(
        st.integers(us("2026-03-28T00:00+00:00"), us("2026-04-06T00:00+00:00")) | st.integers(0, 2**51),
        st.sampled_from([0.1, 54.9, 55.0, 131.0, 98.60000000000001]) | st.floats(-40, 400),
        st.sampled_from([Unit.CEL, Unit.DEG_F, Unit.KELVIN, Unit.VOLT]),
        st.booleans(),
    ),
    max_size=40,
)
places = {
    "resolution": st.sampled_from(["hour", "day"]),
    "zone": st.sampled_from([*ZONES, "America/Santiago"]),
}


def columns_of(some):
    return list(zip(*some, strict=True)) or [[], [], [], []]


def counts_add_up(implementation, given_readings, **where):
    found = implementation(*columns_of(given_readings), **where)
    assert found.count.sum() == sum(usable for *_, usable in given_readings)


def mean_lies_between(implementation, given_readings, **where):
    found = implementation(*columns_of(given_readings), **where)
    assert (found.minimum <= found.mean).all()
    assert (found.mean <= found.maximum).all()


def order_of_arrival_is_irrelevant(implementation, given_readings, rearranged, **where):
    first, second = (
        rows(implementation(*columns_of(some), **where)) for some in (given_readings, rearranged)
    )
    assert first == second


def readings_lie_in_their_bucket(implementation, given_readings, **where):
    found = implementation(*columns_of(given_readings), **where)
    assert (found.start_us <= found.first_us).all()
    assert (found.first_us <= found.last_us).all()
    assert (found.last_us < found.end_us).all()
    for unit in np.unique(found.unit):
        of_unit = found.unit == unit
        assert (found.end_us[of_unit][:-1] <= found.start_us[of_unit][1:]).all()


@settings(deadline=None)
@given(readings, places["resolution"], places["zone"])
def test_counts_add_up_to_the_usable_readings(some, resolution, zone):
    counts_add_up(drawn, some, resolution=resolution, zone=zone)


@settings(deadline=None)
@given(readings, places["resolution"], places["zone"])
def test_the_mean_lies_between_the_least_and_the_most(some, resolution, zone):
    mean_lies_between(drawn, some, resolution=resolution, zone=zone)


@settings(deadline=None)
@given(readings, places["resolution"], places["zone"], st.randoms())
def test_order_of_arrival_changes_nothing(some, resolution, zone, chance):
    rearranged = chance.sample(some, len(some))
    order_of_arrival_is_irrelevant(drawn, some, rearranged, resolution=resolution, zone=zone)


@settings(deadline=None)
@given(readings, places["resolution"], places["zone"])
def test_every_reading_lies_in_a_bucket_that_meets_no_other(some, resolution, zone):
    readings_lie_in_their_bucket(drawn, some, resolution=resolution, zone=zone)


THREE = [
    (HOUR_US + 1, 0.1, Unit.CEL, True),
    (HOUR_US + 2, 0.1, Unit.CEL, True),
    (HOUR_US + 3, 0.1, Unit.CEL, True),
]


def replaced(found, **columns):
    return Buckets(**{name: columns.get(name, getattr(found, name)) for name in COLUMNS})


def loses_the_last(at, value, unit, usable, **where):
    """Broken: takes the span to be open at both ends."""
    return drawn(at[:-1], value[:-1], unit[:-1], usable[:-1], **where)


def sum_over_count(at, value, unit, usable, **where):
    """Broken: the mean as it comes out of the division; 0.1 three times gives 0.10000000000000002."""
    found = drawn(at, value, unit, usable, **where)
    return replaced(found, mean=np.array([sum(value) / len(value)]))


def first_to_arrive(at, value, unit, usable, **where):
    """Broken: takes the first reading that came for the earliest."""
    return replaced(drawn(at, value, unit, usable, **where), first_us=np.array([at[0]]))


def hours_of_utc(at, value, unit, usable, **where):
    """Broken: cuts at whole hours of UTC, whatever the clock of the place says."""
    found = drawn(at, value, unit, usable, **where)
    starts = found.start_us // HOUR_US * HOUR_US
    return replaced(found, start_us=starts, end_us=starts + HOUR_US)


KATHMANDU = [
    (us("2026-05-04T00:10+00:00"), 55, Unit.CEL, True),
    (us("2026-05-04T00:20+00:00"), 56, Unit.CEL, True),
]


@pytest.mark.parametrize(
    ("law", "broken", "some", "zone"),
    [
        (counts_add_up, loses_the_last, [THREE], "Europe/Lisbon"),
        (mean_lies_between, sum_over_count, [THREE], "Europe/Lisbon"),
        (order_of_arrival_is_irrelevant, first_to_arrive, [THREE, THREE[::-1]], "Europe/Lisbon"),
        (readings_lie_in_their_bucket, hours_of_utc, [KATHMANDU], "Asia/Kathmandu"),
    ],
)
def test_each_law_catches_a_broken_one(law, broken, some, zone):
    law(drawn, *some, resolution="hour", zone=zone)
    with pytest.raises(AssertionError):
        law(broken, *some, resolution="hour", zone=zone)
