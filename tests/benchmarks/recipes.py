"""Solving: processor time in memory and of the server over HTTP, beside bare SciPy calls on the same matrices."""

import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

import httpx
import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from service.domain.recipes import (
    Amount,
    Available,
    Choice,
    Measure,
    Range,
    Targets,
    evaluate,
    library,
    solve,
)
from service.domain.recipes.linear import Row, normalised
from service.domain.recipes.programme import Programme, build
from tests.benchmarks.measure import cpu_s, median_ms

CODES: Final = (
    "horse-manure", "leaves-compacted-moist", "straw", "sawdust", "grass-clippings-loose", "leaves-loose-dry",
    "broiler-litter", "rice-hulls",
)  # fmt: skip
VOLUME_M3: Final = 1.5
MEETS: Final = {"carbon_nitrogen_ratio": (25, 35), "moisture_pct": (50, 60), "free_air_space_pct": (35, None)}
FAILS: Final = MEETS | {"moisture_pct": (70, 75), "free_air_space_pct": (85, None)}
EVALUATE_LIMIT_MS, SOLVE_LIMIT_MS, WHOLE_LIMIT_MS = 1, 10, 200


def _targets(asked: dict[str, tuple[float, float | None]]) -> Targets:
    return Targets(**{name: Range(*ends) for name, ends in asked.items()})


def _available(**overrides: Any) -> list[Available]:
    return [Available(library()[code].ingredient(), **overrides) for code in CODES]


def _programme(available: list[Available]) -> Programme:
    return build(available, _targets(MEETS), Amount(volume_m3=VOLUME_M3), allow_water=True)


def bare_linprog(programme: Programme) -> Callable[[], object]:
    """Return one call of ``linprog`` on the matrices of a request, with nothing around it."""
    matrix, bounds = normalised(programme.rows, programme.size)
    same, one = normalised([Row(programme.amount, 1.0)], programme.size)
    span = list(zip(programme.lower.tolist(), programme.upper.tolist(), strict=True))
    cost = np.arange(programme.size, dtype=float)
    return lambda: linprog(cost, matrix, bounds, same, one, span, method="highs")


def bare_milp(programme: Programme) -> Callable[[], object]:
    """Return one call of ``milp`` on the matrices of a request in whole barrows, with nothing around it."""
    step = np.where(programme.units > 0, programme.units, 1.0)
    rows = [Row(row.coefficients * step, row.bound) for row in programme.rows]
    made = [Row(programme.amount * step, programme.most), Row(-programme.amount * step, -programme.least)]
    matrix, bounds = normalised([*rows, *made], programme.size)
    held = LinearConstraint(matrix, -np.inf, bounds)
    whole = (programme.units > 0).astype(int)
    cost = np.arange(programme.size, dtype=float)
    span = Bounds(programme.lower, programme.upper / step)
    return lambda: milp(cost, integrality=whole, bounds=span, constraints=held)


def cpu_ms(call: Callable[[], object], runs: int) -> str:
    """Return the median processor time of a call in this process [ms], smallest and largest beside it."""
    call()
    times = []
    for _ in range(runs):
        began = time.process_time()
        call()
        times.append((time.process_time() - began) * 1e3)
    return f"{statistics.median(times):8.2f} ({min(times):.2f}-{max(times):.2f})"


def recipes(base_url: str, key: str, pids: list[int], runs: int) -> None:
    """Print processor times in memory, then the server's own and the client's wait over HTTP."""
    barrow = Measure("barrow", volume_l=80)
    meets, fails, made = _targets(MEETS), _targets(FAILS), Amount(volume_m3=VOLUME_M3)
    plain, whole = _available(), _available(measure=barrow, whole=True)
    priced = [Available(one.ingredient, cost_per_kg=0.1 * n) for n, one in enumerate(plain)]
    first = solve(plain, meets, made, allow_water=True).recipe
    assert first is not None
    assert solve(plain, fails, made, allow_water=True).state == "infeasible"
    mix = [replace(one.ingredient, mass_kg=50.0) for one in plain]
    print("processor time in this process, ms: median (smallest-largest)")
    for name, call in (
        ("bare linprog, 8 and water", bare_linprog(_programme(plain))),
        ("bare milp, 8 barrows and water", bare_milp(_programme(whole))),
        (
            f"evaluate 8 (limit {EVALUATE_LIMIT_MS})",
            lambda: evaluate(mix),
        ),
        (f"solve 8 and water (limit {SOLVE_LIMIT_MS})", lambda: solve(plain, meets, made, allow_water=True)),
        ("solve 8 with prices", lambda: solve(priced, meets, made, allow_water=True)),
        (f"solve 8 barrows (limit {WHOLE_LIMIT_MS})", lambda: solve(whole, meets, made, allow_water=True)),
        ("8, no mix, with cures", lambda: solve(plain, fails, made, allow_water=True)),
        ("8 barrows, no mix, with cures", lambda: solve(whole, fails, made, allow_water=True)),
        (
            "solve 8 and 3 others",
            lambda: solve(plain, meets, made, allow_water=True, choice=Choice(alternatives=3)),
        ),
    ):
        print(f"{name:<34} {cpu_ms(call, runs)}")
    _over_http(base_url, key, pids, runs)


def _over_http(base_url: str, key: str, pids: list[int], runs: int) -> None:
    barrow = {"measure": {"name": "barrow", "volume_l": 80}, "whole": True}

    def body(asked: dict[str, tuple[float, float | None]], **more: Any) -> dict[str, Any]:
        return {
            "ingredients": [{"feedstock": code, **more} for code in CODES],
            "targets": {name: {"min": low, "max": high} for name, (low, high) in asked.items()},
            "amount": {"volume_m3": VOLUME_M3},
            "allow_water": True,
        }

    print("over HTTP: ms of waiting, then ms of the server's processors for each")
    with httpx.Client(base_url=base_url, headers={"Authorization": f"Bearer {key}"}, timeout=60) as client:
        for name, sent in (
            (f"solve 8 and water (limit {SOLVE_LIMIT_MS})", body(MEETS)),
            (f"solve 8 barrows (limit {WHOLE_LIMIT_MS})", body(MEETS, **barrow)),
            ("8, no mix, with cures", body(FAILS)),
        ):

            def ask(sent: dict[str, Any] = sent) -> None:
                client.post("/v1/recipes/solve", json=sent).raise_for_status()

            ask()
            before = cpu_s(pids)
            waited = median_ms(ask, runs)
            print(f"{name:<34} {waited} ms, {1e3 * (cpu_s(pids) - before) / runs:.1f} ms")
