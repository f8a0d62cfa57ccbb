"""A recorded pile as a remedy needs it: what was put on, what happened since, what its record bears out."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.errors import Conflict, Invalid
from service.domain.piles import Event, Status, Volume, fresh_material, of_kind, turns
from service.domain.piles.heat_signs import BLACK_C
from service.domain.piles.history import INITIAL_SAMPLE_WITHIN
from service.domain.piles.series import PositionSeries, hear, to_us
from service.domain.recipes import Evaluation, Ingredient, evaluate
from service.domain.remedies import (
    SYMPTOMS,
    Course,
    Evidence,
    Felt,
    Part,
    PresentState,
    Sampled,
    Seen,
    Structure,
    estimate,
    pace_of,
    part_of,
    squeezed,
    structure_of,
)
from service.domain.remedies.figures import FIGURES

Array = NDArray[np.float64]

FELT_HOLDS: Final = timedelta(days=2)
"""How long a squeeze or a sample speaks before the symptom told now counts for more; common practice, no source."""
_DAY: Final = timedelta(days=1)
_CAUSTIC: Final = re.compile(r"\b((wood )?ash(es)?$|lime$|quicklime|hydrated lime)")
_US_PER_DAY: Final = 86_400_000_000


@dataclass(frozen=True)
class PutOn:
    """What came on at one time, as materials with amounts; ``basis`` says where they stand."""

    at: datetime
    ingredients: tuple[Ingredient, ...]
    basis: str


@dataclass(frozen=True)
class FromRecord:
    """A recorded pile now.

    Attributes
    ----------
    state, evidence
        For the remedy.
    basis
        What the state rests on, in words.
    """

    state: PresentState
    evidence: Evidence
    basis: tuple[str, ...]


def must_stand(status: Status, built_at: datetime | None) -> datetime:
    """Return when a pile was built.

    Raises
    ------
    Conflict
        It is not built yet, or it is closed.
    """
    if status.stage == "closed":
        raise Conflict(f"the pile is closed: {status.stage_because} There is nothing left to put right.")
    if built_at is None or built_at > status.now:
        raise Conflict(
            "the pile is not built yet, so nothing can be wrong with it; give built_at when it is complete, or put the"
            " mix right with POST /v1/recipes/solve"
        )
    return built_at


def may_burn(hottest_c: float | None, *, smokes: bool) -> bool:
    """Say whether a pile must stay shut: it smokes, or has reached what can be the start of a fire."""
    return smokes or (hottest_c is not None and hottest_c >= BLACK_C)


def from_record(
    put_on: Sequence[PutOn],
    events: Sequence[Event],
    positions: Iterable[PositionSeries],
    status: Status,
    *,
    built_at: datetime,
    symptom: str,
    recipe_has_water: bool,
) -> FromRecord:
    """Estimate what a recorded pile is now.

    Parameters
    ----------
    put_on
        The build first, then later loads.
    events
        Entries in force up to now.
    positions
        Its readings.
    status
        Of now.
    built_at
        When it was complete.
    symptom
        Told now: ``too_dry`` and ``too_wet`` count as a squeeze where nobody felt or sampled it in two days.
    recipe_has_water
        The build's materials hold its water already, so that water given while building is not counted again.

    Raises
    ------
    Conflict
        Nothing tells what the pile is made of and how much there is of it.
    """
    if symptom not in SYMPTOMS:
        raise Invalid.field(
            "/symptom", f"'{symptom[:40]}' is not a symptom; use one of {', '.join(SYMPTOMS)}"
        )
    mixes = [evaluate(one.ingredients) for one in put_on]
    core = _hottest(positions, built_at, status.now)
    course = _course(events, core, status.now, built_at, symptom, skip_built=recipe_has_water)
    structure, seen = structure_of(mixes), _seen(status.volume, built_at)
    parts, said = _as_it_stands(_parts(put_on, mixes, built_at), course, structure, seen, events)
    state = estimate(parts, course, structure, seen=seen, sampled=_sampled(events, built_at, status.now))
    peak_c = float(core[1].max()) if core[1].size else None
    basis = tuple(dict.fromkeys([*(one.basis for one in put_on), *said]))
    return FromRecord(state, _evidence(mixes, events, status, built_at, peak_c), basis)


def _as_it_stands(
    parts: list[Part], course: Course, structure: Structure, seen: Seen | None, events: Sequence[Event]
) -> tuple[list[Part], list[str]]:
    """Bring what was put on to the volume told, where another pile came onto it or a part of it left.

    Raises
    ------
    Conflict
        One did, and nobody told the volume since.
    """
    if not of_kind(events, "merge", "split", "screen"):
        return parts, []
    told = estimate(parts, course, structure).volume_m3
    if seen is None or seen.basis != "measured" or told is None:
        raise Conflict(
            "the pile was put together, split or screened, and nobody told its volume since: record an observation with"
            " volume_m3, or ask POST /v1/recipes/remedy with the pile's own figures"
        )
    share = seen.volume_m3 / told.value
    said = "It was put together, split or screened: what stands there is taken to be like what was put on."
    return [one.times(share) for one in parts], [said]


def _parts(put_on: Sequence[PutOn], mixes: Sequence[Evaluation], built_at: datetime) -> list[Part]:
    parts = []
    for one, mix in zip(put_on, mixes, strict=True):
        part = part_of(mix, max(0.0, (one.at - built_at) / _DAY))
        if part is None:
            lacking = ", ".join(gap.ingredient for gap in mix.missing if gap.figure == "moisture_pct")
            raise Conflict(
                f"the moisture of {lacking} is not known, so nobody can tell how wet the pile is; give it as an"
                " analysis of the feedstock, or ask POST /v1/recipes/remedy with the pile's own figures"
            )
        parts.append(part)
    if not parts:
        raise Conflict(
            "the record does not tell what the pile is made of: record its loads with feedstock and amount, or give it"
            " a recipe; or ask POST /v1/recipes/remedy with the pile's own figures"
        )
    return parts


def _course(
    events: Sequence[Event],
    core: tuple[Array, Array],
    now: datetime,
    built_at: datetime,
    symptom: str,
    *,
    skip_built: bool,
) -> Course:
    now_day, (days, core_c) = _days(now, built_at), core
    return Course(
        now_day=now_day,
        pace=pace_of(days, core_c, now_day=now_day),
        turns=tuple(day for at in turns(events) if 0 < (day := (at - built_at) / _DAY) <= now_day),
        watered=tuple(
            (min(now_day, _days(one.at, built_at)), litres)
            for one in of_kind(events, "water")
            if (litres := one.number("volume_l")) is not None and not (skip_built and one.at <= built_at)
        ),
        felt=tuple(_felt(events, built_at, now, symptom)),
    )


def _days(at: datetime, built_at: datetime) -> float:
    return max(0.0, (at - built_at) / _DAY)


def _hottest(positions: Iterable[PositionSeries], built_at: datetime, now: datetime) -> tuple[Array, Array]:
    """Return days since the build and the highest usable reading of each two hours [Cel]: the core's, by and large."""
    heard = [hear(one, now) for one in positions]
    at = np.concatenate([np.empty(0), *((one.usable_us - to_us(built_at)) / _US_PER_DAY for one in heard)])
    told = np.concatenate([np.empty(0), *(one.usable_c for one in heard)])
    if not at.size:
        return at, told
    slots, where = np.unique(np.floor(at * 12), return_inverse=True)
    highest = np.full(slots.size, -np.inf)
    np.maximum.at(highest, where, told)
    return (slots + 0.5) / 12, highest


def _felt(events: Sequence[Event], built_at: datetime, now: datetime, symptom: str) -> list[Felt]:
    """Return every moisture that was felt or sampled since the build, and the symptom as one where it is the newest."""
    found = []
    latest: datetime | None = None
    for one in of_kind(events, "observe", "sample"):
        if one.at < built_at:
            continue
        day, moisture = min(_days(one.at, built_at), _days(now, built_at)), one.number("moisture_pct")
        feel = one.details.get("moisture_feel")
        if one.kind == "sample" and moisture is not None:
            found.append(Felt(day, moisture, FIGURES["sample_points"].value, "sample"))
        elif one.kind == "observe" and feel is not None:
            found.append(squeezed(feel, day))
        else:
            continue
        latest = one.at
    told = SYMPTOMS[symptom].felt
    if told and (latest is None or now - latest > FELT_HOLDS):
        found.append(squeezed(told, _days(now, built_at), "symptom"))
    return found


def _seen(volume: Volume | None, built_at: datetime) -> Seen | None:
    if volume is None:
        return None
    return Seen(
        volume.volume_m3, _days(volume.at, built_at), "loads" if volume.basis == "loads" else "measured"
    )


def _sampled(events: Sequence[Event], built_at: datetime, now: datetime) -> Sampled | None:
    """Return the newest sample of the working pile that tells its nitrogen; one of the fresh mix does not."""
    fresh = max((built_at, *fresh_material(events)))
    for one in reversed(of_kind(events, "sample")):
        ratio, nitrogen = one.number("carbon_nitrogen_ratio"), one.number("nitrogen_pct")
        if one.at > fresh + INITIAL_SAMPLE_WITHIN and (ratio or nitrogen):
            return Sampled(min(_days(one.at, built_at), _days(now, built_at)), ratio, nitrogen)
    return None


def _evidence(
    mixes: Sequence[Evaluation],
    events: Sequence[Event],
    status: Status,
    built_at: datetime,
    peak_c: float | None,
) -> Evidence:
    turned = [at for at in turns(events) if at > built_at]
    watered = [one for one in of_kind(events, "water") if one.at > built_at]
    covers = of_kind(events, "cover")
    smells = [one for one in of_kind(events, "observe") if one.details.get("smell") is not None]
    names = [portion.name.lower() for mix in mixes for portion in mix.ingredients]
    built = mixes[0] if mixes else None
    return Evidence(
        age_days=_days(status.now, built_at),
        hottest_c=None if status.hottest is None else status.hottest.temperature_c,
        peak_c=peak_c,
        since_turn_days=_days(status.now, turned[-1] if turned else built_at),
        was_turned=bool(turned),
        since_water_days=_days(status.now, watered[-1].at) if watered else None,
        watered_l=sum(one.number("volume_l") or 0.0 for one in watered),
        is_covered=bool(covers[-1].details.get("covered", True)) if covers else None,
        smell=smells[-1].details["smell"] if smells else None,
        built_moisture_pct=None if built is None else built.moisture_pct,
        built_ratio=None if built is None else built.carbon_nitrogen_ratio,
        is_caustic=any(_CAUSTIC.search(name) for name in names),
    )
