"""What stands on a day's list, and what it is made from."""

import datetime as dt
from dataclasses import dataclass, field
from typing import Final, Literal
from uuid import UUID

from service.domain.today.practice import PRACTICE, Practice, Severity, Task

Urgency = Literal["now", "today", "planned", "can_wait"]
Risked = Literal["gap", "regain", "recovery", "turn_window"]
MUST: Final[frozenset[Urgency]] = frozenset({"now", "today"})
"""What is done today however short the day is."""


@dataclass(frozen=True)
class Sign:
    """What a pile shows: ``text`` names the number, ``remedy`` what to do about it."""

    code: str
    severity: Severity
    text: str
    remedy: str
    position: str | None = None


@dataclass(frozen=True)
class Stake:
    """What a rule, by its title, loses at ``at`` unless something is done; ``text`` says what."""

    rule: str
    what: Risked
    at: dt.datetime
    text: str
    position: str | None = None


@dataclass(frozen=True)
class Done:
    """Who did it and when; the event is unknown where only the plan says that it was done."""

    at: dt.datetime
    crew: str | None
    event_id: UUID | None


@dataclass(frozen=True)
class Due:
    """A task that a plan has on a date.

    Attributes
    ----------
    id
        Of the item.
    task, due, minutes
        What, on which local date, how many person-minutes [min]; None when not known.
    reason
        Why the plan has it there.
    bay, to_bay
        Where the pile stands and where it goes, if it leaves its bay.
    """

    id: str
    task: Task
    due: dt.date
    minutes: int | None
    reason: str
    bay: str | None = None
    to_bay: str | None = None
    done: Done | None = None


@dataclass(frozen=True)
class PileToday:
    """One pile and all that asks for work at it.

    Attributes
    ----------
    pile_id
        None while it is only planned.
    label, bay
        As the crew calls them.
    hottest_c, age_days
        The latest sound readings' highest [Cel]; since the build [d]. None when not known.
    due, signs, stakes
        What asks for work.
    """

    pile_id: UUID | None
    label: str
    bay: str | None = None
    hottest_c: float | None = None
    age_days: float | None = None
    due: tuple[Due, ...] = ()
    signs: tuple[Sign, ...] = ()
    stakes: tuple[Stake, ...] = ()


@dataclass(frozen=True)
class Item:
    """One thing to do at one pile.

    Attributes
    ----------
    id
        The planned task's, or one made of date, task and pile, the same however often it is asked for.
    why
        Why today, in words, the gravest first.
    minutes
        Person-minutes [min]; None when not known.
    urgency
        ``now``: people or the pile are in danger. ``today``: a rule or the pile loses something before the next
        visit. ``planned``: the plan has it. ``can_wait``: nothing is lost.
    lost_at
        When a rule loses what it has, if it does.
    due
        The date the plan has it on.
    positions
        Places in the pile it is about.
    remedies
        What to do, where a sign says it.
    after
        Ids of the items that must be done before it.
    place
        Why it stands where it stands.
    held
        Why it must not be done now; None when it may.
    """

    id: str
    task: Task
    pile_id: UUID | None
    pile: str
    bay: str | None
    to_bay: str | None
    why: tuple[str, ...]
    minutes: int | None
    urgency: Urgency
    hottest_c: float | None = None
    age_days: float | None = None
    lost_at: dt.datetime | None = None
    due: dt.date | None = None
    positions: tuple[str, ...] = ()
    remedies: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    place: str = ""
    held: str | None = None
    done: Done | None = field(default=None)

    @property
    def practice(self) -> Practice:
        """How the task is done."""
        return PRACTICE[self.task]

    @property
    def is_open(self) -> bool:
        """Whether it is still to be done, and may be."""
        return self.done is None and self.held is None


def made_id(on: dt.date, task: Task, pile_id: UUID) -> str:
    """Return the id of what no plan has: the same for a day, task and pile, however often the list is asked for."""
    return f"{on.isoformat()}.{task}.{pile_id.hex}"


def read_id(item_id: str) -> tuple[dt.date, Task, UUID] | None:
    """Return date, task and pile of an id that :func:`made_id` made; None for any other text."""
    parts = item_id.split(".")
    if len(parts) != 3:  # noqa: PLR2004 - date, task, pile
        return None
    task = next((one for one in PRACTICE if one == parts[1]), None)
    try:
        on, pile_id = dt.date.fromisoformat(parts[0]), UUID(hex=parts[2])
    except ValueError:
        return None
    if task is None or made_id(on, task, pile_id) != item_id:
        return None
    return on, task, pile_id
