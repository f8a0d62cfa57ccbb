"""A site's line as it is to be planned: what was wished for, laid over what is on record."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, Final

from service.domain.calendars import crew_minutes
from service.domain.lines.crews import CrewThere
from service.domain.lines.request import Arrival, Bay, LineRequest, Order, PileWish, Work
from service.domain.schedules import TurnConstraint, read_pattern
from service.domain.turning_demands import turn_constraint
from service.storage.lines import LineFacts, PileThere

PAST_HORIZON_DAYS: Final = 200
"""Crew days looked at after the last build day: turning, curing and screening of the last pile."""
_JOINED_VOLUME_M3: Final = 1.0

Wish = Mapping[str, Any]
"""What was wished for, as :mod:`service.operations.plan_wishes` settles it."""


@dataclass(frozen=True)
class Composed:
    """A request with who is there each day, and what was assumed on the way."""

    request: LineRequest
    crews: Mapping[date, tuple[CrewThere, ...]]
    notes: tuple[str, ...] = ()


@dataclass
class _Composing:
    """A request on its way."""

    wish: Wish
    facts: LineFacts
    soon: Mapping[str, str]
    arrivals: Sequence[Arrival]
    notes: list[str] = field(default_factory=list)


def compose(
    wish: Wish, facts: LineFacts, arrivals: Sequence[Arrival], *, soon: Mapping[str, str] | None = None
) -> Composed:
    """Return a site's request as things stand.

    Parameters
    ----------
    wish
        Settled; its piles that were built since stand now, those that are over are left out.
    arrivals
        Feedstock that is there or will come.
    soon
        By label, why a pile is to be turned as soon as a crew can.
    """
    doing = _Composing(wish, facts, soon or {}, arrivals)
    first = facts.today
    last = max(_must_be_day(wish["last"]), first)
    days = (last - first).days + 1
    until = last + timedelta(PAST_HORIZON_DAYS)
    piles, held = _piles(doing, first)
    request = LineRequest(
        first=first,
        days=days,
        crew_min=crew_minutes(facts.calendar, first, until),
        bays=[Bay(one.label, one.volume_m3) for one in facts.bays if one.label not in held],
        piles=piles,
        orders=[
            Order(one["name"], one["grade"], one["volume_m3"], by)
            for one in wish["orders"]
            if (by := _must_be_day(one["by"])) >= facts.today or not wish.get("is_repair")
        ],
        arrivals=list(arrivals),
        grades=wish["grades"],
        kept_pct=wish["kept_pct"],
        work=Work(**wish["work"]),
        cures_in_bay=wish["cures_in_bay"],
        on_hand_m3=wish["on_hand_m3"],
        today=facts.today,
        reliability=wish["reliability"],
    )
    return Composed(request, _crews(facts, first, until), tuple(doing.notes))


def _crews(facts: LineFacts, first: date, until: date) -> dict[date, tuple[CrewThere, ...]]:
    days = (first + timedelta(one) for one in range((until - first).days + 1))
    return {
        on: tuple(CrewThere(one.crew, one.people, one.minutes) for one in there)
        for on in days
        if (there := facts.calendar.crews_on(on))
    }


def _piles(doing: _Composing, first: date) -> tuple[list[PileWish], set[str]]:
    """Return the piles to plan, and the bays that are held by piles nobody can plan."""
    wished = {one["name"]: one for one in doing.wish["piles"]}
    piles: list[PileWish] = []
    held: set[str] = set()
    for label, there in doing.facts.piles.items():
        if there.stage == "closed" or (there.built_on is None and label in wished):
            continue
        kept = (wished.get(label) or {}).get("pattern") or there.row.pattern or doing.wish["standing_pattern"]
        if kept is None or there.volume_m3 is None:
            held |= _left_aside(doing, label, there, "pattern" if kept is None else "volume")
        elif there.built_on is not None:
            piles.append(_standing(doing, label, there, kept))
        else:
            piles.append(_registered(doing, label, there, kept))
    known = doing.facts.piles
    piles += [
        _wished(doing, one, first)
        for name, one in wished.items()
        if name not in known or (known[name].built_on is None and known[name].stage != "closed")
    ]
    return piles, held


def _left_aside(doing: _Composing, label: str, there: PileThere, what: str) -> set[str]:
    if there.built_on is None and there.stage == "planned":
        return set()
    where = f", and its bay '{there.bay}' is taken to be held throughout" if there.bay else ""
    remedy = "a turning pattern" if what == "pattern" else "its design volume"
    doing.notes.append(f"pile '{label}' has no {what} and is not planned{where}; give it {remedy}")
    return {there.bay} if there.bay else set()


def _standing(doing: _Composing, label: str, there: PileThere, kept: Mapping[str, Any]) -> PileWish:
    is_hot = there.stage in {"filling", "hot"}
    stays = there.bay is not None and (is_hot or doing.wish["cures_in_bay"])
    return PileWish(
        name=label,
        pattern=read_pattern(kept),
        volume_m3=there.volume_m3 or _JOINED_VOLUME_M3,
        rule=_rule(doing.facts, there.row.rules),
        bays=(there.bay,) if stays and there.bay is not None else (),
        built_on=there.built_on,
        turns_done=there.turned_on,
        soon=doing.soon.get(label),
    )


def _registered(doing: _Composing, label: str, there: PileThere, kept: Mapping[str, Any]) -> PileWish:
    """Return a pile that is on record and not built yet."""
    return PileWish(
        name=label,
        pattern=read_pattern(kept),
        volume_m3=there.volume_m3 or _JOINED_VOLUME_M3,
        rule=_rule(doing.facts, there.row.rules),
        bays=None if there.bay is None else (there.bay,),
    )


def _wished(doing: _Composing, one: Mapping[str, Any], first: date) -> PileWish:
    latest = _day(one["latest"])
    if latest is not None and doing.wish.get("is_repair"):
        latest = max(latest, first)
    kept = {one.feedstock for one in doing.arrivals}
    return PileWish(
        name=one["name"],
        pattern=read_pattern(one["pattern"]),
        volume_m3=one["volume_m3"],
        rule=_rule(doing.facts, [one["rule"]] if one["rule"] else []),
        # A feedstock of which no stock is kept is not limited: nobody knows what there is.
        needs_kg={code: kg for code, kg in one["needs_kg"].items() if code in kept},
        earliest=_day(one["earliest"]),
        latest=latest,
        bays=None if one["bays"] is None else tuple(one["bays"]),
        is_spare=one["is_spare"],
    )


def _rule(facts: LineFacts, rules: Sequence[str]) -> TurnConstraint | None:
    turned = [one for one in rules if one in facts.book and facts.book[one].turns is not None]
    return turn_constraint(facts.book[turned[0]]) if turned else None


def happened(facts: LineFacts) -> Iterator[tuple[str, str, int]]:
    """Yield the tasks the record shows to be done: builds, and turns by their number in the pile's life."""
    for label, there in facts.piles.items():
        if there.built_on is not None:
            yield label, "build", 1
            yield from ((label, "turn", number) for number in range(1, len(there.turned_on) + 1))


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _must_be_day(text: str) -> date:
    return date.fromisoformat(text)
