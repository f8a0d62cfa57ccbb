"""What was known then: the verdict as it stood before late readings, turns, corrections and placements came in."""

from datetime import UTC, datetime, timedelta
from typing import Any

from tests.builders import START, a_bag, a_bay, a_pile, a_placement, a_probe, a_reading, a_site, at
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


class TestWhatChangedSince:
    """Facts that are put right in place keep no history: an answer of the past names those it takes from today."""

    def caveats(self, tenant: Tenant, pile: str, as_of: datetime | None) -> list[str]:
        query = "" if as_of is None else f"&as_of={as_of.isoformat().replace('+00:00', 'Z')}"
        found: list[str] = tenant.get(f"/v1/piles/{pile}/compliance?rule={RULE}{query}")["caveats"]
        return found

    def test_nothing_did(self, tenant: Tenant) -> None:
        probe, pile = a_probe(tenant), a_pile(tenant, built_at=at(0))["id"]
        a_placement(tenant, probe["id"], pile)
        tenant.post("/v1/readings", hot(probe["serial"], 0, 20))
        assert self.caveats(tenant, pile, datetime.now(UTC)) == []

    def test_each_that_did_is_named(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        bay = a_bay(tenant, site["id"])
        pile = a_pile(tenant, site["id"], built_at=at(0), bay_id=bay["id"])
        probe = a_probe(tenant)
        placement = a_placement(tenant, probe["id"], pile["id"])
        then = datetime.now(UTC)
        changes = {
            f"/v1/sites/{site['id']}": ({"time_zone": "UTC"}, f"site {site['name']}"),
            f"/v1/sites/{site['id']}/bays/{bay['id']}": ({"kind": "vessel"}, f"bay {bay['label']}"),
            f"/v1/piles/{pile['id']}": ({"design_volume_m3": 2}, f"pile {pile['label']}"),
            f"/v1/probes/{probe['id']}/placements/{placement['id']}": ({"to": at(9)}, probe["serial"]),
        }
        for n, (path, (change, named)) in enumerate(changes.items(), 1):
            assert tenant.call("PATCH", path, change, If_Match='"1"').status_code == 200
            told = self.caveats(tenant, pile["id"], then)
            assert len(told) == n
            assert any(named in one and "today" in one for one in told)
        # Of what is known now nothing is taken from another day.
        assert self.caveats(tenant, pile["id"], None) == []

    def test_a_pile_nobody_had_registered(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=at(0))["id"]
        (said,) = self.caveats(tenant, pile, START + timedelta(days=1))
        assert "registered only at" in said

    def test_another_build_is_known_by_its_trace(self, tenant: Tenant) -> None:
        """Built at hour 0, a load of hour 40 starts the days again; as built at hour 50 it is part of the build."""
        probe, pile = a_probe(tenant), a_pile(tenant, built_at=at(0))["id"]
        a_placement(tenant, probe["id"], pile)
        tenant.post("/v1/readings", hot(probe["serial"], 0, 90))
        tenant.post(
            f"/v1/piles/{pile}/events", {"kind": "load", "at": at(40), "volume_m3": 1, "material": "leaves"}
        )
        then = datetime.now(UTC)
        changed = tenant.call("PATCH", f"/v1/piles/{pile}", {"built_at": at(50)}, If_Match='"1"')
        assert changed.status_code == 200
        assert compliance(tenant, pile)["state"] == "met"
        assert compliance(tenant, pile, then)["state"] == "under_way"

    def test_a_build_that_was_given_later(self, tenant: Tenant) -> None:
        """Without a build a load is part of it; the build that is given later makes it fresh material."""
        probe, pile = a_probe(tenant), a_pile(tenant)["id"]
        a_placement(tenant, probe["id"], pile)
        tenant.post("/v1/readings", hot(probe["serial"], 0, 90))
        tenant.post(
            f"/v1/piles/{pile}/events", {"kind": "load", "at": at(40), "volume_m3": 1, "material": "leaves"}
        )
        then = datetime.now(UTC)
        changed = tenant.call("PATCH", f"/v1/piles/{pile}", {"built_at": at(0)}, If_Match='"1"')
        assert changed.status_code == 200
        assert compliance(tenant, pile)["state"] == "under_way"
        assert compliance(tenant, pile, then)["state"] == "met"

    def test_a_rule_of_ones_own_is_that_of_then(self, tenant: Tenant) -> None:
        hold = {
            "name": "60 °C for 2 days", "operator": ">=", "threshold": 60, "unit": "Cel", "duration_h": 48,
            "continuity": "consecutive", "max_gap_h": 24,
        }  # fmt: skip
        document = {
            "id": "permit-yard-3", "title": "Permit", "jurisdiction": "site", "methods": ["any"],
            "phrase": "60 °C for two days", "citation": "Permit 2026-17", "text_source": "The permit",
            "text_as_of": "2026-05-04", "text_status": "read", "holds": [hold],
        }  # fmt: skip
        pile = a_pile(tenant, built_at=at(0))["id"]
        moments = [datetime.now(UTC)]
        for threshold in (60, 65):
            tenant.post("/v1/rules", document | {"holds": [hold | {"threshold": threshold}]})
            moments.append(datetime.now(UTC))
        assert tenant.call(
            "PATCH", f"/v1/piles/{pile}", {"rules": ["permit-yard-3"]}, If_Match='"1"'
        ).is_success
        told = [
            tenant.get(f"/v1/piles/{pile}/compliance?as_of={moment.isoformat().replace('+00:00', 'Z')}")
            for moment in moments
        ]
        versions = [one["items"][0]["rule"]["version"] for one in told]
        assert versions[0] == versions[1] != versions[2]
        assert ["written later" in " ".join(one["caveats"]) for one in told] == [True, False, False]
