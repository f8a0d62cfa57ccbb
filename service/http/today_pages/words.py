"""A day and its items as a phone's page says them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from service.domain.today import Item
from service.operations.today_list import TodayList

_URGENCY: Final = {"now": "Now", "today": "Must be today", "planned": "Planned", "can_wait": "Can wait"}


@dataclass(frozen=True)
class Card:
    """An item in words."""

    id: str
    name: str
    urgency: str
    urgency_words: str
    minutes: int | None
    where: str
    why: Sequence[str]
    deadline: str
    held: str | None
    first: str
    waits: str
    mind: str
    remedies: Sequence[str]
    cautions: Sequence[str]
    tools: str
    look_for: Sequence[str]
    record: Sequence[str]
    done: str


@dataclass(frozen=True)
class Page:
    """A day in words."""

    site: str
    crew: str | None
    zone: str
    date: str
    fit_text: str
    open: Sequence[Card]
    done: Sequence[Card]
    notes: Sequence[str]


def page_of(told: TodayList) -> Page:
    """Return a day's page."""
    day = told.day
    waits = {one.id: one.text for one in told.fit.waits}
    names = {one.id: _name(one) for one in told.items}
    cards = [(one, card_of(one, day.zone, waits.get(one.id, ""), names)) for one in told.items]
    return Page(
        site=day.site.name,
        crew=day.crew,
        zone=day.site.time_zone,
        date=f"{day.on:%A %d %B}",
        fit_text=told.fit.text,
        open=[card for one, card in cards if one.done is None],
        done=[card for one, card in cards if one.done is not None],
        notes=list(told.notes),
    )


def card_of(item: Item, zone: ZoneInfo, waits: str = "", names: dict[str, str] | None = None) -> Card:
    """Return one item in words."""
    practice = item.practice
    before = [(names or {}).get(one, "") for one in item.after]
    where = "" if item.bay is None else _bay(item.bay)
    if item.to_bay is not None and item.to_bay != item.bay:
        where += f", goes to {_bay(item.to_bay)}"
    return Card(
        id=item.id,
        name=_name(item),
        urgency=item.urgency,
        urgency_words=_URGENCY[item.urgency],
        minutes=item.minutes,
        where=_begun(where),
        why=[_begun(one) for one in item.why],
        deadline="" if item.lost_at is None else f"Before {_clock(item.lost_at, zone)}.",
        held=item.held,
        first=f"First: {', '.join(one for one in before if one)}." if any(before) else "",
        waits=waits,
        mind=", ".join(one.name for one in practice.cautions if one.name != "local"),
        remedies=item.remedies,
        cautions=[one.text for one in practice.cautions],
        tools=_sentence(practice.tools),
        look_for=practice.look_for,
        record=practice.record,
        done="" if item.done is None else _done(item, zone),
    )


def _name(item: Item) -> str:
    return f"{item.practice.title}: {item.pile}"


def _done(item: Item, zone: ZoneInfo) -> str:
    assert item.done is not None
    by = f", by {item.done.crew}" if item.done.crew else ""
    return f"{_clock(item.done.at, zone)}{by}"


def _clock(at: datetime, zone: ZoneInfo) -> str:
    return f"{at.astimezone(zone):%H:%M on %A %d %B}"


def _sentence(words: Sequence[str]) -> str:
    return _begun(", ".join(words))


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def _bay(label: str) -> str:
    """Return a bay as it is said: a bare number is no name."""
    return label if any(letter.isalpha() for letter in label) else f"bay {label}"
