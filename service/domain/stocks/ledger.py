"""The balance of a feedstock at a site, and the lots it is made of, from its movements alone."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Final
from uuid import UUID

from service.domain.stocks.movements import ADDS, TAKES, Movement, in_force

ZERO: Final = Decimal(0)


@dataclass(frozen=True)
class Lot:
    """What is left of one delivery, or of what a count found more than the book knew.

    Attributes
    ----------
    movement_id, at
        The entry it came with, and when that was.
    left
        In the book's unit.
    spoils_on
        None when nobody said.
    cost_per_unit
        In the organisation's own currency; None when no cost was told.
    is_delivered
        False for what a count found: nobody knows since when it lies there.
    """

    movement_id: UUID
    at: datetime
    left: Decimal
    spoils_on: date | None = None
    cost_per_unit: float | None = None
    is_delivered: bool = True


@dataclass(frozen=True)
class Gap:
    """Where the book and the yard disagree, by how much, and from which entry that is known [book's unit].

    Of a use greater than the balance what was missing; of a count what was counted less what the book had.
    """

    movement_id: UUID
    at: datetime
    amount: Decimal


@dataclass(frozen=True)
class Ledger:
    """What the book says.

    Attributes
    ----------
    balance
        Never negative [book's unit].
    lots
        What the balance is made of; the lot to be used first stands first.
    short
        Uses greater than what was there, since the last count: material of which nobody recorded how it came.
    last_count
        The last count, with its difference from the book; None before the first.
    """

    balance: Decimal
    lots: tuple[Lot, ...] = ()
    short: tuple[Gap, ...] = ()
    last_count: Gap | None = None

    @property
    def missing(self) -> Decimal:
        """Return how much was used that no entry brought in, since the last count [book's unit]."""
        return sum((gap.amount for gap in self.short), ZERO)


def ledger(movements: Iterable[Movement]) -> Ledger:
    """Fold movements into a balance.

    Parameters
    ----------
    movements
        Of one feedstock at one site, in any order, withdrawals among them; those before a count that stands may be
        left out, and give the same balance and gaps but poorer lots.

    Returns
    -------
    Ledger
        Folded in the order things happened, not the order they were told: a delivery told late fills the gap that
        a use before it left, and what happened before a count does not change what was counted. A use greater than
        the balance takes all there is and leaves a gap; a count sets the balance and settles earlier gaps. Uses are
        taken from the lot that spoils first, then from the oldest: the order the crew should keep, since which
        heap they really took from is not recorded.
    """
    lots: list[Lot] = []
    short: list[Gap] = []
    last_count: Gap | None = None
    for one in in_force(movements):
        if one.kind in ADDS:
            lots += [_lot(one)] if one.amount else []
        elif one.kind in TAKES:
            missing = _take(lots, one.amount)
            if missing:
                short.append(Gap(one.id, one.at, missing))
        else:
            difference = one.amount - _sum(lots)
            if difference > 0:
                lots.append(replace(_lot(one), left=difference, is_delivered=False, cost_per_unit=None))
            else:
                _take(lots, -difference)
            short.clear()
            last_count = Gap(one.id, one.at, difference)
    return Ledger(_sum(lots), tuple(sorted(lots, key=_first_used)), tuple(short), last_count)


def _lot(one: Movement) -> Lot:
    per_unit = None if one.cost is None or not one.amount else one.cost / float(one.amount)
    return Lot(one.id, one.at, one.amount, one.spoils_on, per_unit)


def _sum(lots: Iterable[Lot]) -> Decimal:
    return sum((lot.left for lot in lots), ZERO)


def _first_used(lot: Lot) -> tuple[date, datetime, UUID]:
    return lot.spoils_on or date.max, lot.at, lot.movement_id


def _take(lots: list[Lot], wanted: Decimal) -> Decimal:
    """Take from the lots in the order of use; return what could not be had."""
    lots.sort(key=_first_used)
    while wanted and lots:
        first = lots[0]
        taken = min(first.left, wanted)
        wanted -= taken
        if taken == first.left:
            lots.pop(0)
        else:
            lots[0] = replace(first, left=first.left - taken)
    return wanted
