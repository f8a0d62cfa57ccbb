"""What came in, went out or was counted; a mistake is withdrawn by an entry of its own."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Final, Literal, get_args
from uuid import UUID

Kind = Literal["delivery", "return", "use", "loss", "spoilage", "count", "withdraw"]

KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
ADDS: Final = frozenset({"delivery", "return"})
TAKES: Final = frozenset({"use", "loss", "spoilage"})


@dataclass(frozen=True)
class Movement:
    """One entry of a feedstock's book at a site.

    Attributes
    ----------
    id
        Of the entry.
    kind
        ``delivery`` and ``return`` (material that came back unused) add; ``use``, ``loss`` and ``spoilage`` take;
        ``count`` says what is there; ``withdraw`` takes an entry back that should never have been made.
    at
        When it happened; aware.
    amount
        In the book's unit, [kg] or [m3], never negative; of a ``count`` what was counted.
    spoils_on
        Day from which it is not fit for a pile; None when nobody said.
    cost
        Of the whole amount, in the organisation's own currency.
    withdraws
        For a ``withdraw``: the entry taken back.
    """

    id: UUID
    kind: Kind
    at: datetime
    amount: Decimal
    spoils_on: date | None = None
    cost: float | None = None
    withdraws: UUID | None = None


def in_force(movements: Iterable[Movement]) -> tuple[Movement, ...]:
    """Return the entries that hold, in the order they happened.

    Of one instant, what came in stands first and a count last: who counts, counts what is there afterwards.
    """
    entries = {one.id: one for one in movements}
    withdrawn = {one.withdraws for one in entries.values() if one.kind == "withdraw"}
    holding = (one for key, one in entries.items() if one.kind != "withdraw" and key not in withdrawn)
    return tuple(sorted(holding, key=_happened))


def _happened(one: Movement) -> tuple[datetime, int, UUID]:
    rank = 0 if one.kind in ADDS else 1 if one.kind in TAKES else 2
    return one.at, rank, one.id
