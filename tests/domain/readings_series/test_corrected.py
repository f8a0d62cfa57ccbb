"""What people say, laid over recorded readings; held against going through them one by one with a pencil."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.quantities import QualityFlag, Quantity, Unit
from service.domain.readings.corrected import Columns, corrected
from service.domain.readings.corrections import in_force, reach_us
from service.domain.readings.quality import primary
from tests.domain.readings_series.making import HOUR, TEMPERATURE, S, an_entry, columns, numbers

ARRAYS = ("observed_us", "value", "unit", "flag")


def laid(some, *entries, quantity=TEMPERATURE):
    return corrected(some, entries, quantity=quantity)


def told(found):
    """Everything a reader sees, as plain lists."""
    return [
        *(getattr(found.columns, name).tolist() for name in ARRAYS),
        *(column.tolist() for column in (found.place, found.excluded, found.accepted, found.rival)),
        [found.touching(at) for at in range(found.place.size)],
    ]


def test_a_shift_moves_instants_and_they_ascend_again():
    found = laid(columns([0, 10, 20, 30]), an_entry(1, "shift", 10, 20, by_s=15e-6))
    assert found.columns.observed_us.tolist() == [0, 20, 25, 30]
    assert found.columns.value.tolist() == [0, 2, 1, 3]
    assert found.place.tolist() == [0, 2, 1, 3]
    assert found.touched.tolist() == [False, False, True, False]


def test_the_span_is_half_open_and_in_recorded_time():
    """A reading moved out of the span of another entry is still spoken of by it, one moved in is not."""
    shift = an_entry(1, "shift", 10, 20, by_s=100e-6)
    found = laid(columns([0, 10, 20, 110]), shift, an_entry(2, "exclude", 110, 111))
    assert dict(zip(found.place.tolist(), found.excluded.tolist(), strict=True)) == {
        0: False,
        1: False,
        2: False,
        3: True,
    }
    found = laid(columns([0, 10, 20, 110]), shift, an_entry(2, "exclude", 10, 20))
    assert found.excluded[found.place == 1].tolist() == [True]


def test_the_later_entry_wins_where_two_differ():
    some = columns([0, 10, 20])
    shifts = an_entry(1, "shift", 0, 20, by_s=1), an_entry(2, "shift", 10, 30, by_s=2)
    found = laid(some, *shifts)
    assert (found.columns.observed_us - some.observed_us[found.place]).tolist() == [S, 2 * S, 2 * S]
    found = laid(some, an_entry(1, "exclude", 0, 20), an_entry(2, "accept", 10, 30))
    assert (found.excluded.tolist(), found.accepted.tolist()) == ([True, False, False], [False, True, True])
    found = laid(some, an_entry(2, "exclude", 10, 30), an_entry(1, "accept", 0, 20))
    assert (found.excluded.tolist(), found.accepted.tolist()) == ([False, True, True], [True, False, False])
    units = (an_entry(n, "unit", unit=unit) for n, unit in ((1, Unit.DEG_F), (2, Unit.KELVIN)))
    assert set(laid(some, *units).columns.unit.tolist()) == {Unit.KELVIN}


def test_kinds_add_up_and_are_named_oldest_first():
    entries = (
        an_entry(3, "accept"),
        an_entry(1, "unit", unit=Unit.DEG_F),
        an_entry(2, "shift", by_s=1),
        an_entry(4, "exclude", quantity=Quantity.BATTERY),
    )
    found = laid(columns([5]), *entries)
    assert numbers(found.entries) == [1, 2, 3]
    assert [entry.int for entry in found.touching(0)] == [1, 2, 3]
    assert found.accepted.tolist() == [True]


def test_two_readings_on_one_instant_are_both_kept_and_the_moved_one_is_the_rival():
    found = laid(columns([0, 10, 20, 30]), an_entry(1, "shift", 0, 1, by_s=20e-6))
    assert found.columns.observed_us.tolist() == [10, 20, 20, 30]
    assert found.place.tolist() == [1, 2, 0, 3]
    assert found.rival.tolist() == [False, False, True, False]


def test_what_is_excluded_is_the_rival_of_what_is_not():
    found = laid(columns([0, 10, 20]), an_entry(1, "shift", 0, 1, by_s=20e-6), an_entry(2, "exclude", 20, 21))
    assert (found.place.tolist(), found.rival.tolist()) == ([1, 0, 2], [False, False, True])


def test_what_is_missing_cannot_be_accepted():
    found = laid(columns([0, 1], flag=[QualityFlag.FAIL, QualityFlag.MISSING]), an_entry(1, "accept"))
    assert found.accepted.tolist() == [True, False]


@pytest.mark.parametrize(
    ("value", "recorded", "flag", "meant", "expected"),
    [
        (131, Unit.CEL, QualityFlag.FAIL, Unit.DEG_F, QualityFlag.GOOD),
        (131, Unit.CEL, QualityFlag.SUSPECT, Unit.DEG_F, QualityFlag.SUSPECT),
        (55, Unit.DEG_F, QualityFlag.GOOD, Unit.CEL, QualityFlag.GOOD),
        (55, Unit.DEG_F, QualityFlag.SUSPECT, Unit.CEL, QualityFlag.SUSPECT),
        (85, Unit.DEG_F, QualityFlag.GOOD, Unit.CEL, QualityFlag.SUSPECT),
        (131, Unit.DEG_F, QualityFlag.GOOD, Unit.CEL, QualityFlag.FAIL),
        (131, Unit.CEL, QualityFlag.FAIL, Unit.CEL, QualityFlag.FAIL),
        (131, Unit.CEL, QualityFlag.MISSING, Unit.DEG_F, QualityFlag.MISSING),
    ],
)
def test_a_unit_keeps_the_number_and_remakes_the_flag_of_its_range(value, recorded, flag, meant, expected):
    """131 [degF] is 55 Cel (40 CFR 503, appendix B gives both); as Cel it is past any pile."""
    found = laid(columns([0], [value], [recorded], [flag]), an_entry(1, "unit", unit=meant))
    assert (found.columns.value[0], found.columns.unit[0]) == (value, meant)
    assert primary(found.columns.flag) == expected


@pytest.mark.parametrize(
    ("some", "remedy"),
    [
        (([0, 1], [1.0], [1], [1]), "give one value, unit and flag per instant"),
        (([1, 0], [1.0, 2.0], [1, 1], [1, 1]), "sort the readings by observed_us"),
    ],
)
def test_columns_that_do_not_fit_are_refused(some, remedy):
    with pytest.raises(Invalid, match=remedy):
        Columns(*(np.array(one) for one in some))


# Laws, over an implementation each, so that the broken ones below can be held against them.

series = st.lists(
    st.tuples(
        st.integers(0, 40),
        st.sampled_from([20.0, 55, 84, 131]),
        st.sampled_from([Unit.CEL, Unit.DEG_F]),
        st.sampled_from([1, 3, 4, 9]),
    ),
    max_size=15,
    unique_by=lambda reading: reading[0],
).map(lambda some: columns(*(list(zip(*sorted(some), strict=True)) or [[], [], [], []])))

things = st.one_of(
    st.tuples(st.just("exclude"), st.just({})),
    st.tuples(st.just("accept"), st.just({})),
    st.tuples(st.just("shift"), st.integers(-30, 30).map(lambda by: {"by_s": by * 1e-6})),
    st.tuples(st.just("unit"), st.sampled_from([Unit.CEL, Unit.DEG_F]).map(lambda unit: {"unit": unit})),
    st.tuples(st.just("withdraw"), st.integers(1, 8).map(lambda named: {"withdraws": named})),
)
said = st.lists(st.tuples(things, st.integers(0, 40), st.integers(1, 30), st.integers(0, 3)), max_size=8).map(
    lambda some: [
        an_entry(n, kind, since, since + length, at=at, **more)
        for n, ((kind, more), since, length, at) in enumerate(some, 1)
    ]
)


def nothing_said_changes_nothing(lay, some, _entries=()):
    found = lay(some)
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(found.columns, name), getattr(some, name))
    assert not (found.touched | found.excluded | found.accepted | found.rival).any()


def no_reading_comes_or_goes(lay, some, entries):
    found = lay(some, *entries)
    assert sorted(found.place.tolist()) == list(range(some.value.size))
    assert found.columns.value.tolist() == some.value[found.place].tolist()


def withdrawing_is_as_if_never_said(lay, some, entries):
    withdrawals = [
        an_entry(100 + n, "withdraw", withdraws=entry.id.int, at=100)
        for n, entry in enumerate(in_force(entries))
    ]
    nothing_said_changes_nothing(lambda columns_: lay(columns_, *entries, *withdrawals), some)


def order_of_arrival_is_irrelevant(lay, some, entries):
    assert told(lay(some, *entries)) == told(lay(some, *entries[::-1]))


def by_pencil(lay, some, entries):
    found = lay(some, *entries)
    for at, place in enumerate(found.place.tolist()):
        recorded = some.observed_us[place]
        last = {"by_us": 0, "unit": some.unit[place], "mark": None}
        for entry in in_force(entries):
            if entry.since_us <= recorded < entry.until_us:
                last |= {"shift": {"by_us": entry.by_us}, "unit": {"unit": entry.unit}}.get(
                    entry.kind, {"mark": entry.kind}
                )
        missing = some.flag[place] == QualityFlag.MISSING
        assert found.columns.observed_us[at] == recorded + last["by_us"]
        assert found.columns.unit[at] == last["unit"]
        assert found.excluded[at] == (last["mark"] == "exclude")
        assert found.accepted[at] == (last["mark"] == "accept" and not missing)


def what_is_loaded_for_a_window_is_enough(lay, some, entries, reach=reach_us):
    since, until = 10, 25
    earlier, later = reach(entries, quantity=TEMPERATURE)
    inside = (some.observed_us >= since - earlier) & (some.observed_us < until + later)
    part = Columns(*(getattr(some, name)[inside] for name in ARRAYS))
    whole, loaded = (lay(one, *entries).within(since, until) for one in (some, part))
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(whole.columns, name), getattr(loaded.columns, name))
    assert whole.rival.tolist() == loaded.rival.tolist()
    assert [whole.touching(at) for at in range(whole.place.size)] == [
        loaded.touching(at) for at in range(loaded.place.size)
    ]


LAWS = (
    nothing_said_changes_nothing,
    no_reading_comes_or_goes,
    withdrawing_is_as_if_never_said,
    order_of_arrival_is_irrelevant,
    by_pencil,
    what_is_loaded_for_a_window_is_enough,
)


@pytest.mark.parametrize("law", LAWS)
def test_laws(law):
    @given(series, said)
    def holds(some, entries):
        law(laid, some, entries)

    holds()


def overwriting(some, *_entries):
    """Broken: rounds what was recorded on the way through."""
    return laid(columns(some.observed_us // 7 * 7, some.value, some.unit, some.flag))


def dropping(some, *entries):
    """Broken: what is excluded is left out instead of marked."""
    marked = laid(some, *entries)
    kept = np.sort(marked.place[~marked.excluded])
    return laid(Columns(*(getattr(some, name)[kept] for name in ARRAYS)), *entries)


def forgetful(some, *entries):
    """Broken: does not look at withdrawals."""
    return laid(some, *(entry for entry in entries if entry.kind != "withdraw"))


def last_to_arrive(some, *entries):
    """Broken: the entry that stands last in the list wins."""
    return laid(
        some, *(an_entry(n, e.kind, e.since_us, e.until_us, by_s=e.by_s) for n, e in enumerate(entries))
    )


def adding_up(some, *entries):
    """Broken: shifts add up."""
    found = some
    for entry in entries:
        found = laid(found, entry).columns
    return laid(found)


SOME = columns([0, 10, 20, 30])
SHIFTS = [an_entry(1, "shift", 5, 15, by_s=1e-6), an_entry(2, "shift", 5, 15, by_s=2e-6)]


@pytest.mark.parametrize(
    ("law", "broken", "entries"),
    [
        (nothing_said_changes_nothing, overwriting, []),
        (no_reading_comes_or_goes, dropping, [an_entry(1, "exclude", 10, 20)]),
        (withdrawing_is_as_if_never_said, forgetful, [an_entry(1, "exclude", 10, 20)]),
        (order_of_arrival_is_irrelevant, last_to_arrive, SHIFTS),
        (by_pencil, adding_up, SHIFTS),
    ],
)
def test_each_law_catches_a_broken_one(law, broken, entries):
    law(laid, SOME, entries)
    with pytest.raises(AssertionError):
        law(broken, SOME, entries)


def test_loading_just_the_window_is_not_enough():
    """Broken: a window that does not reach for readings a shift moves into it."""
    moved_in = [an_entry(1, "shift", 0, 5, by_s=12e-6)]
    what_is_loaded_for_a_window_is_enough(laid, SOME, moved_in)
    with pytest.raises(AssertionError):
        what_is_loaded_for_a_window_is_enough(laid, SOME, moved_in, reach=lambda *_, **__: (0, 0))


def test_ten_thousand_readings_keep_their_number_through_a_shift_of_an_hour():
    quarter_hours = columns(np.arange(10_000) * (HOUR // 4))
    found = laid(quarter_hours, an_entry(1, "shift", 0, 5_000 * (HOUR // 4), by_s=3600))
    assert found.rival.sum() == 4
    assert np.unique(found.columns.observed_us).size == 10_000 - 4
