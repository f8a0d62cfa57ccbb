"""How well a site keeps the days it plans, with how little that may be known from, for people and for the planner."""

import datetime as dt
import statistics
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

from service.domain.schedules.work_days import WEEKDAYS, weekday_of

CONFIDENCE: Final = 0.95
PRIOR_KEPT: Final = 10
"""Turns done by their day that are taken to have been seen before any was (common practice, no source)."""


@dataclass(frozen=True)
class PlannedTurn:
    """A planned turn of which it is known what became of it.

    Attributes
    ----------
    on
        The local date it was planned on.
    crew
        Whose it was; None where no crew was named.
    late_days
        Days from its day to the one it was done on [d], negative if early; None if nobody did it.
    """

    on: dt.date
    crew: str | None
    late_days: int | None

    @property
    def is_by_its_day(self) -> bool:
        """Whether it was done on its day or before."""
        return self.late_days is not None and self.late_days <= 0


@dataclass(frozen=True)
class Tally:
    """Planned turns counted by what became of them.

    Attributes
    ----------
    planned
        All of them.
    kept, early, late, missed
        Done on the day, before it, after it, and not done; together ``planned``.
    kept_share, kept_share_low, kept_share_high
        ``kept / planned``, and the interval that leaves out the true share in one of twenty such cases; None when
        nothing was planned.
    median_late_days
        Over those that were done [d]; None when none was.
    """

    planned: int
    kept: int
    early: int
    late: int
    missed: int
    kept_share: float | None
    kept_share_low: float | None
    kept_share_high: float | None
    median_late_days: float | None


def tally(turns: Iterable[PlannedTurn]) -> Tally:
    """Count turns by what became of them.

    References
    ----------
    [1] E. B. Wilson, Probable inference, the law of succession, and statistical inference, J. Am. Stat. Assoc. 22
        (1927) 209-212: the score interval; by scipy.
    """
    from scipy import stats  # noqa: PLC0415 - slow to load, and seldom needed

    late = [turn.late_days for turn in turns]
    done = [days for days in late if days is not None]
    kept = done.count(0)
    low = high = None
    if late:
        interval = stats.binomtest(kept, len(late)).proportion_ci(CONFIDENCE, method="wilson")
        low, high = float(interval.low), float(interval.high)
    return Tally(
        planned=len(late),
        kept=kept,
        early=sum(days < 0 for days in done),
        late=sum(days > 0 for days in done),
        missed=len(late) - len(done),
        kept_share=kept / len(late) if late else None,
        kept_share_low=low,
        kept_share_high=high,
        median_late_days=statistics.median(done) if done else None,
    )


def expected_share(by_their_day: int, planned: int) -> float:
    """Return the share of turns a planner should expect to be done by their day.

    The mean of a Beta-binomial with the prior Beta(10, 0), the limit of Beta(10, b) for b towards 0: a site of which
    nothing is known is believed, and a single miss cannot move the expectation below 10/11.

    Parameters
    ----------
    by_their_day, planned
        Turns done on their day or before, of all planned ones that are over.

    Notes
    -----
    The prior's weight is common practice, no source.
    """
    return (PRIOR_KEPT + by_their_day) / (PRIOR_KEPT + planned)


def expected_shares(turns: Iterable[PlannedTurn]) -> dict[str, float]:
    """Return, for each weekday from ``mon`` to ``sun``, the share of turns to expect to be done by their day."""
    by_weekday = grouped(turns, lambda turn: weekday_of(turn.on))
    return {
        word: expected_share(sum(turn.is_by_its_day for turn in some), len(some))
        for word in WEEKDAYS
        for some in [by_weekday.get(word, ())]
    }


Key = TypeVar("Key")


def grouped(
    turns: Iterable[PlannedTurn], key: Callable[[PlannedTurn], Key]
) -> Mapping[Key, Sequence[PlannedTurn]]:
    """Return turns by a key of theirs."""
    found: dict[Key, list[PlannedTurn]] = defaultdict(list)
    for turn in turns:
        found[key(turn)].append(turn)
    return found
