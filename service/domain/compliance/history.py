"""What was recorded of one pile, as a verdict needs it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from service.domain.compliance.instants import to_us
from service.domain.compliance.samples import Sample, wrong_figures
from service.domain.compliance.series import Series
from service.domain.errors import FieldError, Invalid


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """What was recorded of one pile.

    Attributes
    ----------
    series
        One per position, in any order; build them from plain readings with :func:`.series_of`.
    turns
        Aware times of whole-pile turnings, in any order.
    restarts
        Aware times at which fresh material was added; nothing before the last one counts.
    initial_carbon_nitrogen_ratio
        Of the mix at the start, from recipe or laboratory; None if not on record.
    cured_days
        Days of curing on record [d]; None if there is no curing record.
    duties_recorded
        Names of the duties for which a record exists.
    required_positions
        Positions that must all be hot; None for every position seen.
    closed
        True when the process has ended and no more heat can come.
    samples, measures, method
        Laboratory samples; other figures by name, unit included, such as ``cover_thickness_cm``; the way of composting,
        None if not on record.
    planned_turns
        Aware times at which the schedule means to turn; only used to look ahead.
    moves
        Aware times at which the pile was moved, screened or otherwise handled as a whole without being turned; only
        used so that the fall it causes is not taken for a turning nobody recorded.
    averaged_by
        The plan or authority that lets the mean of all positions govern in place of the coldest; None otherwise.
    parents
        What the material was before: the piles put onto this one, or the one it was split from.
    stood_alone
        False if there was no pile of its own before the parents came together, as with a split.

    Raises
    ------
    Invalid
        If a position comes twice, or a figure is impossible.
    """

    series: tuple[Series, ...] = ()
    turns: tuple[datetime, ...] = ()
    restarts: tuple[datetime, ...] = ()
    initial_carbon_nitrogen_ratio: float | None = None
    cured_days: float | None = None
    duties_recorded: frozenset[str] = frozenset()
    required_positions: frozenset[str] | None = None
    closed: bool = False
    samples: tuple[Sample, ...] = ()
    measures: Mapping[str, float] = field(default_factory=dict)
    method: str | None = None
    planned_turns: tuple[datetime, ...] = ()
    moves: tuple[datetime, ...] = ()
    averaged_by: str | None = None
    parents: tuple["Parent", ...] = ()
    stood_alone: bool = True
    turns_us: tuple[int, ...] = field(init=False)
    restarts_us: tuple[int, ...] = field(init=False)
    planned_turns_us: tuple[int, ...] = field(init=False)
    moves_us: tuple[int, ...] = field(init=False)

    def __post_init__(self) -> None:
        names = [series.position for series in self.series]
        errors = [
            FieldError("/series", f"position {name!r} comes twice; give all its readings in one series")
            for name in sorted({name for name in names if names.count(name) > 1})
        ]
        ratio, cured = self.initial_carbon_nitrogen_ratio, self.cured_days
        if ratio is not None and not (math.isfinite(ratio) and ratio > 0):
            errors.append(
                FieldError(
                    "/initial_carbon_nitrogen_ratio",
                    f"{ratio} is not a ratio; give carbon per nitrogen, above 0",
                )
            )
        if cured is not None and not (math.isfinite(cured) and cured >= 0):
            errors.append(
                FieldError("/cured_days", f"{cured} is not a number of days; give 0 or more, or null")
            )
        errors += wrong_figures("/measures", self.measures)
        for place, sample in enumerate(self.samples):
            to_us(sample.taken_at, f"/samples/{place}/taken_at")
            errors += wrong_figures(f"/samples/{place}/figures", sample.figures)
        if errors:
            raise Invalid(*errors)
        for name in ("turns", "restarts", "planned_turns", "moves"):
            moments = {to_us(at, f"/{name}/{i}") for i, at in enumerate(getattr(self, name))}
            object.__setattr__(self, f"{name}_us", tuple(sorted(moments)))


@dataclass(frozen=True, slots=True, eq=False)
class Parent:
    """A pile whose material is in this one.

    Attributes
    ----------
    name
        What to call it in a verdict.
    history
        Its own record, with its own parents.
    until
        Aware time from which its material is in this pile.

    Notes
    -----
    Every part of a batch must have met a rule. So each parent's record is followed into this pile on its own, and
    the least advanced governs; a pile with one parent, split from it, takes the parent's record along.
    """

    name: str
    history: History
    until: datetime
