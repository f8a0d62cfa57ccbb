"""Which readings count: what a person says goes before what a test finds, and nothing is lost from sight."""

from datetime import UTC, datetime, timedelta
from uuid import UUID

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from service.domain.quantities import QualityFlag, Quantity, Unit
from service.domain.readings import quality
from service.domain.readings.corrected import Columns, corrected
from service.domain.readings.corrections import ReadingCorrection
from service.domain.readings.counted import air_of, count, count_temperatures
from service.domain.readings.quality import counts_as_evidence

HOUR_US = 3_600_000_000
NOW = datetime(2026, 5, 4, tzinfo=UTC)


def columns(values, *, flags=1, step_us=HOUR_US, unit=Unit.CEL):
    n = len(values)
    return Columns(
        np.arange(n, dtype=np.int64) * step_us,
        np.array(values, np.float64),
        np.full(n, unit, np.int16),
        np.broadcast_to(np.asarray(flags, np.int16), (n,)).copy(),
    )


def entry(kind, first, last, number=1, **more):
    return ReadingCorrection(
        UUID(int=number), kind, first * HOUR_US, last * HOUR_US, "x", NOW + timedelta(seconds=number), **more
    )


def life(n, base=55.0):
    return [round(base + (i * 7 % 30) / 10, 1) for i in range(n)]


def counted(values, *entries, **more):
    laid = corrected(columns(values, **more), entries, quantity=Quantity.TEMPERATURE)
    return count_temperatures([laid], depths_cm=[None])[0]


def test_what_a_person_accepted_counts_whatever_the_tests_say():
    values = [*life(10), *([55.55] * 60)]
    assert counted(values).counts.tolist() == [True] * 10 + [False] * 60
    found = counted(values, entry("accept", 20, 30))
    assert np.flatnonzero(found.counts).tolist() == [*range(10), *range(20, 30)]
    assert {tuple(quality.tests_of(flag)) for flag in found.flag[10:].tolist()} == {("flat_line",)}


def test_what_failed_on_arrival_counts_once_accepted_and_what_has_no_number_never():
    values = [*life(5), 99.0, float("nan")]
    flags = [1, 1, 1, 1, 1, int(QualityFlag.FAIL), int(QualityFlag.MISSING)]
    found = counted(values, entry("accept", 0, 9), flags=flags)
    assert found.counts.tolist() == [True] * 6 + [False]


def test_what_a_person_excluded_is_compared_with_nothing():
    """A reading beside an excluded one is not blamed for the distance."""
    values = life(20)
    values[10] = 20.0
    blamed = counted(values)
    assert "rate_of_change" in quality.tests_of(int(blamed.flag[10])) or "spike" in quality.tests_of(
        int(blamed.flag[10])
    )
    found = counted(values, entry("exclude", 10, 11))
    assert np.flatnonzero(~found.counts).tolist() == [10]
    assert (found.flag == 1).all()


def test_of_two_on_one_instant_one_counts():
    found = counted(life(6), entry("shift", 0, 2, by_s=3 * 3600.0))
    assert found.readings.columns.observed_us.tolist() == [n * HOUR_US for n in (2, 3, 3, 4, 4, 5)]
    assert found.counts.tolist() == [True, True, False, True, False, True]


def test_a_clock_that_was_doubted_counts_only_once_accepted():
    skewed = int(QualityFlag.SUSPECT | quality.Test.CLOCK_SKEW)
    shift = entry("shift", 0, 5, by_s=60.0)
    assert not counted(life(5), shift, flags=skewed).counts.any()
    assert counted(life(5), shift, entry("accept", 0, 5, 2), flags=skewed).counts.all()


def test_rows_from_before_the_bits_say_what_they_failed():
    found = counted([55.0, 99.0], flags=[1, 4])
    assert [quality.tests_of(flag) for flag in found.flag.tolist()] == [[], ["gross_range"]]
    share = corrected(columns([50.0, 120.0], flags=[1, 4], unit=Unit.PCT), [], quantity=Quantity.MOISTURE)
    other = count(share, Quantity.MOISTURE)
    assert (quality.tests_of(int(other.flag[1])), other.counts.tolist()) == (["gross_range"], [True, False])


def test_the_air_leaves_out_what_a_person_excluded():
    readings = columns(life(5, 15.0))
    kept = air_of(corrected(readings, [entry("exclude", 1, 3)], quantity=Quantity.AMBIENT_TEMPERATURE))
    assert kept is not None
    assert kept.observed_us.tolist() == [0, 3 * HOUR_US, 4 * HOUR_US]
    every = corrected(readings, [entry("exclude", 0, 9)], quantity=Quantity.AMBIENT_TEMPERATURE)
    assert air_of(every) is None


spans = st.tuples(st.sampled_from(["accept", "exclude"]), st.integers(0, 40), st.integers(1, 20))


@given(st.lists(st.floats(-40, 130), min_size=1, max_size=40), st.lists(spans, max_size=4))
def test_nothing_is_lost_and_a_persons_word_decides(values, said):
    entries = [entry(kind, first, first + length, n) for n, (kind, first, length) in enumerate(said, 1)]
    found = counted(values, *entries)
    assert len(found.flag) == len(values)
    assert found.readings.columns.value.tolist() == values
    untouched = ~(found.readings.accepted | found.readings.excluded)
    assert found.counts[found.readings.accepted].all()
    assert not found.counts[found.readings.excluded].any()
    assert (found.counts == counts_as_evidence(found.flag))[untouched].all()
