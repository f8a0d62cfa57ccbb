"""Verdicts: processor time in memory beside a bare NumPy pass over the same arrays, and a pile's standing over HTTP."""

import statistics
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import psutil
import psycopg

from service.domain.compliance import RULES, History, Rule, Series, judge, judge_each
from service.domain.quantities import Unit
from service.storage.embedded import Logins
from tests.benchmarks.answers import copy_out, ninety_days
from tests.benchmarks.measure import cpu_s, median_ms

POSITIONS: Final = 4
DAYS: Final = 90
PER_DAY: Final = 96
START: Final = datetime(2026, 5, 4, tzinfo=UTC)
ZONE: Final = ZoneInfo("America/Chicago")
RULE_LIMIT_MS, BOOK_LIMIT_MS, ANSWER_LIMIT_MS = 20, 150, 30


def a_pile(times: int = 1, turns: int = 29) -> History:
    """Return a pile read at four positions every quarter of an hour over 90 days, or so many times as long.

    It warms up, falls at every turning and comes back within hours, reads a little over and under as probes do, and
    goes cold towards the end.
    """
    n = DAYS * PER_DAY * times
    hours = np.arange(n) / 4
    span_h = n / 4
    turned_h = np.linspace(72, span_h - 72, turns)
    since = np.concatenate(([-np.inf], turned_h))[np.searchsorted(turned_h, hours, side="right")]
    curve = np.minimum(20 + hours, 62) - 9 * np.exp(-(hours - since) / 5) - 30 * (hours / span_h) ** 12
    noise = np.random.default_rng(7)
    at = int(START.timestamp() * 1e6) + np.arange(n, dtype=np.int64) * 900_000_000
    return History(
        series=tuple(
            Series(
                f"core-{k}",
                at + k * 1_000_000,
                np.round(curve - k + noise.normal(0, 0.3, n), 1),
                np.full(n, int(Unit.CEL), np.uint8),
                np.ones(n, np.int16),
            )
            for k in range(POSITIONS)
        ),
        turns=tuple(START + timedelta(hours=float(one)) for one in turned_h),
        initial_carbon_nitrogen_ratio=29.4,
        cured_days=21.0,
    )


def bare_pass(history: History) -> int:
    """Add up at each position the time between neighbours that are both hot and near: all a verdict could not spare."""
    held = 0
    for one in history.series:
        hot = one.value >= 55.0
        apart = np.diff(one.observed_at)
        counts = hot[1:] & hot[:-1] & (apart <= 86_400_000_000)
        held += int(apart[counts].sum()) + int(np.flatnonzero(~counts).size)
    return held


def cpu_ms(call: Callable[[], object], runs: int) -> list[float]:
    """Return the processor time of each run but the first [ms]."""
    times = []
    for _ in range(runs + 1):
        began = time.process_time()
        call()
        times.append((time.process_time() - began) * 1e3)
    return times[1:]


def _judging(rules: Sequence[Rule], history: History) -> Callable[[], object]:
    last = max(int(one.observed_at[-1]) for one in history.series)
    judged_at = datetime.fromtimestamp(last / 1e6, UTC)
    if len(rules) == 1:
        return lambda: judge(rules[0], history, judged_at=judged_at, time_zone=ZONE)
    return lambda: judge_each(rules, history, judged_at=judged_at, time_zone=ZONE)


def in_memory(runs: int) -> None:
    """Print the processor time of every rule and of the whole book, each under its three readings."""
    history, book = a_pile(), tuple(RULES.values())
    bare = statistics.median(cpu_ms(lambda: bare_pass(history), runs * 5))
    print(f"bare pass over {POSITIONS * DAYS * PER_DAY:,} readings {bare:26.3f} ms of CPU", flush=True)

    def row(name: str, times: Sequence[float], limit_ms: float | None = None) -> float:
        middle = statistics.median(times)
        limit = "" if limit_ms is None else f" of {limit_ms:g} allowed"
        spread = f"({min(times):.2f}-{max(times):.2f})"
        print(f"{name:<48} {middle:8.2f} {spread:<16} = {middle / bare:7.1f} x bare{limit}", flush=True)
        return middle

    each = {rule.id: row(rule.id, cpu_ms(_judging((rule,), history), runs), RULE_LIMIT_MS) for rule in book}
    slowest = max(each, key=lambda one: each[one])
    print(f"slowest rule: {slowest}, {each[slowest]:.2f} ms; all apart {sum(each.values()):.1f} ms")
    row(f"whole book, {len(book)} rules", cpu_ms(_judging(book, history), runs), BOOK_LIMIT_MS)
    for times in (1, 2, 4, 8):
        longer = a_pile(times, 29 * times)
        beside = statistics.median(cpu_ms(lambda one=longer: bare_pass(one), runs * 5))  # type: ignore[misc]
        taken = row(f"whole book, {times} x the readings and turns", cpu_ms(_judging(book, longer), runs))
        print(f"{'':<48} {taken / times:8.2f} for each 1 x, {taken / beside:.1f} x its own bare pass")
    crowded = a_pile(1, 10_000)
    row("whole book, 10,000 turns", cpu_ms(_judging(book, crowded), max(2, runs // 3)))
    row("us-nop-windrow, 10,000 turns", cpu_ms(_judging((RULES["us-nop-windrow"],), crowded), runs))


def over_http(logins: Logins, base_url: str, key: str, pids: Sequence[int], runs: int) -> None:
    """Print what a pile's standing costs a warm service, beside bringing its readings out of the database."""
    with (
        httpx.Client(base_url=base_url, headers={"Authorization": f"Bearer {key}"}, timeout=60) as client,
        psycopg.connect(logins.owner.conninfo, autocommit=True) as owner,
    ):
        pile = ninety_days(client, "PILE")
        owner.execute("vacuum analyze reading")
        path = f"/v1/piles/{pile}/compliance"

        def ask(query: str = "") -> Callable[[], object]:
            return lambda: client.get(path + query).raise_for_status()

        rows = [
            ("empty answer (/livez)", lambda: client.get("/livez").raise_for_status()),
            ("bare COPY OUT of 34,560 readings", copy_out(owner, "PILE")),
            (f"compliance of 34,560 readings (limit {ANSWER_LIMIT_MS})", ask()),
            ("the same under another rule", ask("?rule=de-bioabfv")),
        ]
        for name, call in rows:
            for _ in range(5):
                call()
            print(f"{name:<48} {median_ms(call, runs)} ms", flush=True)
        backends = [
            one.pid for one in psutil.process_iter(["name"]) if (one.info["name"] or "") == "postgres"
        ]
        call = ask()
        before, server = cpu_s(list(pids)), cpu_s(backends)
        for _ in range(max(50, runs)):
            call()
        times = max(50, runs)
        used, there = cpu_s(list(pids)) - before, cpu_s(backends) - server
        print(
            f"{'its CPU: service, database':<48} {used / times * 1e3:8.2f}, {there / times * 1e3:.2f} ms",
            flush=True,
        )


def verdicts(logins: Logins, base_url: str, key: str, pids: Sequence[int], runs: int) -> None:
    """Print all of it."""
    in_memory(runs)
    over_http(logins, base_url, key, pids, runs * 4)
