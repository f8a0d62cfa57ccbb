"""A pile of the scenario on the calendar: build, turns and moves on days its crew is there, and its heat."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from service.demo.climate import Air, hours_of
from service.demo.days import (
    DAY,
    calendar_of,
    closures_of,
    crew_day_after,
    crew_day_before,
    last_clock_change,
    today_at,
    working_hour,
)
from service.demo.heap import Curve, Heap, Working
from service.demo.materials import RECIPES, figures
from service.demo.pile import Pile
from service.demo.places import Site
from service.demo.simulation import simulate
from service.domain.schedules import PlanRequest, plan, shipped_patterns

DAYS_BEFORE_CLOCK_CHANGE: Final = 6
"""The pile that shows a clock change is built so long before it: hot by then, and still with its probes."""
WATER_L_PER_M3: Final = 20.0
"""Given at every second turn; simulated."""


@dataclass(frozen=True)
class Turn:
    """A turn of the whole pile.

    Attributes
    ----------
    at
        When.
    water_l
        Given right after it [L].
    is_recorded
        False for the one nobody wrote down.
    """

    at: dt.datetime
    water_l: float = 0.0
    is_recorded: bool = True


@dataclass(frozen=True, eq=False)
class LaidOut:
    """A pile on the calendar.

    Attributes
    ----------
    pile, site, heap
        What it is.
    built_at
        When it stood at full size, or will; None while it is being filled.
    turns
        In order, up to the end of the scenario.
    curing_at, ready_at, closed_at
        None where it has not happened.
    curve
        Its heat; None before the build.
    """

    pile: Pile
    site: Site
    heap: Heap
    built_at: dt.datetime | None
    turns: tuple[Turn, ...] = ()
    curing_at: dt.datetime | None = None
    ready_at: dt.datetime | None = None
    closed_at: dt.datetime | None = None
    curve: Curve | None = None

    def height_m(self, at: dt.datetime) -> float:
        """Return how high it stands on an unchanged footprint [m]."""
        return round(self.heap.height_m * self.volume_m3(at) / self.heap.volume_m3, 2)

    def volume_m3(self, at: dt.datetime) -> float:
        """Return its volume [m3]."""
        if self.curve is None:
            return self.heap.volume_m3
        return round(float(np.interp(hours_of(at), self.curve.hours, self.curve.volume_m3)), 2)


def lay_out(pile: Pile, site: Site, air: Air, *, now: dt.datetime, rng: np.random.Generator) -> LaidOut:
    """Put a pile on the calendar and simulate its heat up to ``now``.

    Parameters
    ----------
    air
        Of the site, from before the build on.
    rng
        Of the pile: the minutes at which things were done.
    """
    heap = _heap(pile)
    if pile.age_days == 0:
        return LaidOut(pile, site, heap, None)
    build_on = build_date(pile, site, now)
    built_at = working_hour(site, build_on, 2, rng)
    if built_at > now:
        return LaidOut(pile, site, heap, built_at)
    by_weather_c = max(10.0, 9 + 0.5 * air.now(hours_of(built_at)))
    heap = replace(heap, material_c=by_weather_c if pile.material_c is None else pile.material_c)
    curing_at, ready_at, closed_at = (
        _moment(site, build_on, day, now, rng) for day in (pile.curing_day, pile.ready_day, pile.closed_day)
    )
    dates = turn_dates(pile, site, build_on, now)
    turns = _turns(pile, site, dates, curing_at or now, rng)
    workings = [Working(turn.at, "turn") for turn in turns]
    workings += [Working(turn.at + dt.timedelta(minutes=25), "water", turn.water_l) for turn in turns]
    if curing_at is not None:
        workings.append(Working(curing_at, "spread"))
    curve = simulate(heap, air, built_at=built_at, until=now, workings=workings)
    return LaidOut(pile, site, heap, built_at, turns, curing_at, ready_at, closed_at, curve)


def build_date(pile: Pile, site: Site, now: dt.datetime) -> dt.date:
    """Return the local date on which a pile was built or is to be built."""
    calendar = calendar_of(site, now)
    if pile.age_days is None:
        change_on = today_at(site, last_clock_change(site.time_zone, now))
        return crew_day_before(calendar, change_on - DAYS_BEFORE_CLOCK_CHANGE * DAY)
    on = today_at(site, now) - pile.age_days * DAY
    return crew_day_after(calendar, on) if pile.age_days < 0 else crew_day_before(calendar, on)


def _heap(pile: Pile) -> Heap:
    mix = figures(RECIPES[pile.recipe])
    ratio, moisture, density = mix.carbon_nitrogen_ratio, mix.moisture_pct, mix.bulk_density_kg_m3
    assert ratio is not None
    assert moisture is not None
    assert density is not None
    return Heap(
        pile.volume_m3,
        pile.form,
        carbon_nitrogen_ratio=ratio,
        moisture_pct=moisture,
        bulk_density_kg_m3=density,
        fast_share=pile.fast_share,
        thermal_shift_c=pile.thermal_shift_c,
    )


def _moment(
    site: Site, build_on: dt.date, day: int | None, now: dt.datetime, rng: np.random.Generator
) -> dt.datetime | None:
    if day is None:
        return None
    at = working_hour(site, crew_day_after(calendar_of(site, now), build_on + day * DAY), 1, rng)
    return at if at <= now else None


def _turns(
    pile: Pile, site: Site, dates: Sequence[dt.date], until: dt.datetime, rng: np.random.Generator
) -> tuple[Turn, ...]:
    turns = []
    for number, on in enumerate(dates, start=1):
        at = working_hour(site, on, 0, rng)
        water_l = WATER_L_PER_M3 * pile.volume_m3 if number % 2 == 0 else 0.0
        if at < until:
            turns.append(Turn(at, water_l, is_recorded=number != pile.forgotten_turn))
    return tuple(turns)


def turn_dates(pile: Pile, site: Site, build_on: dt.date, now: dt.datetime) -> tuple[dt.date, ...]:
    """Return the dates on which the crew turns a pile: its pattern, as near as the crew days allow."""
    pattern = shipped_patterns()[pile.pattern].pattern
    found = plan(PlanRequest(site.time_zone, build_on, site.work_days, pattern, closures_of(site, now)))
    keepable = found.nearest or found
    if keepable.built_on == build_on:
        return keepable.turn_dates
    calendar = calendar_of(site, now)
    return tuple(dict.fromkeys(crew_day_after(calendar, on) for on in found.turn_dates))
