from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.piles import CLOCK_TOLERANCE, Event, in_force, up_to
from tests.domain.piles.making import BUILT, a_correction, an_event, day

KINDS = ("load", "water", "turn", "observe", "move")


@st.composite
def records(draw):
    """Originals, then corrections of any entry: of originals, of corrections, of entries that are not here."""
    minutes = st.integers(0, 60)
    originals = [
        Event(
            UUID(int=number),
            draw(st.sampled_from(KINDS)),
            BUILT + timedelta(minutes=draw(minutes)),
            BUILT,
            {"volume_l": number},
        )
        for number in range(1, draw(st.integers(1, 6)) + 1)
    ]
    events = list(originals)
    for number in range(100, 100 + draw(st.integers(0, 8))):
        target = draw(st.sampled_from([*(event.id for event in events), UUID(int=999)]))
        instead = draw(
            st.none()
            | st.fixed_dictionaries(
                {
                    "kind": st.sampled_from(KINDS),
                    "at": minutes.map(lambda m: (BUILT + timedelta(minutes=m)).isoformat()),
                    "volume_l": st.integers(0, 9),
                }
            )
        )
        recorded = BUILT + timedelta(minutes=draw(st.integers(0, 1)))
        details = {"reason": "slip", "replacement": instead}
        events.append(Event(UUID(int=number), "correct", recorded, recorded, details, corrects=target))
    return events


@given(st.data(), records())
def test_order_of_arrival_changes_nothing(data, events):
    shuffled = data.draw(st.permutations(events))
    assert in_force(shuffled) == in_force(events)
    assert in_force([*events, *shuffled]) == in_force(events)


@given(records())
def test_folding_gives_ordered_originals_and_folding_again_changes_nothing(events):
    folded = in_force(events)
    originals = {event.id for event in events if event.kind != "correct"}
    assert {event.id for event in folded} <= originals
    assert [(event.at, event.id) for event in folded] == sorted((event.at, event.id) for event in folded)
    assert all(event.kind != "correct" for event in folded)
    assert in_force(folded) == folded


@given(records(), st.integers(0, 60))
def test_an_entry_withdrawn_leaves_the_record_as_if_it_had_never_been(events, minute):
    slip = Event(UUID(int=5000), "turn", BUILT + timedelta(minutes=minute), BUILT, {})
    withdrawn = a_correction(slip, 1, None, number=5001)
    assert in_force([*events, slip]) != in_force(events)
    assert in_force([withdrawn, *events, slip]) == in_force(events)


@given(records())
def test_a_newer_correction_restores_what_an_older_one_changed(events):
    original = next(event for event in events if event.kind != "correct")
    restored = a_correction(
        original, 9, {"kind": original.kind, "at": original.at.isoformat(), **original.details}, number=6000
    )
    kept = next(event for event in in_force([*events, restored]) if event.id == original.id)
    assert replace(kept, corrected_by=None, recorded_at=original.recorded_at) == original
    assert kept.corrected_by == restored.id
    others = [e for e in in_force(events) if e.id != original.id]
    assert [e for e in in_force([*events, restored]) if e.id != original.id] == others


@given(records(), st.none() | st.just({"kind": "close", "at": BUILT.isoformat()}))
def test_a_correction_of_a_correction_changes_nothing(events, instead):
    corrections = [event for event in events if event.kind == "correct"]
    over = [a_correction(event, 30, instead, number=7000 + i) for i, event in enumerate(corrections)]
    assert in_force([*events, *over]) == in_force(events)


def test_a_replacement_moves_the_entry_and_replaces_its_details_whole():
    turn = replace(an_event("turn", 3, method="fork", volume_m3=1.2), crew="Ana", note="warm")
    water = an_event("water", 2, volume_l=40)
    fixed = a_correction(turn, 4, {"kind": "turn", "at": "2026-05-05T11:00:00+02:00", "height_m": 0.9})
    first, second = in_force([turn, water, fixed])
    assert second == water
    assert first.at == datetime(2026, 5, 5, 9, 0, tzinfo=UTC)
    assert first.details == {"height_m": 0.9}
    assert (first.id, first.crew, first.note) == (turn.id, "Ana", "warm")
    assert first.recorded_at == fixed.recorded_at


def test_a_replacement_may_name_another_crew_and_carry_a_datetime():
    turn = replace(an_event("turn", 3), crew="Ana")
    fixed = a_correction(turn, 4, {"kind": "water", "at": day(2), "volume_l": 10, "crew": "Rui"})
    (entry,) = in_force([turn, fixed])
    assert (entry.kind, entry.crew, entry.at, entry.details) == ("water", "Rui", day(2), {"volume_l": 10})


def test_of_two_corrections_written_at_once_the_greater_id_holds():
    turn = an_event("turn", 3)
    low = a_correction(turn, 4, None, number=8000)
    high = a_correction(turn, 4, {"kind": "turn", "at": day(5)}, number=8001)
    assert [event.at for event in in_force([turn, high, low])] == [day(5)]
    assert [event.at for event in in_force([low, turn, high])] == [day(5)]


@pytest.mark.parametrize("told", ["2026-05-05T11:00:00", "last tuesday", datetime(2026, 5, 5, 11)])  # noqa: DTZ001 - refused
def test_a_replacement_without_a_readable_time_is_refused_by_name(told):
    turn = an_event("turn", 3)
    with pytest.raises(Invalid, match=r"no time with an offset; write it as") as refused:
        in_force([turn, a_correction(turn, 4, {"kind": "turn", "at": told})])
    assert refused.value.errors[0].pointer == "/replacement/at"
    assert str(told) in refused.value.errors[0].detail


def test_what_has_not_happened_yet_is_left_out_but_a_fast_clock_is_forgiven():
    now = day(3)
    soon = Event(UUID(int=1), "turn", now + CLOCK_TOLERANCE, now, {})
    later = Event(UUID(int=2), "turn", now + CLOCK_TOLERANCE + timedelta(seconds=1), now, {})
    assert up_to([soon, later], now) == (soon,)


def test_instants_compare_across_offsets():
    early = Event(
        UUID(int=2), "turn", datetime(2026, 5, 5, 11, tzinfo=timezone(timedelta(hours=9))), BUILT, {}
    )
    late = Event(UUID(int=1), "turn", datetime(2026, 5, 5, 10, tzinfo=UTC), BUILT, {})
    assert in_force([late, early]) == (early, late)
