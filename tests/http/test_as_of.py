"""What was known then: the verdict as it stood before late readings, turns, corrections and placements came in."""

from datetime import UTC, datetime, timedelta
from typing import Any

from tests.builders import START, a_bag, a_pile, a_placement, a_probe, a_reading, at
from tests.conftest import Tenant

RULE = "us-503-pfrp-asp"
"""55 degC or higher for three days (40 CFR part 503, appendix B)."""


def compliance(tenant: Tenant, pile: str, as_of: datetime | None = None) -> dict[str, Any]:
    query = "" if as_of is None else f"&as_of={as_of.isoformat().replace('+00:00', 'Z')}"
    (verdict,) = tenant.get(f"/v1/piles/{pile}/compliance?rule={RULE}{query}")["items"]
    return dict(verdict)


def hot(serial: str, first: int, last: int) -> dict[str, Any]:
    return a_bag(*(a_reading(serial, hour, 60 + hour % 5) for hour in range(first, last)))


def test_each_entry_counts_from_when_it_was_made(tenant: Tenant) -> None:
    probe = a_probe(tenant)
    pile = a_pile(tenant, built_at=at(0), rules=[RULE])["id"]
    moments = [datetime.now(UTC)]

    def then(path: str, body: Any) -> None:
        tenant.post(path, body)
        moments.append(datetime.now(UTC))

    then("/v1/readings", hot(probe["serial"], 0, 60))
    a_placement(tenant, probe["id"], pile)
    moments.append(datetime.now(UTC))
    then("/v1/readings", hot(probe["serial"], 60, 80))
    then(
        f"/v1/probes/{probe['id']}/corrections",
        {"kind": "exclude", "from": at(30), "to": at(31), "reason": "lay on the bench"},
    )
    told = [compliance(tenant, pile, moment) for moment in moments]
    assert [one["held_days"] for one in told[:3]] == [0, 0, 59 / 24]
    assert [one["state"] for one in told] == [
        "cannot_judge",
        "cannot_judge",
        told[2]["state"],
        "met",
        told[4]["state"],
    ]
    assert told[3]["readings_digest"] != told[4]["readings_digest"]
    # Today's answer is that of the last moment.
    now = compliance(tenant, pile)
    assert (now["state"], now["readings_digest"]) == (told[4]["state"], told[4]["readings_digest"])


def test_it_is_judged_at_that_instant(tenant: Tenant) -> None:
    pile = a_pile(tenant, built_at=at(0), rules=[RULE])["id"]
    assert compliance(tenant, pile, START + timedelta(days=1))["judged_at"].startswith("2026-05-05")


def test_nobody_knows_the_future(tenant: Tenant) -> None:
    pile = a_pile(tenant)["id"]
    ahead = (datetime.now(UTC) + timedelta(hours=1)).isoformat().replace("+00:00", "Z")
    answer = tenant.call("GET", f"/v1/piles/{pile}/compliance?rule={RULE}&as_of={ahead}")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/as_of"
