"""Whether a day's work fits the crew's minutes, and what falls off when it does not."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from service.domain.today.items import MUST, Item


@dataclass(frozen=True)
class Waits:
    """What falls off a short day: until when it waits, and what that costs."""

    id: str
    text: str


@dataclass(frozen=True)
class Fit:
    """A day's work beside the crew's time.

    Attributes
    ----------
    state
        ``fits``; ``short``: something waits; ``too_short``: not even what must be done fits; ``no_crew``: nobody is
        on the calendar that day.
    crew_min, needed_min, must_min, spent_min
        Person-minutes: the crew's, of all that is open, of what must not wait, of what is done [min].
    without_minutes
        How many open items nobody knows the minutes of; they are not counted.
    text
        The same as a sentence.
    waits, must
        What falls off, the first to wait first; and the ids of what may not.
    """

    state: Literal["fits", "short", "too_short", "no_crew"]
    crew_min: int
    needed_min: int
    must_min: int
    spent_min: int
    without_minutes: int
    text: str
    waits: tuple[Waits, ...]
    must: tuple[str, ...]


def fit(items: Sequence[Item], crew_min: int, *, on: dt.date, next_crew_day: dt.date | None) -> Fit:
    """Fit a day's items into the crew's time: what must not wait first, then the others in their order.

    An item too long for what is left waits, and a shorter one after it may still fit; what needs a bay that is not
    emptied waits with it.

    Parameters
    ----------
    items
        In order, with ``after`` filled in.
    crew_min
        Person-minutes of the crew that day [min]; 0 when nobody comes.
    on, next_crew_day
        The local date, and when somebody comes next; None when nobody knows.
    """
    opened = [one for one in items if one.is_open]
    must = _must(opened)
    spent = sum(one.minutes or 0 for one in items if one.done is not None)
    needed = sum(one.minutes or 0 for one in opened)
    must_min = sum(one.minutes or 0 for one in opened if one.id in must)
    left = crew_min - spent - must_min
    waiting: list[Item] = []
    for one in opened:
        if one.id in must:
            continue
        waits_for = {other.id for other in waiting} & set(one.after)
        if waits_for or (one.minutes or 0) > left or crew_min == 0:
            waiting.append(one)
        else:
            left -= one.minutes or 0
    state: Literal["fits", "short", "too_short", "no_crew"] = "fits"
    if crew_min == 0:
        state = "no_crew"
    elif must_min > crew_min - spent:
        state = "too_short"
    elif waiting:
        state = "short"
    until = _until(on, next_crew_day)
    return Fit(
        state,
        crew_min,
        needed,
        must_min,
        spent,
        sum(one.minutes is None for one in opened),
        _text(state, crew_min - spent, needed, must_min, len(opened), len(waiting)),
        tuple(Waits(one.id, f"May wait {until}. {one.practice.if_it_waits}") for one in reversed(waiting)),
        tuple(one.id for one in opened if one.id in must),
    )


def _must(opened: Sequence[Item]) -> set[str]:
    """Return what must not wait, and what has to make room for it."""
    must = {one.id for one in opened if one.urgency in MUST}
    for one in reversed(opened):
        if one.id in must:
            must |= set(one.after)
    return must


def _until(on: dt.date, next_crew_day: dt.date | None) -> str:
    if next_crew_day is None:
        return "until a crew comes again; no day is on the calendar"
    days = (next_crew_day - on).days
    return f"until {next_crew_day:%A %d %B}, " + ("the next day" if days == 1 else f"{days} days on")


def _text(state: str, left: int, needed: int, must_min: int, opened: int, waiting: int) -> str:
    if not opened:
        return "Nothing is left to do."
    if state == "no_crew":
        return (
            f"Nobody is on the calendar today. {needed} minutes of work stand here; {must_min} must not wait."
        )
    if state == "fits":
        return f"All of it fits: {needed} of {left} minutes."
    if state == "too_short":
        return (
            f"What must be done today takes {must_min} minutes and there are {max(0, left)}: get help, or ask the site"
            " lead what to leave."
        )
    things = "thing waits" if waiting == 1 else "things wait"
    return f"{needed} minutes of work and {left} minutes of crew: {waiting} {things}."
