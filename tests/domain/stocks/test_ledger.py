"""A balance follows from movements alone, in whatever order they are told."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.stocks import ADDS, KINDS, TAKES, Movement, Told, amount_in, in_force, ledger

START = datetime(2026, 5, 4, 9, tzinfo=UTC)


def moved(number: int, kind: str, hour: float, amount: float = 0, **more: object) -> Movement:
    return Movement(
        UUID(int=number),
        kind,
        START + timedelta(hours=hour),
        Decimal(str(amount)),
        **more,  # type: ignore[arg-type]
    )


def test_deliveries_and_uses() -> None:
    told = ledger([moved(1, "delivery", 0, 100), moved(2, "use", 1, 30), moved(3, "return", 2, 5)])
    assert (told.balance, told.short) == (75, ())


def test_a_use_greater_than_the_balance_leaves_a_gap_and_nothing_below_zero() -> None:
    told = ledger([moved(1, "delivery", 0, 30), moved(2, "use", 1, 100)])
    assert told.balance == 0
    assert [(gap.movement_id, gap.amount) for gap in told.short] == [(UUID(int=2), 70)]


def test_a_delivery_told_late_fills_the_gap_before_it_adds() -> None:
    told = ledger([moved(1, "delivery", 0, 30), moved(2, "use", 2, 100), moved(3, "delivery", 1, 80)])
    assert (told.balance, told.short) == (10, ())


def test_a_count_settles_gaps_and_what_is_told_late_from_before_it() -> None:
    counted = [moved(1, "delivery", 0, 30), moved(2, "use", 1, 100), moved(3, "count", 2, 40)]
    assert ledger(counted).balance == 40
    assert ledger(counted).short == ()
    late = ledger([*counted, moved(4, "delivery", 1.5, 500), moved(5, "use", 1.6, 20)])
    assert late.balance == 40
    assert ledger([*counted, moved(6, "use", 3, 15)]).balance == 25


def test_a_count_tells_by_how_much_the_book_was_wrong() -> None:
    told = ledger([moved(1, "delivery", 0, 100), moved(2, "count", 1, 88.5)])
    assert told.last_count is not None
    assert told.last_count.amount == Decimal("-11.5")


def test_what_is_withdrawn_counts_no_longer() -> None:
    wrong, right = moved(1, "delivery", 0, 5000), moved(2, "delivery", 0, 500)
    undone = moved(3, "withdraw", 1, withdraws=UUID(int=1))
    assert ledger([wrong, right, undone]).balance == 500
    assert [one.id for one in in_force([undone, right, wrong])] == [UUID(int=2)]


def test_what_spoils_first_is_used_first_then_the_oldest() -> None:
    told = ledger(
        [
            moved(1, "delivery", 0, 10),
            moved(2, "delivery", 1, 10, spoils_on=date(2026, 6, 1)),
            moved(3, "delivery", 2, 10, spoils_on=date(2026, 5, 9)),
            moved(4, "use", 3, 15),
        ]
    )
    assert [(lot.movement_id.int, lot.left) for lot in told.lots] == [(2, 5), (1, 10)]


def test_what_a_count_finds_more_is_of_unknown_age() -> None:
    told = ledger([moved(1, "delivery", 0, 10, cost=20.0), moved(2, "count", 1, 12)])
    assert [(lot.left, lot.is_delivered, lot.cost_per_unit) for lot in told.lots] == [
        (10, True, 2.0),
        (2, False, None),
    ]


amounts = st.integers(0, 500_000).map(lambda grams: Decimal(grams) / 1000)
kinds = st.sampled_from([kind for kind in KINDS if kind != "withdraw"])


@st.composite
def books(draw: st.DrawFn) -> list[Movement]:
    entries = [
        Movement(
            UUID(int=number),
            kind,
            START + timedelta(hours=hour),
            amount,
            spoils_on=spoils,  # type: ignore[arg-type]
        )
        for number, (kind, hour, amount, spoils) in enumerate(
            draw(
                st.lists(
                    st.tuples(
                        kinds,
                        st.integers(0, 12),
                        amounts,
                        st.none() | st.integers(0, 30).map(lambda d: date(2026, 5, 4) + timedelta(days=d)),
                    ),
                    max_size=14,
                )
            )
        )
    ]
    undone = draw(st.sets(st.sampled_from(entries), max_size=3)) if entries else set()
    return entries + [
        moved(100 + one.id.int, "withdraw", 20, withdraws=one.id)
        for one in sorted(undone, key=lambda m: m.id)
    ]


def by_hand(movements: Sequence[Movement]) -> Decimal:
    """Add up without lots: the independent way to the same balance."""
    balance = Decimal(0)
    for one in in_force(movements):
        if one.kind in ADDS:
            balance += one.amount
        elif one.kind in TAKES:
            balance = max(Decimal(0), balance - one.amount)
        else:
            balance = one.amount
    return balance


@given(books())
def test_the_balance_is_what_adding_up_by_hand_gives(movements: list[Movement]) -> None:
    told = ledger(movements)
    assert told.balance == by_hand(movements)
    assert told.balance == sum(lot.left for lot in told.lots)
    assert told.balance >= 0
    assert all(lot.left > 0 for lot in told.lots)


@given(books(), st.randoms(use_true_random=False))
def test_the_order_of_telling_does_not_matter(movements: list[Movement], random: object) -> None:
    shuffled = list(movements)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert ledger(shuffled) == ledger(movements)


@given(books())
def test_what_lies_before_the_last_count_does_not_change_the_balance(movements: list[Movement]) -> None:
    """What the record reads under the lock: the last standing count and what came after it."""
    counts = [one.at for one in in_force(movements) if one.kind == "count"]
    since = max(counts, default=START)
    kept = [one for one in movements if one.at >= since or one.kind == "withdraw"]
    whole, part = ledger(movements), ledger(kept)
    assert part.balance == whole.balance
    assert part.short == whole.short


@pytest.mark.parametrize(
    ("unit", "told", "expected"),
    [
        ("kg", Told(mass_kg=12.5), "12.5"),
        ("kg", Told(volume_m3=0.08, density_kg_m3=410), "32.8"),
        ("m3", Told(volume_m3=0.08), "0.08"),
        ("m3", Told(mass_kg=82, density_kg_m3=410), "0.2"),
        ("kg", Told(mass_kg=30, volume_m3=0.08, density_kg_m3=410), "30"),
        ("kg", Told(mass_kg=0.1 + 0.2), "0.3"),
    ],
)
def test_amounts_in_the_books_unit(unit: str, told: Told, expected: str) -> None:
    assert amount_in(unit, told) == Decimal(expected)  # type: ignore[arg-type]


def test_an_amount_without_its_density_is_refused_with_the_remedy() -> None:
    with pytest.raises(Invalid, match="weigh a bucket"):
        amount_in("kg", Told(volume_m3=1))
    with pytest.raises(Invalid, match="give mass_kg or volume_m3"):
        amount_in("kg", Told())


@pytest.mark.parametrize(
    ("unit", "told"),
    [
        ("kg", Told(mass_kg=1e8, volume_m3=1e-300)),
        ("m3", Told(mass_kg=1e8, density_kg_m3=1e-300)),
        ("kg", Told(volume_m3=1e9, density_kg_m3=5000)),
    ],
)
def test_what_no_yard_holds_is_refused(unit: str, told: Told) -> None:
    with pytest.raises(Invalid, match="check"):
        amount_in(unit, told)  # type: ignore[arg-type]


def test_mass_and_volume_together_tell_the_density() -> None:
    assert Told(30, 0.08, 410).density_used_kg_m3 == pytest.approx(375)
