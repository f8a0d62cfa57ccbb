"""Recorded readings with what people said of them laid over."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.domain.errors import Invalid
from service.domain.quantities import QualityFlag, Quantity
from service.domain.readings.corrections import ReadingCorrection, entries_of
from service.domain.readings.quality import flag_anew, primary

_NOBODY: Final = -1


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

    def part(self, where: slice) -> "Columns":
        """Return some of the readings."""
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
    entries = entries_of(corrections, quantity)
    if not entries:
        return _as_recorded(columns)
    shifted_by, told_by, marked_by = (
        _latest(columns.observed_us, entries, kinds) for kinds in ({"shift"}, {"unit"}, {"accept", "exclude"})
    )
    # Nobody is -1, so the last element of each look-up answers for readings no entry speaks of.
    by_us = np.array([entry.by_us for entry in entries] + [0], np.int64)
    observed_us = columns.observed_us + by_us[shifted_by]
    unit, flag = _retold(columns, entries, told_by, quantity)
    accepts = np.array([entry.kind == "accept" for entry in entries] + [False])[marked_by]
    excluded = (marked_by > _NOBODY) & ~accepts
    place = np.lexsort((shifted_by > _NOBODY, excluded, observed_us))
    observed_us = observed_us[place]
    return Corrected(
        Columns(observed_us, columns.value[place], unit[place], flag[place]),
        place,
        excluded[place],
        (accepts & (primary(columns.flag) != QualityFlag.MISSING))[place],
        np.diff(observed_us, prepend=observed_us[:1] - 1) == 0,
        entries,
        shifted_by[place],
        told_by[place],
        marked_by[place],
    )


def _as_recorded(columns: Columns) -> Corrected:
    """Nearly every series is this; sorting it all the same took as long as a third of all tests over it."""
    no, nobody = (
        np.zeros(columns.value.shape, np.bool_),
        np.full(columns.value.shape, _NOBODY, np.int32),
    )
    rival = np.diff(columns.observed_us, prepend=columns.observed_us[:1] - 1) == 0
    place = np.arange(columns.value.size)
    return Corrected(columns, place, no, no, rival, (), nobody, nobody, nobody)


def _latest(
    observed_us: NDArray[np.int64], entries: Sequence[ReadingCorrection], kinds: set[str]
) -> NDArray[np.int32]:
    """Place of the last entry of some kinds that speaks of each reading; -1 where none does."""
    latest = np.full(observed_us.shape, _NOBODY, np.int32)
    for place, entry in enumerate(entries):
        if entry.kind in kinds:
            first, last = np.searchsorted(observed_us, (entry.since_us, entry.until_us), "left")
            latest[first:last] = place
    return latest


def _retold(
    columns: Columns, entries: Sequence[ReadingCorrection], told_by: NDArray[np.int32], quantity: Quantity
) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
    """Units as people say, and the flags of numbers whose unit moved.

    The stored flag may rest on the unit that was wrong. Where the gross range explains it, it is made anew from the
    right unit; where another check said more, the worse of the two stays until a person accepts the reading.
    """
    meant = np.array([entry.unit or 0 for entry in entries] + [0], np.int16)[told_by]
    unit = np.where(meant > 0, meant, columns.unit)
    moved = unit != columns.unit
    if not moved.any():
        return columns.unit, columns.flag
    what = np.full(unit.shape, quantity, np.int16)
    anew = flag_anew(columns.flag, what, columns.value, recorded_unit=columns.unit, unit=unit)
    return unit, np.where(moved, anew, columns.flag)
