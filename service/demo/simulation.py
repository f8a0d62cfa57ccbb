"""Simulated heat of a pile: a core and a shell that feed, breathe, dry and cool.

The form is that of the lumped models reviewed by Mason 2006 (Waste Management 26, 3-21): first-order loss of
biodegradable solids with corrections for temperature, moisture, air space and oxygen, and a balance of heat and
water. It draws invented curves for the demo and forecasts nothing; a constant without a source is simulated, chosen
so the curves look right.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

import numpy as np

from service.demo.climate import Air, hours_of
from service.demo.heap import SHELL_M, Curve, Heap, Working, Zone
from service.demo.kinetics import (
    HALF_OXYGEN,
    air_space_factor,
    cardinal,
    moisture_factor,
    nitrogen_factor,
    packing,
    pore_oxygen,
)

HEAT_MJ_PER_KG: Final = 18.2
OXYGEN_PER_KG: Final = 1.3
"""14 kJ/g O2 and 1.3 g O2/g of biodegradable solids (Haug 1993; widely quoted)."""
WATER_MADE_PER_KG: Final = 0.55
"""Metabolic water; from memory."""
CONDUCTIVITY_W_M_K: Final = 0.30
"""Of 0.03-0.81 in Ahn, Sauer, Richard and Glanville 2009, Bioresource Technology 100, 3974."""
SLOW_PER_DAY: Final = 0.060
"""0.064 /d is Haug's k at 57 Cel (widely quoted)."""
FAST_PER_DAY: Final = 0.60
BIODEGRADABLE_SHARE: Final = 0.48
FILM_W_M2_K: Final = 10.0
DRAUGHT_M_PER_DAY: Final = 14.0
GROWTH_PER_DAY: Final = 6.0
COOLED_BY_TURN: Final = 0.20
UNLOCKED_BY_TURN: Final = 0.18
FAST_OF_UNLOCKED: Final = 0.15
DRIED_BY_TURN: Final = 0.015
"""Simulated, chosen so the curves look right."""

_SOLID_MJ_PER_KG_K: Final = 1.1e-3
_WATER_MJ_PER_KG_K: Final = 4.18e-3
_LATENT_MJ_PER_KG: Final = 2.40
_AIR_MJ_PER_M3_K: Final = 1.16e-3
_OXYGEN_KG_PER_M3: Final = 1.31
_OUTSIDE_HUMIDITY: Final = 0.7
_MJ_PER_DAY_OF_W: Final = 0.0864
_STEP_H: Final = 1.0
_LATER_STEP_H: Final = 2.0
_LATER: Final = 50 * 24
"""A pile that old changes slowly: longer steps [h] from then on [h]."""

Zones = tuple[Zone, Zone]
"""Core and shell."""


def simulate(
    heap: Heap, air: Air, *, built_at: datetime, until: datetime, workings: Sequence[Working] = ()
) -> Curve:
    """Simulate a pile.

    Parameters
    ----------
    heap
        As built; from 0.2 to 40 m3, turned or passive, not frozen.
    air
        Of its site, from ``built_at`` to ``until`` at least.
    built_at, until, workings
        Aware instants; workings in any order, those outside the span are left out.

    Returns
    -------
    Curve
        In steps of an hour, of two once it is old, by Heun's method. Simulated.
    """
    zones, volume_m3 = _built(heap), heap.volume_m3
    began_h = now_h = turned_h = hours_of(built_at)
    rows = [_row(now_h, zones, volume_m3)]
    due = sorted((one for one in workings if built_at < one.at < until), key=lambda one: one.at)
    for working in [*due, None]:
        stop_h = hours_of(until if working is None else working.at)
        while now_h < stop_h:
            step_h = min(_STEP_H if now_h - began_h < _LATER else _LATER_STEP_H, stop_h - now_h)
            zones = _step(zones, heap, volume_m3, air.now(now_h), step_h / 24)
            now_h += step_h
            volume_m3 = _settled(zones, heap, (now_h - turned_h) / 24)
            rows.append(_row(now_h, zones, volume_m3))
        if working is None:
            break
        zones = _worked(zones, working, air.now(now_h))
        if working.kind != "water":
            turned_h = now_h
        if working.kind == "spread":
            heap = replace(heap, is_spread=True)
        rows.append(_row(now_h, zones, volume_m3))
    return Curve(*np.array(rows).T)


def _row(hour: float, zones: Zones, volume_m3: float) -> tuple[float, float, float, float]:
    return hour, zones[0].temperature_c, zones[1].temperature_c, volume_m3


def _settled(zones: Zones, heap: Heap, rest_days: float) -> float:
    """Return the volume by what is left of the dry matter and how long nobody turned it [m3]."""
    dry_kg = heap.volume_m3 * heap.bulk_density_kg_m3 * (1 - heap.moisture_pct / 100)
    left = (zones[0].dry_kg + zones[1].dry_kg) / dry_kg
    return heap.volume_m3 * left * (0.85 + 0.15 * math.exp(-rest_days / 6))


def _built(heap: Heap) -> Zones:
    wet_kg = heap.volume_m3 * heap.bulk_density_kg_m3
    dry_kg = wet_kg * (1 - heap.moisture_pct / 100)
    food_kg = BIODEGRADABLE_SHARE * dry_kg
    whole = Zone(
        temperature_c=heap.material_c,
        fast_kg=food_kg * heap.fast_share,
        slow_kg=food_kg * (1 - heap.fast_share - heap.locked_share),
        locked_kg=food_kg * heap.locked_share,
        ash_kg=dry_kg - food_kg,
        water_kg=wet_kg - dry_kg,
        activity=0.15,
    )
    return whole.part(heap.core_share), whole.part(1 - heap.core_share)


def _step(zones: Zones, heap: Heap, volume_m3: float, air_c: float, days: float) -> Zones:
    """Advance by Heun's method."""
    core, shell = zones
    core_1, shell_1 = _changes(zones, heap, volume_m3, air_c)
    guess = _moved(core, core_1, core_1, days), _moved(shell, shell_1, shell_1, days)
    core_2, shell_2 = _changes(guess, heap, volume_m3, air_c)
    return _moved(core, core_1, core_2, days), _moved(shell, shell_1, shell_2, days)


def _moved(zone: Zone, one: Zone, two: Zone, days: float) -> Zone:
    """Return a zone after some days at the mean of two changes."""
    # Written out: a loop over the fields takes as long as the physics.
    half = days / 2
    return Zone(
        zone.temperature_c + half * (one.temperature_c + two.temperature_c),
        zone.fast_kg + half * (one.fast_kg + two.fast_kg),
        zone.slow_kg + half * (one.slow_kg + two.slow_kg),
        zone.locked_kg,
        zone.ash_kg,
        max(zone.water_kg + half * (one.water_kg + two.water_kg), 0.0),
        min(max(zone.activity + half * (one.activity + two.activity), 0.02), 1.0),
    )


def _changes(zones: Zones, heap: Heap, volume_m3: float, air_c: float) -> Zones:
    """Return the change of each zone in a day."""
    core, shell = zones
    share = heap.core_share
    inner_w = CONDUCTIVITY_W_M_K / SHELL_M * heap.surface_m2 * math.sqrt(share)
    outer_w = heap.surface_m2 / (SHELL_M / 2 / CONDUCTIVITY_W_M_K + 1 / FILM_W_M2_K)
    through = inner_w * _MJ_PER_DAY_OF_W * (core.temperature_c - shell.temperature_c)
    lost = outer_w * _MJ_PER_DAY_OF_W * (shell.temperature_c - air_c)
    reach_m = heap.height_m / 2
    return (
        _change(core, heap, volume_m3 * share, air_c, reach_m, -through),
        _change(shell, heap, volume_m3 * (1 - share), air_c, SHELL_M / 2, through - lost),
    )


def _change(zone: Zone, heap: Heap, volume_m3: float, air_c: float, reach_m: float, gain_mj: float) -> Zone:
    """Return the change of one zone in a day; ``gain_mj`` is what it gains by conduction [MJ/d]."""
    t, dry_kg, water_kg = zone.temperature_c, zone.dry_kg, zone.water_kg
    air_share = min(max(1 - (dry_kg / 1550 + water_kg / 1000) / volume_m3, 0.02), 0.95)
    growth = cardinal(t, heap.thermal_shift_c)
    pace = (
        growth
        * moisture_factor(water_kg / (water_kg + dry_kg))
        * air_space_factor(air_share)
        * nitrogen_factor(heap.carbon_nitrogen_ratio)
        * zone.activity
    )
    draught = DRAUGHT_M_PER_DAY * packing(air_share) * max(t - air_c, 0.0) / 40 * volume_m3 / heap.height_m
    seeping = 0.8 * air_share**1.5 * volume_m3 / reach_m**2
    wanted = FAST_PER_DAY * zone.fast_kg + SLOW_PER_DAY * zone.slow_kg
    oxygen = pore_oxygen(draught + seeping, OXYGEN_PER_KG * pace * wanted / _OXYGEN_KG_PER_M3)
    pace *= oxygen / (oxygen + HALF_OXYGEN)
    eaten_kg = pace * wanted
    dried_kg = (draught + 0.3 * seeping) * max(
        _vapour_kg_m3(t) - _OUTSIDE_HUMIDITY * _vapour_kg_m3(air_c), 0.0
    )
    dried_kg *= min(1.0, water_kg / max(0.25 * dry_kg, 1e-9))
    cooling_mj = _LATENT_MJ_PER_KG * dried_kg + draught * _AIR_MJ_PER_M3_K * (t - air_c)
    capacity = _SOLID_MJ_PER_KG_K * dry_kg + _WATER_MJ_PER_KG_K * water_kg
    dying = 3 / (1 + math.exp(-(t - heap.thermal_shift_c - 65.5) / 1.5))
    return Zone(
        temperature_c=(HEAT_MJ_PER_KG * eaten_kg - cooling_mj + gain_mj) / capacity,
        fast_kg=-pace * FAST_PER_DAY * zone.fast_kg,
        slow_kg=-pace * SLOW_PER_DAY * zone.slow_kg,
        locked_kg=0.0,
        ash_kg=0.0,
        water_kg=WATER_MADE_PER_KG * eaten_kg - dried_kg,
        activity=GROWTH_PER_DAY * growth * zone.activity * (1 - zone.activity) - dying * zone.activity,
    )


def _vapour_kg_m3(temperature_c: float) -> float:
    """Return the water vapour of saturated air (Magnus's formula)."""
    pressure_hpa = 6.112 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))
    return 0.2167 * pressure_hpa / (273.15 + temperature_c)


def _worked(zones: Zones, working: Working, air_c: float) -> Zones:
    core, shell = zones
    share = core.dry_kg / (core.dry_kg + shell.dry_kg)
    if working.kind == "water":
        return (
            _wetted(core, share * working.water_l, air_c),
            _wetted(shell, (1 - share) * working.water_l, air_c),
        )
    mean_c = share * core.temperature_c + (1 - share) * shell.temperature_c
    freed = UNLOCKED_BY_TURN * (core.locked_kg + shell.locked_kg)
    whole = Zone(
        temperature_c=mean_c - COOLED_BY_TURN * (mean_c - air_c),
        fast_kg=core.fast_kg + shell.fast_kg + FAST_OF_UNLOCKED * freed,
        slow_kg=core.slow_kg + shell.slow_kg + (1 - FAST_OF_UNLOCKED) * freed,
        locked_kg=core.locked_kg + shell.locked_kg - freed,
        ash_kg=core.ash_kg + shell.ash_kg,
        water_kg=(1 - DRIED_BY_TURN) * (core.water_kg + shell.water_kg),
        activity=share * core.activity + (1 - share) * shell.activity,
    )
    return whole.part(share), whole.part(1 - share)


def _wetted(zone: Zone, water_l: float, air_c: float) -> Zone:
    capacity = _SOLID_MJ_PER_KG_K * zone.dry_kg + _WATER_MJ_PER_KG_K * zone.water_kg
    added = _WATER_MJ_PER_KG_K * water_l
    mixed_c = (zone.temperature_c * capacity + max(air_c, 5.0) * added) / (capacity + added)
    return zone._replace(temperature_c=mixed_c, water_kg=zone.water_kg + water_l)
