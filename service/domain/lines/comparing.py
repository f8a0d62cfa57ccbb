"""Two plans of one line held against each other: what moved, what is new, what is gone, and why."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Kept = Mapping[str, Any]
"""A task as :mod:`service.domain.lines.document` keeps it."""


@dataclass(frozen=True)
class TaskMoved:
    """A task that both plans have, at another date or place."""

    pile: str
    task: str
    number: int
    from_date: str
    to_date: str
    from_bay: str
    to_bay: str
    because: str


@dataclass(frozen=True)
class TaskChanged:
    """A task that only one of the plans has."""

    pile: str
    task: str
    number: int
    date: str
    bay: str
    because: str


@dataclass(frozen=True)
class PlanChanges:
    """What a later plan does otherwise than an earlier one."""

    moved: tuple[TaskMoved, ...]
    new: tuple[TaskChanged, ...]
    gone: tuple[TaskChanged, ...]
    unchanged: int


def compared(
    before: Sequence[Kept], after: Sequence[Kept], *, made_on: str, because: str | None
) -> PlanChanges:
    """Compare two plans' tasks; checks are left out, for they follow from the rest.

    Parameters
    ----------
    before, after
        The tasks of the earlier and of the later plan.
    made_on
        The local date on which the later one was made; what lay before it is past and not gone.
    because
        What made the later one necessary.
    """
    was, now = _by_identity(before), _by_identity(after)
    both = [(was[key], now[key]) for key in was if key in now]
    moved = [
        pair for pair in both if any(pair[0][name] != pair[1][name] for name in ("date", "bay", "to_bay"))
    ]
    piles = {one["pile"] for one in after}
    return PlanChanges(
        tuple(_moved(*pair, because) for pair in moved),
        tuple(_only(one, one["reason"]) for key, one in now.items() if key not in was),
        tuple(
            _only(one, _why_gone(one, piles))
            for key, one in was.items()
            if key not in now and one["date"] >= made_on
        ),
        len(both) - len(moved),
    )


def _by_identity(tasks: Sequence[Kept]) -> dict[tuple[str, str, int], Kept]:
    return {(one["pile"], one["task"], one["number"]): one for one in tasks if one["task"] != "check"}


def _moved(was: Kept, now: Kept, because: str | None) -> TaskMoved:
    why = now["reason"] if because is None else f"{because}; {now['reason']}"
    return TaskMoved(
        now["pile"], now["task"], now["number"], was["date"], now["date"], was["bay"], now["bay"], why
    )


def _only(one: Kept, because: str) -> TaskChanged:
    return TaskChanged(one["pile"], one["task"], one["number"], one["date"], one["bay"], because)


def _why_gone(one: Kept, piles: set[str]) -> str:
    if one["pile"] not in piles:
        return f"{one['pile']} is not in the later plan: it is done with, or nothing wanted needs it"
    return "done already, or no longer needed"
