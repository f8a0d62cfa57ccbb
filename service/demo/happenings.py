"""What the crews of the scenario wrote down of a pile: loads, turns, water, what they saw, samples, moves, the end."""

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from service.demo.days import DAY, calendar_of, crew_day_after, crew_day_before, today_at, working_hour
from service.demo.layout import LaidOut, Turn
from service.demo.materials import MIXING_SHRINK_PCT, RECIPES

LOADS_BEFORE_BUILD: Final = dt.timedelta(minutes=100)
FILLING_DAYS: Final = (3, 1)
"""Days before the end of the scenario on which the pile being filled was loaded."""
_BETWEEN_LOADS: Final = dt.timedelta(minutes=15)
_HOUR: Final = dt.timedelta(hours=1)
_MINUTE: Final = dt.timedelta(minutes=1)
_MESH_MM: Final = 12.0
_STEAMS_FROM_C: Final = 40.0
_DRY_FEEL_EVERY: Final = 3


@dataclass(frozen=True)
class Entry:
    """One entry of a pile's record, as a crew would send it.

    Attributes
    ----------
    kind, at, details, crew, note
        As in the contract.
    name
        What a later entry calls it by; None when none does.
    corrects
        Name of the entry it corrects; its details then hold ``reason`` and ``replacement``.
    moved_to
        Label of a bay of the site, put into the details as ``bay_id``.
    """

    kind: str
    at: dt.datetime
    details: Mapping[str, Any] = field(default_factory=dict)
    crew: str | None = None
    note: str | None = None
    name: str | None = None
    corrects: str | None = None
    moved_to: str | None = None


def entries_of(laid: LaidOut, *, now: dt.datetime, rng: np.random.Generator) -> tuple[Entry, ...]:
    """Return a pile's record up to ``now``, in order of time."""
    if laid.built_at is None:
        found = list(_filling(laid, now))
    elif laid.built_at > now:
        found = []
    else:
        found = [*_building(laid), *_turning(laid, rng), *_seen_between(laid, now, rng), *_afterwards(laid)]
    return tuple(sorted((one for one in found if one.at <= now), key=lambda one: one.at))


def _crew(laid: LaidOut, at: dt.datetime) -> str:
    return laid.site.crews[at.toordinal() % len(laid.site.crews)]


def _filling(laid: LaidOut, now: dt.datetime) -> Iterator[Entry]:
    for days in FILLING_DAYS:
        yield from _loads(laid, now - days * DAY, share=0.3)


def _loads(laid: LaidOut, since: dt.datetime, *, share: float) -> Iterator[Entry]:
    recipe = RECIPES[laid.pile.recipe]
    loose_m3 = share * laid.heap.volume_m3 / (1 - MIXING_SHRINK_PCT / 100)
    for place, (code, part_m3) in enumerate(recipe.parts_m3.items()):
        at = since + place * _BETWEEN_LOADS
        volume_m3 = round(loose_m3 * part_m3 / recipe.loose_m3, 3)
        yield Entry("load", at, {"feedstock": code, "volume_m3": volume_m3}, _crew(laid, at))


def _building(laid: LaidOut) -> Iterator[Entry]:
    built_at = laid.built_at
    assert built_at is not None
    yield from _loads(laid, built_at - LOADS_BEFORE_BUILD, share=1.0)
    seen = {
        "height_m": round(laid.heap.height_m, 2),
        "volume_m3": laid.heap.volume_m3,
        "moisture_feel": "right",
        "smell": "none",
    }
    yield Entry("observe", built_at + 10 * _MINUTE, seen, _crew(laid, built_at), laid.pile.note)
    yield Entry(
        "cover",
        built_at + 20 * _MINUTE,
        {"covered": True, "material": "straw", "thickness_cm": 10.0},
        _crew(laid, built_at),
    )
    ratio = round(laid.heap.carbon_nitrogen_ratio, 1)
    yield Entry(
        "sample",
        built_at + 30 * _MINUTE,
        {
            "laboratory": "Simulated laboratory",
            "carbon_nitrogen_ratio": ratio,
            "moisture_pct": round(laid.heap.moisture_pct, 1),
        },
        note="Simulated: mix as built.",
    )


def _turning(laid: LaidOut, rng: np.random.Generator) -> Iterator[Entry]:
    for number, turn in enumerate(laid.turns, start=1):
        if not turn.is_recorded:
            continue
        if number == laid.pile.mistaken_turn:
            yield from _mistaken(laid, turn)
        else:
            yield Entry("turn", turn.at, _turn(laid, turn), _crew(laid, turn.at))
        if turn.water_l:
            at = turn.at + 25 * _MINUTE
            yield Entry("water", at, {"volume_l": round(turn.water_l)}, _crew(laid, at))
        if number % _DRY_FEEL_EVERY == 0:
            feel = "dry" if rng.random() < 0.3 else "right"  # noqa: PLR2004 - now and then
            yield Entry("observe", turn.at + 40 * _MINUTE, {"moisture_feel": feel, "smell": "earthy"})


def _turn(laid: LaidOut, turn: Turn) -> dict[str, Any]:
    return {"method": laid.site.turned_with, "height_m": laid.height_m(turn.at)}


def _mistaken(laid: LaidOut, turn: Turn) -> Iterator[Entry]:
    """Yield the turn under a wrong day, the entry that puts it right, and water given to another pile withdrawn."""
    crew = _crew(laid, turn.at)
    wrong_at = turn.at - DAY
    yield Entry("turn", wrong_at, _turn(laid, turn), crew, name="turn, wrong day")
    replacement = {"kind": "turn", "at": turn.at.isoformat(), "crew": crew, **_turn(laid, turn)}
    reason = "The turn was done a day later than written down; simulated."
    yield Entry(
        "correct",
        turn.at + 2 * _HOUR,
        {"reason": reason, "replacement": replacement},
        crew,
        corrects="turn, wrong day",
    )
    yield Entry("water", turn.at + _HOUR, {"volume_l": 60}, crew, name="water, wrong pile")
    yield Entry(
        "correct",
        turn.at + 3 * _HOUR,
        {"reason": "The water went onto the neighbouring pile; simulated."},
        crew,
        corrects="water, wrong pile",
    )


def _seen_between(laid: LaidOut, now: dt.datetime, rng: np.random.Generator) -> Iterator[Entry]:
    """Yield a look at the pile on its second day, and one lately while it is young."""
    built_at, curve = laid.built_at, laid.curve
    assert built_at is not None
    assert curve is not None
    calendar = calendar_of(laid.site, now)
    on = crew_day_after(calendar, (built_at + 2 * DAY).date())
    at = working_hour(laid.site, on, 3, rng)
    seen = {"height_m": laid.height_m(at), "moisture_feel": "right", "smell": "earthy"}
    yield Entry("observe", at, seen, _crew(laid, at))
    lately = working_hour(laid.site, crew_day_before(calendar, today_at(laid.site, now) - DAY), 3, rng)
    if laid.curing_at is None and lately - built_at > 4 * DAY:
        note = None if float(curve.core_c[-1]) >= _STEAMS_FROM_C else "No steam when opened."
        yield Entry("observe", lately, {"height_m": laid.height_m(lately)}, _crew(laid, lately), note)


def _afterwards(laid: LaidOut) -> Iterator[Entry]:
    if laid.curing_at is not None:
        at = laid.curing_at
        curing_bay = laid.site.bays[-1].label
        yield Entry("move", at, {"purpose": "curing"}, _crew(laid, at), moved_to=curing_bay)
        settled_m3 = laid.volume_m3(at)
        yield Entry("observe", at + _HOUR, {"volume_m3": settled_m3}, _crew(laid, at))
    if laid.ready_at is not None:
        yield from _finishing(laid, laid.ready_at)
    if laid.closed_at is not None:
        yield Entry("close", laid.closed_at, {"reason": "used up"}, _crew(laid, laid.closed_at))


def _finishing(laid: LaidOut, ready_at: dt.datetime) -> Iterator[Entry]:
    volume_m3 = laid.volume_m3(ready_at)
    fines_m3, overs_m3 = round(0.78 * volume_m3, 2), round(0.2 * volume_m3, 2)
    figures = {
        "laboratory": "Simulated laboratory",
        "carbon_nitrogen_ratio": 15.5,
        "moisture_pct": 44.0,
        "nitrogen_pct": 1.6,
        "ph": 7.4,
        "fecal_coliform_mpn_g": 120.0,
        "salmonella_mpn_4g": 1.0,
    }
    yield Entry("sample", ready_at - 6 * DAY, figures, note="Simulated: finished compost.")
    screened = {"mesh_mm": _MESH_MM, "fines_m3": fines_m3, "overs_m3": overs_m3}
    yield Entry("screen", ready_at - _HOUR, screened, _crew(laid, ready_at))
    yield Entry("release", ready_at, {"use": "beds and trees", "grade": "fine"}, _crew(laid, ready_at))
