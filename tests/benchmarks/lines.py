"""Lines of piles: one pile, a site's half year, ten sites' year, the repair of one event; and growth with the piles."""

import datetime as dt
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Final

from service.domain.lines.allotting import SharedOrder
from service.domain.lines.answer import LinePlan
from service.domain.lines.network import plan_network
from service.domain.lines.planning import mended, plan_line
from service.domain.lines.request import Arrival, Bay, LineRequest, PileWish, Promise
from service.domain.lines.sharing import SiteLine
from service.domain.schedules import Pattern
from tests.benchmarks.measure import median_ms

FIRST: Final = dt.date(2026, 3, 2)
"""A Monday."""
WEEKS: Final = Pattern(
    rest_days=7, turn_on=("mon", "wed", "fri"), last_turn_day=27, done_on_day=30, curing_days=30, screen=True
)
"""A week's rest, then Monday, Wednesday and Friday for three weeks; common practice, no source."""
PILE_M3: Final = 1.5
PILE_KG: Final = 750.0
CREW_MIN: Final = 12 * 60
ONE_PILE_LIMIT_MS, SITE_LIMIT_S, REPAIR_LIMIT_S, NETWORK_LIMIT_S = 50, 10, 2, 30
SITE_GAP_LIMIT_PCT: Final = 1


def site(piles: int, bays: int, days: int, *, spare: int = 0) -> LineRequest:
    """Return a line with a crew on Mondays, Wednesdays and Fridays, and one pile's material a week."""
    after = [FIRST + dt.timedelta(day) for day in range(days + 200)]
    return LineRequest(
        first=FIRST,
        days=days,
        crew_min={on: CREW_MIN for on in after if on.weekday() in {0, 2, 4}},
        bays=[Bay(f"bay {number}", PILE_M3) for number in range(bays)],
        piles=[
            PileWish(f"pile {number}", WEEKS, PILE_M3, needs_kg={"mix": PILE_KG}, is_spare=number < spare)
            for number in range(piles)
        ],
        arrivals=[Arrival("mix", FIRST + dt.timedelta(7 * week), PILE_KG) for week in range(-(-days // 7))],
    )


def lines(runs: int) -> None:
    """Print what each takes beside its limit; a limit that is missed says so."""
    one = replace(site(1, 1, 30), arrivals=[Arrival("mix", FIRST, PILE_KG)])
    print(f"one pile, thirty days to build it in: {median_ms(lambda: plan_line(one), runs)} ms", flush=True)
    print(f"  limit {ONE_PILE_LIMIT_MS} ms", flush=True)
    half_a_year = site(26, 12, 182)
    _told(
        "12 bays, 26 piles, half a year",
        plan := _timed(half_a_year, SITE_LIMIT_S),
        SITE_LIMIT_S,
        SITE_GAP_LIMIT_PCT,
    )
    _repairs(half_a_year, plan[0])
    for piles, bays in ((5, 4), (50, 12)):
        _told(
            f"{piles} piles, {bays} bays, a year",
            _timed(site(piles, bays, 365), SITE_LIMIT_S),
            SITE_LIMIT_S,
            None,
        )
    _network(10, 50)


def _timed(request: LineRequest, within_s: float) -> tuple[LinePlan, float]:
    began = time.perf_counter()
    return plan_line(request, within_s=within_s), time.perf_counter() - began


def _told(what: str, made: tuple[LinePlan, float], limit_s: float, gap_limit_pct: float | None) -> None:
    plan, took_s = made
    is_kept = took_s <= limit_s and (gap_limit_pct is None or plan.gap_pct <= gap_limit_pct)
    print(
        f"{what}: {took_s:.1f} s of {limit_s} s, {len(plan.piles)} built, {len(plan.misfits)} wishes broken, gap"
        f" {plan.gap_pct:.2f} % ({_gaps(plan)}), ended by {plan.ended_by}{'' if is_kept else '  LIMIT MISSED'}",
        flush=True,
    )


def _gaps(plan: LinePlan) -> str:
    return ", ".join(f"{one.aim} {one.gap_pct:.2f} %" for one in plan.stages)


def _repairs(request: LineRequest, before: LinePlan) -> None:
    """Close a Wednesday on which there is work, as late on it as it is found: the crew did not come."""
    told = {one.name: Promise(one.build_on, one.turn_on) for one in before.piles}
    busy = [
        load.date for load in before.loads if load.date.weekday() == 2 and load.planned_min > CREW_MIN / 10
    ]
    for on in (busy[3], busy[len(busy) // 2]):
        crew = {**request.crew_min, on: 0}
        began = time.perf_counter()
        plan = mended(replace(request, crew_min=crew), told, within_s=1.2)
        took_s = time.perf_counter() - began
        print(
            f"repair of a missed {on}: {took_s:.2f} s of {REPAIR_LIMIT_S} s, {len(plan.moves)} tasks moved,"
            f" {len(plan.misfits)} wishes broken, gap {plan.gap_pct:.2f} % ({_gaps(plan)})"
            f"{'' if took_s <= REPAIR_LIMIT_S else '  LIMIT MISSED'}",
            flush=True,
        )


def _network(sites: int, piles: int) -> None:
    lines_of = [SiteLine(f"site {number}", site(piles, 12, 365, spare=piles // 2)) for number in range(sites)]
    shared = [
        SharedOrder(f"order {number}", "bulk", 20.0, FIRST + dt.timedelta(120 + 45 * number))
        for number in range(5)
    ]
    began = time.perf_counter()
    with ThreadPoolExecutor(2) as pool:
        made = plan_network(lines_of, shared, within_s=NETWORK_LIMIT_S * 0.5, workers=2, each=pool.map)
    took_s = time.perf_counter() - began
    built = sum(len(plan.piles) for plan in made.plans.values())
    print(
        f"{sites} sites, {sites * piles} piles, a year, {len(shared)} shared orders: {took_s:.1f} s of"
        f" {NETWORK_LIMIT_S} s, {built} built, unmet {sum(made.unmet_m3.values()):.2f} m3 of"
        f" {sum(one.volume_m3 for one in shared):g}, gap of the sites {made.gap_pct:.2f} %, of the sharing"
        f" {made.unmet_gap_pct:.2f} %{'' if took_s <= NETWORK_LIMIT_S else '  LIMIT MISSED'}",
        flush=True,
    )
