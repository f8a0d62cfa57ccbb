"""A pile's rows as the domain's values: what a judge needs, and what its status needs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.domain import piles as domain
from service.domain.compliance import ACCEPTED, EXCLUDED, Applied, History, Parent, Series
from service.domain.duty_records import (
    duties_on_record,
    measures_on_record,
    method_on_record,
    samples_on_record,
)
from service.domain.piles import (
    AirSeries,
    Event,
    PileFacts,
    PositionSeries,
    days_since,
    in_force,
    set_aside_since,
    stood_alone,
)
from service.domain.quantities import QualityFlag
from service.domain.readings.counted import Counted, count_temperatures
from service.domain.readings.quality import ReadSeries, celsius, primary
from service.domain.recipes import evaluate
from service.storage.corrections import microseconds
from service.storage.instruments import Calibrations, accuracy_c, calibrated_at
from service.storage.piles import Joined, Loaded, Occupied
from service.storage.probes import Stay
from service.storage.recipes import ingredients_of
from service.storage.schedules import planned_turns


def facts_of(loaded: Loaded) -> PileFacts:
    """Return a pile's own record."""
    return PileFacts(
        built_at=loaded.pile.built_at,
        bay_id=loaded.pile.bay_id,
        bay_volume_m3=None if loaded.bay is None else loaded.bay.volume_m3,
        design_volume_m3=loaded.pile.design_volume_m3,
        events=tuple(loaded.events),
    )


def positions_of(loaded: Loaded) -> tuple[PositionSeries, ...]:
    """Return one series for each stay of a probe.

    What a person accepted is good; what a person excluded has been heard and tells nothing.
    """
    return tuple(_position(one) for one in loaded.occupied)


def _position(one: Occupied) -> PositionSeries:
    kept = ~one.readings.rival
    columns = one.readings.columns
    flag = np.where(one.readings.accepted, np.int16(QualityFlag.GOOD), columns.flag)
    return PositionSeries(
        position=one.stay.position,
        serial=one.stay.serial,
        depth_cm=one.stay.depth_cm,
        observed_us=columns.observed_us[kept],
        value=columns.value[kept],
        unit=columns.unit[kept],
        flag=flag[kept],
        excluded=one.readings.excluded[kept],
        placed_from=one.stay.since,
        placed_until=one.stay.until,
    )


def air_beside(loaded: Loaded) -> AirSeries | None:
    """Return the air temperature at the site, without what failed its checks."""
    air = loaded.air
    if air is None:
        return None
    sound = ~np.isin(primary(air.flag), (QualityFlag.FAIL, QualityFlag.MISSING)) & np.isfinite(air.value)
    return AirSeries(air.observed_us[sound], celsius(air.value[sound], air.unit[sound]))


def history_of(loaded: Loaded, *, now: datetime) -> History:
    """Return what was recorded of a pile, as a verdict of ``now`` needs it: the tests see no later reading or turn.

    With it goes what its material was before: the piles put onto it, or the one it was split from.
    """
    history = _history(loaded, now).of
    return history if history.closed else replace(history, planned_turns=planned_turns(loaded, now=now))


@dataclass(frozen=True)
class _Told:
    """A history, and since when all of the pile had been set aside to cure, and to be stored, by its end."""

    of: History
    curing_since: datetime | None
    stored_since: datetime | None


@dataclass(frozen=True)
class _Part:
    """A pile whose material came into another: when, from where, and what is told of it up to then."""

    joined: Joined
    before: Loaded
    past: _Told


def _history(loaded: Loaded, now: datetime) -> _Told:
    joined = [one for one in loaded.joined if one.at <= now]
    parts = [_Part(one, one.loaded, _history(one.loaded, one.at)) for one in joined if one.loaded is not None]
    told = {one.joined.event_id for one in parts}
    # A pile that is looked at tells itself how far its material was; of any other it is as good as fresh.
    events = [event for event in in_force(loaded.events) if event.id not in told]
    unseen = tuple(one.at for one in joined if one.loaded is None)
    own = not parts or _stood_alone(loaded, events, parts)
    aside = _set_aside(loaded, events, parts, own=own, now=now)
    began_at = min((at for at in (loaded.built_at, *(one.joined.at for one in parts)) if at), default=None)
    history = History(
        series=_series(_counted(loaded, now=now), loaded.calibrations),
        turns=domain.turns(events),
        restarts=(*domain.restarts(events, began_at), *unseen),
        moves=tuple(event.at for event in events if event.kind in {"move", "screen"}),
        initial_carbon_nitrogen_ratio=_initial_ratio(loaded, events),
        cured_days=aside.cured_days,
        duties_recorded=duties_on_record(events),
        closed=aside.is_over,
        samples=samples_on_record(events),
        measures=measures_on_record(
            events,
            built_at=loaded.built_at,
            bay_volume_m3=None if loaded.bay is None else loaded.bay.volume_m3,
            stored_days=aside.stored_days,
        ),
        method=method_on_record([None if bay is None else bay.kind for bay in loaded.worked_in]),
        parents=tuple(Parent(_name(one, parts), one.past.of, one.joined.at) for one in parts),
        stood_alone=own,
    )
    return _Told(history, aside.curing_since, aside.stored_since)


@dataclass(frozen=True)
class _Aside:
    """Whether no more heat can come, and how long the pile has cured and been stored [d], None if unknown."""

    is_over: bool
    curing_since: datetime | None
    cured_days: float | None
    stored_since: datetime | None
    stored_days: float | None


def _set_aside(
    loaded: Loaded, events: Sequence[Event], parts: Sequence[_Part], *, own: bool, now: datetime
) -> _Aside:
    curing = set_aside_since(
        events, "curing", [(one.joined.at, one.past.curing_since) for one in parts], own=own
    )
    stored = set_aside_since(
        events, "storage", [(one.joined.at, one.past.stored_since) for one in parts], own=own
    )
    until = now if loaded.given_at is None else min(now, loaded.given_at)
    is_over = domain.is_over(events) or curing is not None or until < now

    def days(since: datetime | None) -> float | None:
        # A pile that still works is known to have none; of one that is over the record is missing.
        return days_since(since, events, now=until) if since is not None else None if is_over else 0.0

    return _Aside(is_over, curing, days(curing), stored, days(stored))


def _stood_alone(loaded: Loaded, events: Sequence[Event], parts: Sequence[_Part]) -> bool:
    return stood_alone(
        events,
        parts[0].joined.at,
        is_half=parts[0].joined.kind == "split",
        built_at=loaded.built_at,
        first_probe_at=min((one.stay.since for one in loaded.occupied), default=None),
    )


def _name(part: _Part, parts: Sequence[_Part]) -> str:
    """Return what to call a parent: its label, with its site where another pile has the same."""
    pile = part.before.pile
    same = [one for one in parts if one.before.pile.label == pile.label and one.before.pile.id != pile.id]
    return f"{pile.label} ({part.before.site.name})" if same else pile.label


def _initial_ratio(loaded: Loaded, events: Sequence[Event]) -> float | None:
    """Return C:N as measured at the build, else as the recipe has it."""
    measured = domain.initial_carbon_nitrogen_ratio(events, loaded.built_at)
    if measured is not None or loaded.recipe is None:
        return measured
    return evaluate(ingredients_of(loaded.recipe.ingredients)).carbon_nitrogen_ratio


def _counted(loaded: Loaded, *, now: datetime) -> list[tuple[Stay, Counted]]:
    until_us = microseconds(now) + 1
    heard = [one.readings.within(0, until_us) for one in loaded.occupied]
    turns_us = [microseconds(at) for at in domain.turns(in_force(loaded.events)) if at <= now]
    counted = count_temperatures(
        heard,
        depths_cm=[one.stay.depth_cm for one in loaded.occupied],
        turns=turns_us,
        air=_air_until(loaded.air, until_us),
    )
    return [(one.stay, found) for one, found in zip(loaded.occupied, counted, strict=True)]


def _air_until(air: ReadSeries | None, until_us: int) -> ReadSeries | None:
    if air is None or air.observed_us[-1] < until_us:
        return air
    n = int(np.searchsorted(air.observed_us, until_us, "left"))
    return ReadSeries(air.observed_us[:n], air.value[:n], air.unit[:n], air.flag[:n])


def _series(counted: Sequence[tuple[Stay, Counted]], calibrations: Calibrations) -> tuple[Series, ...]:
    """Return one series for each position.

    A probe that took over a place from another continues its series; two that sat there at once are two positions.
    """
    by_position: dict[str, list[tuple[Stay, Counted]]] = {}
    for one in counted:
        by_position.setdefault(one[0].position, []).append(one)
    series = []
    for position, stays in by_position.items():
        stays.sort(key=lambda one: one[0].since)
        overlap = any(a.until is None or a.until > b.since for (a, _), (b, _) in pairwise(stays))
        if overlap:
            series += [_one_series(f"{position} ({one[0].serial})", [one], calibrations) for one in stays]
        else:
            series.append(_one_series(position, stays, calibrations))
    return tuple(series)


def _one_series(position: str, stays: Sequence[tuple[Stay, Counted]], calibrations: Calibrations) -> Series:
    """Join stays that follow one another; of readings on one instant only the one that goes first is kept."""
    kept = [~one.readings.rival for _, one in stays]
    parts = [(one, here) for (_, one), here in zip(stays, kept, strict=True)]
    columns = [(one.readings.columns, here) for one, here in parts]
    said = np.concatenate(
        [
            _said(one)[here] if one.readings.entries else np.zeros(int(here.sum()), np.int8)
            for one, here in parts
        ]
    )
    return Series(
        position,
        np.concatenate([one.observed_us[here] for one, here in columns]),
        np.concatenate([one.value[here] for one, here in columns]),
        np.concatenate([one.unit[here] for one, here in columns]),
        np.concatenate([one.flag[here] for one, here in columns]),
        stays[0][0].since,
        stays[-1][0].until,
        assessed=np.concatenate([one.flag[here] for one, here in parts]),
        said=said if said.any() else None,
        applied=_applied(parts),
        depth_cm=_depth_cm([one for one, _ in stays]),
        accuracy_c=accuracy_c(stays, calibrations),
        calibrated_at=calibrated_at(stays, calibrations),
    )


def _depth_cm(stays: Sequence[Stay]) -> float | None:
    """Return how deep a position lies; None where nobody said, or one probe sat deeper than the next."""
    depths = {one.depth_cm for one in stays}
    return depths.pop() if len(depths) == 1 else None


def _said(one: Counted) -> NDArray[np.int8]:
    said = np.where(one.readings.accepted, np.int8(ACCEPTED), np.int8(0))
    return np.where(one.readings.excluded, np.int8(EXCLUDED), said)


def _applied(parts: Sequence[tuple[Counted, NDArray[np.bool_]]]) -> tuple[Applied, ...]:
    """Return the entries that hold for any reading, each with the instants of those it holds for."""
    found: dict[UUID, list[Applied]] = {}
    for one, here in parts:
        readings = one.readings
        for place, entry in enumerate(readings.entries):
            holds = (
                (readings.shifted_by == place) | (readings.told_by == place) | (readings.marked_by == place)
            )
            at = readings.columns.observed_us[holds & here]
            if at.size and entry.kind != "withdraw":
                found.setdefault(entry.id, []).append(Applied(entry.id, entry.kind, at))
    return tuple(
        Applied(same[0].correction, same[0].kind, np.concatenate([one.observed_at for one in same]))
        for same in found.values()
    )
