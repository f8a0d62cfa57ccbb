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
    was, now = _by_day(before, after)
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


Named = dict[tuple[str, str, int], Kept]


def _by_day(before: Sequence[Kept], after: Sequence[Kept]) -> tuple[Named, Named]:
    """Name tasks so that those of the same pile, kind and day are one, and of the others those that follow in order.

    A turn that was missed makes each one after it another of the pile's turns: to a crew these days keep theirs.
    """
    was: Named = {}
    now: Named = {}
    of_kind: dict[tuple[str, str], tuple[list[Kept], list[Kept]]] = {}
    for side, tasks in enumerate((before, after)):
        for one in tasks:
            if one["task"] != "check":
                of_kind.setdefault((one["pile"], one["task"]), ([], []))[side].append(one)
    for (pile, task), (old, new) in of_kind.items():
        days = {one["date"] for one in old} & {one["date"] for one in new}
        for named, mine in ((was, old), (now, new)):
            kept = sorted((one for one in mine if one["date"] in days), key=_date)
            others = sorted((one for one in mine if one["date"] not in days), key=_date)
            named |= {(pile, task, number): one for number, one in enumerate(kept)}
            named |= {(pile, task, -1 - number): one for number, one in enumerate(others)}
    return was, now


def _date(one: Kept) -> str:
    return str(one["date"])


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
