"""Times of the computing answers over HTTP, beside the limits they stand against."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import psycopg

from service.storage.embedded import Logins
from tests.benchmarks.measure import median_ms


def ninety_days(client: httpx.Client, prefix: str) -> str:
    """Register a pile with four probes and 90 days of readings every 15 minutes; return its id."""
    built = datetime.now(UTC).replace(minute=0, second=0, microsecond=0) - timedelta(days=90)

    def create(path: str, body: dict[str, Any]) -> dict[str, Any]:
        answer = client.post(path, json=body)
        answer.raise_for_status()
        made: dict[str, Any] = answer.json()
        return made

    site = create(
        "/v1/sites",
        {"name": f"bench {prefix}", "time_zone": "Europe/Lisbon", "work_days": ["mon", "wed", "fri"]},
    )
    pile = create(
        "/v1/piles",
        {
            "site_id": site["id"],
            "label": "90 days",
            "built_at": built.isoformat(),
            "rules": ["us-nop-windrow"],
            "pattern": {"rest_days": 7, "turn_on": ["mon", "wed", "fri"], "last_turn_day": 27},
        },
    )
    for day in range(3, 60, 3):
        create(
            f"/v1/piles/{pile['id']}/events",
            {"kind": "turn", "at": (built + timedelta(days=day)).isoformat()},
        )
    for number in range(4):
        probe = create("/v1/probes", {"serial": f"{prefix}-{number}"})
        placement = {"pile_id": pile["id"], "position": f"core-{number}", "from": built.isoformat()}
        create(f"/v1/probes/{probe['id']}/placements", placement)
        for start in range(0, 90 * 96, 2000):
            readings = [
                {
                    "probe": f"{prefix}-{number}",
                    "observed_at": (built + timedelta(minutes=15 * step)).isoformat(),
                    "quantity": "temperature",
                    "value": round(20 + min(45, step / 4) + (step * 7 % 30) / 10, 1),
                    "unit": "Cel",
                }
                for step in range(start, min(start + 2000, 90 * 96))
            ]
            create("/v1/readings", {"readings": readings})
    return str(pile["id"])


def copy_out(owner: psycopg.Connection, prefix: str) -> Callable[[], object]:
    """Return a call that brings the readings of the four probes out of the database and does nothing with them."""
    numbers = owner.execute(
        "select number from probe where serial like %s order by serial", (f"{prefix}-%",)
    ).fetchall()

    def once() -> None:
        for row in numbers:
            with owner.cursor().copy(
                "copy (select observed_at, value, unit, flag from reading where organisation_id = 1"
                " and probe = %s and quantity = 1 order by observed_at) to stdout (format binary)",
                row,
            ) as copy:
                for _ in copy:
                    pass

    return once


def answers(logins: Logins, base_url: str, key: str, runs: int) -> None:
    """Print the time of each computing answer over HTTP, and of the limits beside them."""
    with (
        httpx.Client(base_url=base_url, headers={"Authorization": f"Bearer {key}"}, timeout=60) as client,
        psycopg.connect(logins.owner.conninfo, autocommit=True) as owner,
    ):
        pile = ninety_days(client, "LOG")
        owner.execute("vacuum analyze reading")

        def ask(method: str, path: str, body: Any = None) -> Callable[[], object]:
            def once() -> None:
                client.request(method, path, json=body).raise_for_status()

            return once

        mix = [
            {"feedstock": "horse-manure", "mass_kg": 400},
            {"feedstock": "leaves-compacted-moist", "mass_kg": 120},
        ]
        stock = [
            {"feedstock": code} for code in ("horse-manure", "leaves-compacted-moist", "straw", "sawdust")
        ]
        targets = {"carbon_nitrogen_ratio": {"min": 25, "max": 30}, "moisture_pct": {"min": 50, "max": 60}}
        plan = {
            "time_zone": "Europe/Lisbon",
            "build_on": "2026-03-02",
            "work_days": ["mon", "tue", "wed", "thu", "fri"],
            "pattern": {"rest_days": 4, "turn_every_days": 2, "last_turn_day": 16},
        }
        start = datetime(2026, 5, 4, tzinfo=UTC)
        check = {
            "rule": "us-nop-windrow",
            "time_zone": "America/Chicago",
            "readings": [
                {
                    "position": "core",
                    "observed_at": (start + timedelta(hours=h)).isoformat(),
                    "temperature_c": 57.2,
                }
                for h in range(361)
            ],
            "turns": [(start + timedelta(days=day)).isoformat() for day in (2, 5, 8, 11, 14)],
            "initial_carbon_nitrogen_ratio": 29.4,
        }
        rows = [
            ("empty answer (/livez)", ask("GET", "/livez")),
            ("evaluate, 2 feedstocks", ask("POST", "/v1/recipes/evaluate", {"ingredients": mix})),
            (
                "solve, 4 feedstocks and water",
                ask(
                    "POST",
                    "/v1/recipes/solve",
                    {
                        "ingredients": stock,
                        "targets": targets,
                        "amount": {"mass_kg": 500},
                        "allow_water": True,
                    },
                ),
            ),
            ("plan, 18 days, with nearest", ask("POST", "/v1/schedules/plan", plan)),
            ("check, 361 readings sent along", ask("POST", "/v1/compliance/check", check)),
            ("bare COPY OUT of 34,560 readings", copy_out(owner, "LOG")),
            ("compliance of 34,560 readings", ask("GET", f"/v1/piles/{pile}/compliance")),
            ("status of 34,560 readings", ask("GET", f"/v1/piles/{pile}/status")),
        ]
        for name, call in rows:
            call()
            print(f"{name:<34} {median_ms(call, runs)} ms")
