"""A farm-record system: registers a site, a bay, a recipe, a pile and its probe, and records the build and a turn.

    python openapi-examples/register_pile.py --url http://127.0.0.1:8000 --key "$KEY" \
        --label A7 --serial PR-0042 --built-at 2026-05-04T09:00:00-05:00

Every creating call carries an Idempotency-Key made from what it is about: run it twice and nothing is made twice.
"""

import argparse
import json

import httpx


def create(client: httpx.Client, path: str, body: dict[str, object], about: str) -> dict[str, object]:
    """Create a record once."""
    answer = client.post(path, json=body, headers={"Idempotency-Key": f"example-{about}"})
    if not answer.is_success:
        raise SystemExit(f"{path}: {answer.status_code}: {answer.json()['detail']}")
    made: dict[str, object] = answer.json()
    return made


def main() -> None:
    """Register everything and print the ids."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--url", required=True)
    options.add_argument("--key", required=True)
    options.add_argument("--label", default="A7")
    options.add_argument("--serial", default="PR-0042")
    options.add_argument("--built-at", required=True, help="RFC 3339 with offset")
    options.add_argument("--rule", default="us-nop-windrow")
    asked = options.parse_args()
    with httpx.Client(
        base_url=asked.url, headers={"Authorization": f"Bearer {asked.key}"}, timeout=30
    ) as client:
        site = create(
            client,
            "/v1/sites",
            {
                "name": "Orchard school",
                "time_zone": "America/Chicago",
                "work_days": ["mon", "tue", "wed", "thu", "fri"],
            },
            "site",
        )
        bay = create(
            client, f"/v1/sites/{site['id']}/bays", {"label": "7", "kind": "cage", "volume_m3": 1.5}, "bay"
        )
        recipe = create(
            client,
            "/v1/recipes",
            {
                "name": "Spring mix",
                "ingredients": [
                    {"feedstock": "horse-manure", "mass_kg": 400},
                    {"feedstock": "leaves", "mass_kg": 120, "bulk_density_kg_m3": 180},
                ],
            },
            "recipe",
        )
        pile = create(
            client,
            "/v1/piles",
            {
                "site_id": site["id"],
                "bay_id": bay["id"],
                "recipe_id": recipe["id"],
                "label": asked.label,
                "built_at": asked.built_at,
                "rules": [asked.rule],
                "pattern": {"rest_days": 7, "turn_on": ["mon", "wed", "fri"], "last_turn_day": 27},
            },
            f"pile-{asked.label}",
        )
        create(
            client,
            f"/v1/piles/{pile['id']}/events",
            {"kind": "load", "at": asked.built_at, "material": "Spring mix", "volume_m3": 1.5},
            f"load-{asked.label}",
        )
        probe = create(client, "/v1/probes", {"serial": asked.serial}, f"probe-{asked.serial}")
        create(
            client,
            f"/v1/probes/{probe['id']}/placements",
            {"pile_id": pile["id"], "position": "core-1", "depth_cm": 45, "from": asked.built_at},
            f"placement-{asked.serial}",
        )
    print(json.dumps({"site_id": site["id"], "pile_id": pile["id"], "probe_id": probe["id"]}))


if __name__ == "__main__":
    main()
