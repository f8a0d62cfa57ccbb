"""What a planned line answers: dated tasks with bays and minutes, when piles are ready, which wishes are broken."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from service.domain.lines.stages import Ending, Stage

ASIDE: Final = "set aside"
"""Where a pile stands that has left its bay to cure."""
Task = Literal["build", "turn", "move", "check", "screen"]


@dataclass(frozen=True)
class LineTask:
    """One task on one local date.

    Attributes
    ----------
    date, pile, task, bay
        The bay the pile stands in before the task; for a build the one it is built in.
    to_bay
        Where a turn or a move takes the pile, when it leaves its bay.
    number
        Which of its kind in the pile's life, from 1; a check's is its day of the pile.
    of
        How many turns the pile has in its life; None for other tasks.
    day_of_pile
        Days since the build [d].
    minutes
        Person-minutes.
    reason
        Why it stands there.
    """

    date: dt.date
    pile: str
    task: Task
    bay: str
    to_bay: str | None
    number: int
    of: int | None
    day_of_pile: int
    minutes: int
    reason: str


@dataclass(frozen=True)
class PilePlan:
    """One pile of the line.

    Attributes
    ----------
    name, bay
        Where it stands first.
    build_on, turn_on, hot_until, cured_on, ready_on
        Local dates; ``turn_on`` those still to be done.
    ready_m3
        Finished volume expected, by grade.
    moved_days
        Days by which labour pushed its turns past where pattern and rule have them.
    """

    name: str
    bay: str
    build_on: dt.date
    turn_on: tuple[dt.date, ...]
    hot_until: dt.date
    ready_on: dt.date
    ready_m3: Mapping[str, float]
    moved_days: int


@dataclass(frozen=True)
class Change:
    """A change that would mend a broken wish.

    Attributes
    ----------
    kind
        ``later``, ``extra_day`` (a crew on the dates named), ``extra_bay``, ``extra_pile``, ``material``.
    text
        As a sentence.
    dates, days, kg, piles
        What it takes.
    """

    kind: Literal["later", "extra_day", "extra_bay", "extra_pile", "material"]
    text: str
    dates: tuple[dt.date, ...] = ()
    days: int | None = None
    kg: float | None = None
    piles: int | None = None


@dataclass(frozen=True)
class LineMisfit:
    """A wish that cannot be kept.

    Attributes
    ----------
    wish, kind
        The name of the pile or order, and which of the two it is; a turn of a pile that stands bears the pile's.
    because
        Why.
    short_m3
        Of an order, what is not ready in time.
    changes
        What would mend it, the cheapest first; empty when nothing that was tried does. A repair tries none, for it is
        in a hurry: a plan that is asked for anew does.
    """

    wish: str
    kind: Literal["pile", "order", "turn"]
    because: str
    short_m3: float | None
    changes: tuple[Change, ...]


@dataclass(frozen=True)
class Load:
    """A day's work beside what is counted on of its crew, in person-minutes."""

    date: dt.date
    planned_min: int
    crew_min: int


@dataclass(frozen=True)
class LinePlan:
    """The plan of a line.

    Attributes
    ----------
    state
        ``planned`` when every wish is kept, else ``cannot_be_kept``; there is a plan either way.
    piles, left_out
        Those that are built, and the names of spare ones the wanted volumes do not need.
    tasks
        By date, then bay.
    misfits, loads
        Broken wishes; work by day.
    stages, took_s, ended_by
        How good it is known to be: see :class:`~service.domain.lines.solving.Stage`.
    moves
        What a repair moved, as sentences.
    """

    state: Literal["planned", "cannot_be_kept"]
    piles: tuple[PilePlan, ...]
    left_out: tuple[str, ...]
    tasks: tuple[LineTask, ...]
    misfits: tuple[LineMisfit, ...]
    loads: tuple[Load, ...]
    stages: tuple[Stage, ...]
    took_s: float
    ended_by: Ending
    moves: tuple[str, ...] = ()

    @property
    def gap_pct(self) -> float:
        """The largest gap of the aims that decide, %; see :func:`deciding`."""
        return max((stage.gap_pct for stage in deciding(self.stages)), default=0.0)


def deciding(stages: tuple[Stage, ...]) -> tuple[Stage, ...]:
    """Return the aims that decide: of a repair wishes and promises kept, of a new plan wishes and readiness.

    What comes after them only breaks ties.
    """
    is_repair = any(stage.aim == "promises moved" for stage in stages)
    ties = {"readiness", "busiest day"} if is_repair else {"busiest day"}
    return tuple(stage for stage in stages if stage.aim not in ties)
