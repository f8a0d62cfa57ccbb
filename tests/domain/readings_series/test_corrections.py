"""Which entries hold, and which are refused."""

from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.quantities import Quantity, Unit
from service.domain.readings.corrections import LONGEST_SHIFT_S, in_force, reach_us, refuse_correction
from tests.domain.readings_series.making import HOUR, TEMPERATURE, S, an_entry, numbers


@pytest.mark.parametrize(
    ("entries", "holding"),
    [
        ([], []),
        ([an_entry(1, "exclude")], [1]),
        ([an_entry(1, "exclude"), an_entry(2, "withdraw", withdraws=1)], []),
        (
            [
                an_entry(1, "exclude"),
                an_entry(2, "withdraw", withdraws=1),
                an_entry(3, "withdraw", withdraws=2),
            ],
            [1],
        ),
        (
            [an_entry(1, "exclude"), *(an_entry(n, "withdraw", withdraws=n - 1) for n in (2, 3, 4))],
            [],
        ),
        (
            [
                an_entry(1, "exclude"),
                an_entry(2, "withdraw", withdraws=1),
                an_entry(3, "withdraw", withdraws=1),
                an_entry(4, "withdraw", withdraws=2),
            ],
            [],
        ),
        ([an_entry(1, "exclude"), an_entry(1, "exclude")], [1]),
        ([an_entry(3, "exclude", at=1), an_entry(2, "accept", at=2), an_entry(1, "accept", at=2)], [3, 1, 2]),
        ([an_entry(1, "exclude"), an_entry(2, "withdraw", withdraws=9)], [1]),
        ([an_entry(1, "withdraw", withdraws=1), an_entry(2, "exclude")], [2]),
        ([an_entry(1, "withdraw", withdraws=2), an_entry(2, "exclude")], [2]),
        ([an_entry(1, "exclude", at=5), an_entry(2, "withdraw", withdraws=1, at=5)], []),
    ],
)
def test_what_holds(entries, holding):
    assert numbers(in_force(entries)) == holding
    assert numbers(in_force(entries[::-1])) == holding


histories = st.lists(
    st.tuples(st.sampled_from(["accept", "exclude", "withdraw"]), st.integers(1, 12), st.integers(0, 3)),
    max_size=12,
).map(
    lambda some: [
        an_entry(n, kind, at=at, **({"withdraws": named} if kind == "withdraw" else {}))
        for n, (kind, named, at) in enumerate(some, 1)
    ]
)


def order_of_arrival_is_irrelevant(fold, entries, rearranged):
    assert fold(entries) == fold(rearranged)


def a_withdrawal_withdrawn_is_as_if_never_made(fold, entries, named):
    first = an_entry(90, "withdraw", withdraws=named, at=90)
    assert fold([*entries, first, an_entry(91, "withdraw", withdraws=90, at=91)]) == fold(entries)


@given(histories, st.randoms())
def test_order_of_arrival_changes_nothing(entries, chance):
    order_of_arrival_is_irrelevant(in_force, entries, chance.sample(entries, len(entries)))


@given(histories, st.integers(1, 13))
def test_a_withdrawal_can_itself_be_withdrawn(entries, named):
    a_withdrawal_withdrawn_is_as_if_never_made(in_force, entries, named)


def by_arrival(entries):
    """Broken: takes the order of the list for the order of recording."""
    gone = set()
    for entry in reversed(entries):
        if entry.kind == "withdraw" and entry.id not in gone:
            gone.add(entry.withdraws)
    return [entry for entry in entries if entry.id not in gone and entry.kind != "withdraw"]


def once_and_for_all(entries):
    """Broken: a withdrawal holds although it was withdrawn."""
    gone = {entry.withdraws for entry in entries}
    return [entry for entry in entries if entry.id not in gone and entry.kind != "withdraw"]


TWO = [an_entry(1, "exclude"), an_entry(2, "accept")]


@pytest.mark.parametrize(
    ("law", "broken", "more"),
    [
        (order_of_arrival_is_irrelevant, by_arrival, TWO[::-1]),
        (a_withdrawal_withdrawn_is_as_if_never_made, once_and_for_all, 1),
    ],
)
def test_each_law_catches_a_broken_one(law, broken, more):
    law(in_force, TWO, more)
    with pytest.raises(AssertionError):
        law(broken, TWO, more)


@pytest.mark.parametrize(
    ("entries", "expected"),
    [
        ([], (0, 0)),
        ([an_entry(1, "exclude")], (0, 0)),
        ([an_entry(1, "shift", by_s=3600)], (HOUR, 0)),
        ([an_entry(1, "shift", by_s=-90.5)], (0, 90.5 * S)),
        ([an_entry(1, "shift", by_s=3600), an_entry(2, "shift", by_s=-60)], (HOUR, 60 * S)),
        ([an_entry(1, "shift", by_s=3600), an_entry(2, "withdraw", withdraws=1)], (0, 0)),
        ([an_entry(1, "shift", by_s=3600, quantity=Quantity.BATTERY)], (0, 0)),
    ],
)
def test_how_much_further_to_load(entries, expected):
    assert reach_us(entries, quantity=TEMPERATURE) == expected


KNOWN = [an_entry(1, "exclude"), an_entry(2, "exclude"), an_entry(3, "withdraw", withdraws=2)]


@pytest.mark.parametrize(
    "entry",
    [
        an_entry(9, "accept"),
        an_entry(9, "exclude", quantity=Quantity.OXYGEN),
        an_entry(9, "shift", by_s=-3600),
        an_entry(9, "shift", by_s=LONGEST_SHIFT_S),
        an_entry(9, "shift", by_s=0.000001),
        an_entry(9, "unit", unit=Unit.DEG_F, quantity=TEMPERATURE),
        an_entry(9, "unit", unit=Unit.VOLT, quantity=Quantity.BATTERY),
        an_entry(9, "withdraw", withdraws=1),
        an_entry(9, "withdraw", withdraws=3),
        an_entry(9, "withdraw", 0, 0, withdraws=1),
    ],
)
def test_what_may_be_said(entry):
    assert refuse_correction(entry, known=KNOWN) is None
    assert refuse_correction(entry, known=[*KNOWN, entry]) is None


@pytest.mark.parametrize(
    ("entry", "refusals"),
    [
        (an_entry(9, "exclude", reason=" \n"), {"/reason": "is empty"}),
        (an_entry(9, "exclude", 5, 5), {"/to": "must be later than 'from'"}),
        (an_entry(9, "accept", 6, 5), {"/to": "must be later than 'from'"}),
        (an_entry(9, "shift"), {"/by_s": "is missing"}),
        (an_entry(9, "shift", by_s=0), {"/by_s": "0 s moves nothing"}),
        (an_entry(9, "shift", by_s=1e-7), {"/by_s": "1e-07 s moves nothing"}),
        (an_entry(9, "shift", by_s=-LONGEST_SHIFT_S - 1), {"/by_s": "is not within ten years"}),
        (an_entry(9, "shift", by_s=float("nan")), {"/by_s": "nan s is not within ten years"}),
        (an_entry(9, "unit", quantity=TEMPERATURE), {"/unit": "is missing"}),
        (an_entry(9, "unit", unit=Unit.CEL), {"/quantity": "name it"}),
        (
            an_entry(9, "unit", unit=Unit.PCT, quantity=TEMPERATURE),
            {"/unit": "temperature is not told in %; use Cel, K, [degF]"},
        ),
        (an_entry(9, "withdraw"), {"/withdraws": "is missing"}),
        (an_entry(9, "withdraw", withdraws=7), {"/withdraws": f"{UUID(int=7)} is no entry of this probe"}),
        (an_entry(9, "withdraw", withdraws=9), {"/withdraws": "is no entry of this probe"}),
        (
            an_entry(9, "withdraw", withdraws=2),
            {"/withdraws": f"{UUID(int=2)} is already withdrawn by {UUID(int=3)}"},
        ),
        (an_entry(9, "withdraw", withdraws=1, at=0), {"/withdraws": "was recorded after this"}),
        (an_entry(9, "exclude", by_s=5), {"/by_s": "belongs to a 'shift' entry, and this is a 'exclude'"}),
        (an_entry(9, "accept", withdraws=1), {"/withdraws": "belongs to a 'withdraw' entry"}),
        (
            an_entry(9, "unit", 5, 5, reason="", by_s=1),
            {"/by_s": "leave it out", "/reason": "is empty", "/to": "later", "/unit": "is missing"},
        ),
    ],
)
def test_what_may_not(entry, refusals):
    with pytest.raises(Invalid) as refused:
        refuse_correction(entry, known=KNOWN)
    found = {error.pointer: error.detail for error in refused.value.errors}
    assert found.keys() == refusals.keys()
    assert all(said in found[pointer] for pointer, said in refusals.items())
