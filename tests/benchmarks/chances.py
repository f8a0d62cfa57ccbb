"""Mixes in doubt over HTTP, eight materials: wall and processor time, beside the bare SciPy calls they rest on."""

import time
from collections.abc import Callable
from typing import Any, Final

import httpx
import numpy as np
from scipy.stats import qmc

from service.domain.recipes import Amount, Available, Range, Targets, library
from service.domain.recipes.chances import DEFAULT_DRAWS, material
from service.domain.recipes.chances.draws import SCRAMBLINGS, dimensions, draw, points
from service.domain.recipes.chances.scenarios import most_met
from service.domain.recipes.chances.search import LIMIT_S, _room, as_materials, limit_rows
from service.domain.recipes.programme import build
from tests.benchmarks.measure import cpu_s, median_ms

CODES: Final = (
    "horse-manure",
    "leaves-compacted-moist",
    "straw",
    "sawdust",
    "grass-clippings-compacted",
    "broiler-litter",
    "shrub-trimmings",
    "corrugated-cardboard",
)
WIDE: Final = {
    "carbon_nitrogen_ratio": {"min": 25, "max": 35},
    "moisture_pct": {"min": 50, "max": 60},
    "free_air_space_pct": {"min": 35},
}
NARROW: Final = WIDE | {
    "carbon_nitrogen_ratio": {"min": 28, "max": 30},
    "moisture_pct": {"min": 54, "max": 56},
}
CHANCES_LIMIT_MS, ROBUST_LIMIT_MS = 100, 1000


def chances(base_url: str, key: str, pids: list[int], runs: int) -> None:
    """Print the times of both answers, the limits they stand against, and the bare calls."""
    loads = [{"feedstock": code, "mass_kg": 50 + 10 * place} for place, code in enumerate(CODES)]
    at_hand = [{"feedstock": code} for code in CODES]
    with httpx.Client(base_url=base_url, headers={"Authorization": f"Bearer {key}"}, timeout=60) as client:

        def ask(path: str, body: dict[str, Any]) -> Callable[[], object]:
            return lambda: client.post(path, json=body).raise_for_status()

        def robust(targets: dict[str, Any]) -> Callable[[], object]:
            body = {
                "ingredients": at_hand,
                "targets": targets,
                "amount": {"mass_kg": 500},
                "allow_water": True,
            }
            return ask("/v1/recipes/robust", body)

        rows = [
            (
                f"chances, {DEFAULT_DRAWS} draws (limit {CHANCES_LIMIT_MS} ms)",
                ask("/v1/recipes/chances", {"ingredients": loads, "targets": WIDE}),
            ),
            (f"robust, wide targets (limit {ROBUST_LIMIT_MS} ms)", robust(WIDE)),
            (f"robust, narrow targets (limit {ROBUST_LIMIT_MS} ms)", robust(NARROW)),
        ]
        for name, call in rows:
            call()
            began = cpu_s(pids)
            told = median_ms(call, runs)
            print(
                f"{name:<44} {told} ms, {1e3 * (cpu_s(pids) - began) / runs:.0f} ms of the processor",
                flush=True,
            )
    _bare(runs)


def _bare(runs: int) -> None:
    """Print the bare Sobol points, the bare draws, and the mixed-integer programme alone."""
    materials = [material({}, library()[code].ingredient()) for code in CODES]
    size = len(dimensions(materials))
    seeds = np.random.SeedSequence(0).spawn(SCRAMBLINGS)

    def sobol() -> None:
        for seed in seeds:
            qmc.Sobol(size, rng=np.random.default_rng(seed)).random(DEFAULT_DRAWS // SCRAMBLINGS)

    print(f"{f'bare qmc.Sobol, {DEFAULT_DRAWS} x {size}':<44} {median_ms(sobol, runs)} ms")
    for name, asked in (("wide", WIDE), ("narrow", NARROW)):
        targets = Targets(**{figure: Range(one.get("min"), one.get("max")) for figure, one in asked.items()})
        available = [Available(one.nominal()) for one in materials]
        programme = build(available, targets, Amount(mass_kg=500), allow_water=True)
        drawn = draw(as_materials(programme, materials), points(64, size, seeds[:1]))[0]
        rows = limit_rows(programme, drawn, 64, np.ones(programme.size) / programme.size)
        began = time.perf_counter()
        found = most_met(rows, _room(programme, None), limit_s=5)
        taken = time.perf_counter() - began
        told = f"{found.met} of 64, {'proven' if found.is_proven else f'at most {found.most}'}"
        print(
            f"{f'scipy.milp alone, {name}, 5 s for {LIMIT_S}':<44} {1e3 * taken:8.2f} ms, {told}",
            flush=True,
        )
