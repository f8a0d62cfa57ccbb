"""What people say about readings already taken: entries beside them, never in their place."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal
from uuid import UUID

from service.domain.errors import FieldError, Invalid
from service.domain.quantities import UNITS_OF, Quantity, Unit

CorrectionKind = Literal["accept", "exclude", "shift", "unit", "withdraw"]

LONGEST_SHIFT_S: Final = 10 * 365.25 * 86_400
"""Ten years; a clock further off than that was never set. House figure."""

_OWNERS: Final = {"by_s": "shift", "unit": "unit", "withdraws": "withdraw"}
_US_PER_S: Final = 1_000_000


@dataclass(frozen=True)
class ReadingCorrection:
    """What a person says about the readings a probe recorded over some time.

    Attributes
    ----------
    id, recorded_at
        The later entry wins; entries of one instant follow their ids.
    kind
        ``accept``: they count although a check doubts them. ``exclude``: they do not count. ``shift``: the clock
        was wrong. ``unit``: the number was told in another unit. ``withdraw``: another entry no longer holds.
    since_us, until_us
        Half-open span in *recorded* time [us since 1970-01-01T00:00Z]; of no account in a withdrawal.
    reason
        Why, in the person's words.
    quantity
        Whose readings; None for all of the probe.
    by_s
        For a shift: what is added to the recorded time [s].
    unit
        For ``unit``: what the number was really told in.
    withdraws
        For a withdrawal: the entry it names; it may be a withdrawal itself.
    """

    id: UUID
    kind: CorrectionKind
    since_us: int
    until_us: int
    reason: str
    recorded_at: datetime
    quantity: Quantity | None = None
    by_s: float | None = None
    unit: Unit | None = None
    withdraws: UUID | None = None

    @property
    def by_us(self) -> int:
        """What is added to the recorded time [us]; 0 unless a shift."""
        return 0 if self.by_s is None or self.kind != "shift" else round(self.by_s * _US_PER_S)


def in_force(corrections: Iterable[ReadingCorrection]) -> tuple[ReadingCorrection, ...]:
    """Return the entries that hold, oldest first by ``(recorded_at, id)``, without the withdrawals themselves.

    Parameters
    ----------
    corrections
        As recorded, in any order; an entry given twice counts once. A withdrawal can be withdrawn, and what it named
        holds again. One that names a later entry, itself, or nothing that is here does nothing.
    """
    return tuple(entry for entry in _not_withdrawn(corrections) if entry.kind != "withdraw")


def entries_of(corrections: Iterable[ReadingCorrection], quantity: Quantity) -> tuple[ReadingCorrection, ...]:
    """Return the entries in force that speak of one quantity, oldest first."""
    return tuple(entry for entry in in_force(corrections) if entry.quantity in {None, quantity})


def reach_us(corrections: Iterable[ReadingCorrection], *, quantity: Quantity) -> tuple[int, int]:
    """Return by how much to widen a span of time so that every reading a shift moves into it is loaded.

    Returns
    -------
    tuple[int, int]
        What to take off its start and what to add to its end [us]; after :func:`corrected`, cut with
        :meth:`Corrected.within`.
    """
    by_us = [entry.by_us for entry in entries_of(corrections, quantity)]
    return max([0, *by_us]), max([0, *(-by for by in by_us)])


def refuse_correction(correction: ReadingCorrection, *, known: Sequence[ReadingCorrection]) -> None:
    """Refuse an entry that says nothing, or what cannot be.

    Parameters
    ----------
    correction
        The entry about to be recorded.
    known
        Every entry of the same probe on record, withdrawals among them, in any order.

    Raises
    ------
    Invalid
        With a pointer per value: ``/reason``, ``/to``, ``/by_s``, ``/unit``, ``/quantity``, ``/withdraws``.
    """
    errors = [
        FieldError(
            f"/{member}", f"belongs to a {kind!r} entry, and this is a {correction.kind!r}; leave it out"
        )
        for member, kind in _OWNERS.items()
        if getattr(correction, member) is not None and correction.kind != kind
    ]
    if not correction.reason.strip():
        errors.append(FieldError("/reason", "is empty; say in a few words why the readings are corrected"))
    if correction.kind == "withdraw":
        errors += _wrong_withdrawal(correction, known)
    elif correction.until_us <= correction.since_us:
        errors.append(FieldError("/to", "must be later than 'from'; the end itself is not part of the span"))
    if correction.kind == "shift":
        errors += _wrong_shift(correction.by_s)
    if correction.kind == "unit":
        errors += _wrong_unit(correction.unit, correction.quantity)
    if errors:
        raise Invalid(*errors)


def _wrong_shift(by_s: float | None) -> list[FieldError]:
    if by_s is None:
        return [FieldError("/by_s", "is missing; give the seconds to add to the recorded time")]
    if not abs(by_s) <= LONGEST_SHIFT_S:
        return [
            FieldError(
                "/by_s", f"{by_s:g} s is not within ten years, {LONGEST_SHIFT_S:.0f} s; check the date"
            )
        ]
    if round(by_s * _US_PER_S) == 0:
        return [
            FieldError(
                "/by_s", f"{by_s:g} s moves nothing; give the seconds to add, below 0 for a fast clock"
            )
        ]
    return []


def _wrong_unit(unit: Unit | None, quantity: Quantity | None) -> list[FieldError]:
    if unit is None:
        return [FieldError("/unit", "is missing; give the unit the numbers were really told in")]
    if quantity is None:
        return [FieldError("/quantity", "is missing; a unit belongs to one quantity, so name it")]
    if unit not in UNITS_OF[quantity]:
        fits = ", ".join(sorted(one.ucum for one in UNITS_OF[quantity]))
        return [FieldError("/unit", f"{quantity.label} is not told in {unit.ucum}; use {fits}")]
    return []


def _wrong_withdrawal(correction: ReadingCorrection, known: Sequence[ReadingCorrection]) -> list[FieldError]:
    if correction.withdraws is None:
        return [FieldError("/withdraws", "is missing; give the id of the entry that no longer holds")]
    earlier = [entry for entry in known if entry.id != correction.id]
    named = next((entry for entry in earlier if entry.id == correction.withdraws), None)
    if named is None:
        return [
            FieldError("/withdraws", f"{correction.withdraws} is no entry of this probe; look up its entries")
        ]
    if (named.recorded_at, named.id) > (correction.recorded_at, correction.id):
        return [FieldError("/withdraws", f"{named.id} was recorded after this; send it once more")]
    for entry in _not_withdrawn(earlier):
        if entry.withdraws == named.id:
            return [
                FieldError(
                    "/withdraws", f"{named.id} is already withdrawn by {entry.id}; nothing is left to do"
                )
            ]
    return []


def _not_withdrawn(corrections: Iterable[ReadingCorrection]) -> list[ReadingCorrection]:
    """Oldest first, standing withdrawals among them; newest first is the one order in which a single pass will do."""
    distinct = {entry.id: entry for entry in corrections}.values()
    withdrawn: set[UUID] = set()
    standing: list[ReadingCorrection] = []
    for entry in sorted(distinct, key=lambda one: (one.recorded_at, one.id), reverse=True):
        if entry.id in withdrawn:
            continue
        standing.append(entry)
        if entry.kind == "withdraw" and entry.withdraws is not None:
            withdrawn.add(entry.withdraws)
    return standing[::-1]
