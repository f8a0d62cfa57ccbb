"""A coordinator: which pile needs someone today, over all sites the key may see.

python openapi-examples/compare_sites.py --url http://127.0.0.1:8000 --key "$KEY"
"""

import argparse
from collections.abc import Iterator

import httpx

SEVERITIES = ("danger", "caution", "info")


def every(client: httpx.Client, path: str) -> Iterator[dict[str, object]]:
    """Yield every item of a list, page by page."""
    after: str | None = None
    while True:
        answer = client.get(path, params={"limit": 200} | ({} if after is None else {"after": after}))
        answer.raise_for_status()
        page = answer.json()
        yield from page["items"]
        after = page["next"]
        if after is None:
            return


def main() -> None:
    """Print the piles, those with the gravest warning first."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--url", required=True)
    options.add_argument("--key", required=True)
    asked = options.parse_args()
    rows = []
    with httpx.Client(
        base_url=asked.url, headers={"Authorization": f"Bearer {asked.key}"}, timeout=30
    ) as client:
        sites = {site["id"]: site["name"] for site in every(client, "/v1/sites")}
        for pile in every(client, "/v1/piles"):
            answer = client.get(f"/v1/piles/{pile['id']}/status")
            answer.raise_for_status()
            status = answer.json()
            first = status["warnings"][0] if status["warnings"] else None
            rank = SEVERITIES.index(first["severity"]) if first else len(SEVERITIES)
            text = "" if first is None else f"{first['severity']}: {first['text']} {first['remedy']}"
            rows.append((rank, sites[pile["site_id"]], pile["label"], status["stage"], text))
    for _, site, label, stage, text in sorted(rows):
        print(f"{site} | {label} | {stage} | {text}")


if __name__ == "__main__":
    main()
