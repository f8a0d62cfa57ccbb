"""What people say about readings already taken: entries beside them, never in their place."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.domain.errors import FieldError, Invalid
from service.domain.quantities import UNITS_OF, QualityFlag, Quantity, Unit
from service.domain.readings.checks import flag_by_range

CorrectionKind = Literal["accept", "exclude", "shift", "unit", "withdraw"]

LONGEST_SHIFT_S: Final = 10 * 365.25 * 86_400
"""Ten years; a clock further off than that was never set, and its readings are refused when they come."""

_OWNERS: Final = {"by_s": "shift", "unit": "unit", "withdraws": "withdraw"}
_NOBODY: Final = -1
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


@dataclass(frozen=True, eq=False)
class Columns:
    """Readings of one probe and quantity, as columns.

    Attributes
    ----------
    observed_us
        ``(n,)`` ascending instants [us since 1970-01-01T00:00Z].
    value, unit, flag
        ``(n,)`` as recorded; ``Unit`` and ``QualityFlag`` codes.

    Raises
    ------
    Invalid
        If the columns differ in length or the instants do not ascend.
    """

    observed_us: NDArray[np.int64]
    value: NDArray[np.float64]
    unit: NDArray[np.int16]
    flag: NDArray[np.int16]

    def __post_init__(self) -> None:
        if len({self.observed_us.shape, self.value.shape, self.unit.shape, self.flag.shape}) != 1:
            raise Invalid.field("", "columns differ in length; give one value, unit and flag per instant")
        if bool((self.observed_us[1:] < self.observed_us[:-1]).any()):
            raise Invalid.field("", "instants do not ascend; sort the readings by observed_us")

    def part(self, where: NDArray[np.intp] | slice) -> "Columns":
        """Return some of the readings, in the order asked for."""
        return Columns(self.observed_us[where], self.value[where], self.unit[where], self.flag[where])


@dataclass(frozen=True, eq=False)
class Corrected:
    """Readings as people say they were; as many as were recorded.

    Attributes
    ----------
    columns
        ``(n,)`` ascending again. Numbers are the recorded ones; instants, units and the flags that follow from a
        unit may have moved.
    place
        ``(n,)`` where each stood among the recorded readings.
    excluded, accepted
        ``(n,)`` what a person said of it; never both.
    rival
        ``(n,)`` True for a reading a shift has put on the instant of the one before it here. Both are kept, and who
        needs one per instant leaves these out: what is not excluded goes before what is, then what was recorded at
        that instant before what was moved there, then recorded order.
    entries
        The entries in force for this quantity, oldest first.
    shifted_by, told_by, marked_by
        ``(n,)`` which entry moved it, named its unit, accepted or excluded it: a place in ``entries``, or -1.
    """

    columns: Columns
    place: NDArray[np.intp]
    excluded: NDArray[np.bool_]
    accepted: NDArray[np.bool_]
    rival: NDArray[np.bool_]
    entries: tuple[ReadingCorrection, ...]
    shifted_by: NDArray[np.int32]
    told_by: NDArray[np.int32]
    marked_by: NDArray[np.int32]

    @property
    def touched(self) -> NDArray[np.bool_]:
        """Where any entry holds."""
        return np.maximum(np.maximum(self.shifted_by, self.told_by), self.marked_by) > _NOBODY

    def touching(self, at: int) -> tuple[UUID, ...]:
        """Return the entries that hold for one reading, oldest first."""
        places = {int(column[at]) for column in (self.shifted_by, self.told_by, self.marked_by)}
        return tuple(self.entries[place].id for place in sorted(places - {_NOBODY}))

    def within(self, since_us: int, until_us: int) -> "Corrected":
        """Cut to a half-open span of corrected time; ``place`` still counts among all that were recorded."""
        first, last = np.searchsorted(self.columns.observed_us, (since_us, max(since_us, until_us)), "left")
        cut = slice(int(first), int(last))
        return Corrected(
            self.columns.part(cut),
            self.place[cut],
            self.excluded[cut],
            self.accepted[cut],
            self.rival[cut],
            self.entries,
            self.shifted_by[cut],
            self.told_by[cut],
            self.marked_by[cut],
        )


def in_force(corrections: Iterable[ReadingCorrection]) -> tuple[ReadingCorrection, ...]:
    """Return the entries that hold, oldest first by ``(recorded_at, id)``, without the withdrawals themselves.

    Parameters
    ----------
    corrections
        As recorded, in any order; an entry given twice counts once. A withdrawal can be withdrawn, and what it named
        holds again. One that names a later entry, itself, or nothing that is here does nothing.
    """
    newest_first = sorted(
        {entry.id: entry for entry in corrections}.values(),
        key=lambda entry: (entry.recorded_at, entry.id),
        reverse=True,
    )
    withdrawn: set[UUID] = set()
    holding: list[ReadingCorrection] = []
    for entry in newest_first:
        if entry.id in withdrawn:
            continue
        if entry.kind != "withdraw":
            holding.append(entry)
        elif entry.withdraws is not None:
            withdrawn.add(entry.withdraws)
    return tuple(reversed(holding))


def corrected(columns: Columns, corrections: Iterable[ReadingCorrection], *, quantity: Quantity) -> Corrected:
    """Lay what people said over recorded readings.

    An entry speaks of the readings *recorded* in its span, whatever another entry moved them to. Of several that say
    different things about one reading the latest wins: shifts do not add up, and accepting lifts an earlier
    exclusion. A shift vouches for nothing: a reading whose clock was doubted counts once it is accepted.

    Parameters
    ----------
    columns
        Readings of one probe and quantity, as recorded.
    corrections
        Entries of that probe in any order; those of other quantities are left out.

    Returns
    -------
    Corrected
        With no entry in force, the columns as they were.
    """
    entries = _of(quantity, corrections)
    shifted_by, told_by, marked_by = (
        _latest(columns.observed_us, entries, kinds) for kinds in ({"shift"}, {"unit"}, {"accept", "exclude"})
    )
    by_us = np.array([0 if entry.by_s is None else round(entry.by_s * _US_PER_S) for entry in entries] + [0])
    observed_us = columns.observed_us + by_us.astype(np.int64)[shifted_by]
    unit, flag = _retold(columns, entries, told_by, quantity)
    accepts = np.array([entry.kind == "accept" for entry in entries] + [False])[marked_by]
    excluded = (marked_by > _NOBODY) & ~accepts
    place = np.lexsort((shifted_by > _NOBODY, excluded, observed_us))
    observed_us = observed_us[place]
    return Corrected(
        Columns(observed_us, columns.value[place], unit[place], flag[place]),
        place,
        excluded[place],
        (accepts & (columns.flag != QualityFlag.MISSING))[place],
        np.diff(observed_us, prepend=observed_us[:1] - 1) == 0,
        entries,
        shifted_by[place],
        told_by[place],
        marked_by[place],
    )


def reach_us(corrections: Iterable[ReadingCorrection], *, quantity: Quantity) -> tuple[int, int]:
    """Return by how much to widen a span of time so that every reading a shift moves into it is loaded.

    Returns
    -------
    tuple[int, int]
        What to take off its start and what to add to its end [us]; after :func:`corrected`, cut with
        :meth:`Corrected.within`.
    """
    by_us = [round(e.by_s * _US_PER_S) for e in _of(quantity, corrections) if e.by_s is not None]
    return max(0, *by_us, 0), max(0, *(-by for by in by_us), 0)


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
        FieldError(f"/{member}", f"belongs to a {kind!r} entry, and this is a {correction.kind!r}; leave it out")
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
        return [FieldError("/by_s", f"{by_s:g} s is more than ten years, {LONGEST_SHIFT_S:.0f} s; check the date")]
    if round(by_s * _US_PER_S) == 0:
        return [FieldError("/by_s", f"{by_s:g} s moves nothing; give the seconds to add, below 0 for a fast clock")]
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


def _wrong_withdrawal(
    correction: ReadingCorrection, known: Sequence[ReadingCorrection]
) -> list[FieldError]:
    if correction.withdraws is None:
        return [FieldError("/withdraws", "is missing; give the id of the entry that no longer holds")]
    earlier = [entry for entry in known if entry.id != correction.id]
    named = next((entry for entry in earlier if entry.id == correction.withdraws), None)
    if named is None:
        return [FieldError("/withdraws", f"{correction.withdraws} is no entry of this probe; look up its entries")]
    if (named.recorded_at, named.id) > (correction.recorded_at, correction.id):
        return [FieldError("/withdraws", f"{named.id} was recorded after this; send it once more")]
    for entry in _standing_withdrawals(earlier):
        if entry.withdraws == named.id:
            return [FieldError("/withdraws", f"{named.id} is already withdrawn by {entry.id}; nothing is left to do")]
    return []
