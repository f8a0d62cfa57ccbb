"""In which order a crew does the day's work, and why in that one."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from service.domain.today.items import MUST, Item
from service.domain.today.practice import Task

_RANK: Final[dict[Task, int]] = {
    "keep_away": 0,
    "cool": 0,
    "turn": 2,
    "move": 3,
    "mend": 4,
    "build": 5,
    "read": 6,
    "probe": 6,
    "check": 7,
    "screen": 8,
}
_PLACE: Final = (
    "Safety comes first.",
    "A rule or the pile loses something if it waits until the next visit.",
    "Turns, the hottest pile first, then the oldest.",
    "Moves free the bays.",
    "A pile that stalls, dries or sours is put right before anything new is built.",
    "Builds, once there is room.",
    "Readings and probes.",
    "Checks.",
    "Screening: nothing is lost if it waits.",
)
_COLD: Final = -273.15
_NO_DATE: Final = float("inf")


def in_order(items: Sequence[Item]) -> list[Item]:
    """Sort a day's items: safety, what a rule needs, turns, moves, mending, builds, readings, checks, screening.

    A task that needs an empty bay comes after the one that empties it. What is held or done stands last, in that
    order. The order is the same however the items come.

    Parameters
    ----------
    items
        Of all piles; ids are unique.

    Returns
    -------
    list[Item]
        With ``place`` and ``after`` filled in.
    """
    ranked = [replace(one, place=_PLACE[_rank(one)]) for one in sorted(items, key=_key)]
    opened = [one for one in ranked if one.is_open]
    held = [one for one in ranked if one.done is None and one.held is not None]
    done = sorted((one for one in ranked if one.done is not None), key=_when_done)
    return [*_bays_emptied_first(opened), *held, *done]


def _rank(item: Item) -> int:
    rank = _RANK[item.task]
    return 1 if rank > 1 and item.urgency in MUST else rank


def _key(item: Item) -> tuple[object, ...]:
    hottest_c = _COLD if item.hottest_c is None else item.hottest_c
    age_days = -1.0 if item.age_days is None else item.age_days
    lost_at = _NO_DATE if item.lost_at is None else item.lost_at.timestamp()
    fire = item.task != "keep_away"
    due = _NO_DATE if item.due is None else item.due.toordinal()
    rank = _rank(item)
    return (
        rank,
        fire if rank == 0 else False,
        lost_at if rank == 1 else 0.0,
        -hottest_c,
        -age_days,
        due,
        item.pile,
        _RANK[item.task],
        item.id,
    )


def _when_done(item: Item) -> tuple[object, ...]:
    assert item.done is not None
    return item.done.at, item.pile, item.id


def _needs_empty(item: Item) -> str | None:
    """Return the bay that has to be empty before an item can be done."""
    if item.task == "build":
        return item.bay
    return item.to_bay if item.to_bay != item.bay else None


def _bays_emptied_first(items: Sequence[Item]) -> list[Item]:
    """Put what leaves a bay before what needs it; piles that would change places keep the order they came in."""
    leaves = {
        one.bay: one
        for one in reversed(items)
        if one.bay is not None and one.to_bay not in {None, one.bay} and one.task != "build"
    }
    placed: dict[str, Item] = {}
    for one in items:
        _place(one, leaves, placed, frozenset())
    return list(placed.values())


def _place(item: Item, leaves: dict[str, Item], placed: dict[str, Item], path: frozenset[str]) -> None:
    if item.id in placed or item.id in path:
        return
    bay = _needs_empty(item)
    before = None if bay is None else leaves.get(bay)
    after: tuple[str, ...] = ()
    if before is not None and before.id != item.id and before.pile != item.pile:
        is_pulled = before.id not in placed
        _place(before, leaves, placed, path | {item.id})
        if before.id in placed:
            after = (before.id,)
            if is_pulled:
                words = f"Before {item.practice.title.lower()} {item.pile}: {bay} has to be empty for it."
                placed[before.id] = replace(placed[before.id], place=words)
    placed[item.id] = replace(item, after=after)
