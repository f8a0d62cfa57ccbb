"""A pile's rows as the domain's values: what a judge needs, and what its status needs."""

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

import numpy as np

from service.domain import piles as domain
from service.domain.compliance import History, Series
from service.domain.duty_records import duties_on_record
from service.domain.piles import Event, PileFacts, PositionSeries, in_force
from service.domain.recipes import evaluate
from service.storage.piles import Loaded, Occupied
from service.storage.recipes import ingredients_of


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
    """Return one series for each stay of a probe."""
    return tuple(
        PositionSeries(
            position=one.stay.position,
            serial=one.stay.serial,
            depth_cm=one.stay.depth_cm,
            observed_us=one.readings.observed_us,
            value=one.readings.value,
            unit=one.readings.unit,
            flag=one.readings.flag,
            placed_from=one.stay.since,
            placed_until=one.stay.until,
        )
        for one in loaded.occupied
    )


def history_of(loaded: Loaded, *, now: datetime) -> History:
    """Return what was recorded of a pile, as a verdict needs it."""
    events = in_force(loaded.events)
    built_at = loaded.pile.built_at
    return History(
        series=_series(loaded.occupied),
        turns=domain.turns(events),
        restarts=domain.restarts(events, built_at),
        initial_carbon_nitrogen_ratio=_initial_ratio(loaded, events),
        cured_days=domain.known_cured_days(events, now=now),
        duties_recorded=duties_on_record(events, [one.stay.depth_cm for one in loaded.occupied]),
        closed=domain.is_over(events),
    )


def _initial_ratio(loaded: Loaded, events: Sequence[Event]) -> float | None:
    """Return C:N as measured at the build, else as the recipe has it."""
    measured = domain.initial_carbon_nitrogen_ratio(events, loaded.pile.built_at)
    if measured is not None or loaded.recipe is None:
        return measured
    return evaluate(ingredients_of(loaded.recipe.ingredients)).carbon_nitrogen_ratio


def _series(occupied: Sequence[Occupied]) -> tuple[Series, ...]:
    """Return one series for each position.

    A probe that took over a place from another continues its series; two that sat there at once are two positions.
    """
    by_position: dict[str, list[Occupied]] = {}
    for one in occupied:
        by_position.setdefault(one.stay.position, []).append(one)
    series = []
    for position, stays in by_position.items():
        stays.sort(key=lambda one: one.stay.since)
        overlap = any(a.stay.until is None or a.stay.until > b.stay.since for a, b in pairwise(stays))
        if overlap:
            series += [_one_series(f"{position} ({one.stay.serial})", [one]) for one in stays]
        else:
            series.append(_one_series(position, stays))
    return tuple(series)


def _one_series(position: str, stays: Sequence[Occupied]) -> Series:
    return Series(
        position,
        np.concatenate([one.readings.observed_us for one in stays]),
        np.concatenate([one.readings.value for one in stays]),
        np.concatenate([one.readings.unit for one in stays]).astype(np.uint8),
        np.concatenate([one.readings.flag for one in stays]).astype(np.uint8),
        stays[0].stay.since,
        stays[-1].stay.until,
    )
