"""An issued verdict is derived again to the byte from what was on record then, and is not once that was changed."""

from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy import text
from sqlmodel import Session

from service.jobs.tasks import Tools
from service.jobs.verdicts import reopen_verdicts
from service.operations.reproductions import digest_of
from service.storage.database import connect_engine
from service.storage.partitions import enter_plain
from tests.builders import a_bay, a_pile, a_site, at
from tests.conftest import Tenant, Urls
from tests.http.lineages import STATIC, WINDROW, happened, heat, send
from tests.jobs.making import tools_of


def issue(tenant: Tenant, pile: str, rule: str = STATIC, interpretation: str = "inspector") -> dict[str, Any]:
    made: dict[str, Any] = tenant.post(
        f"/v1/piles/{pile}/verdicts", {"rule": rule, "interpretation": interpretation}
    )
    return made


def again(tenant: Tenant, verdict_id: str) -> dict[str, Any]:
    answer: dict[str, Any] = tenant.get(f"/v1/verdicts/{verdict_id}/reproduction")
    return answer


@pytest.fixture
def probe(tenant: Tenant, pile: dict[str, Any]) -> dict[str, Any]:
    return heat(tenant, pile["id"], range(60))


@pytest.fixture
def pile(tenant: Tenant) -> dict[str, Any]:
    site = a_site(tenant, work_days=["mon", "wed", "fri"])
    bay = a_bay(tenant, site["id"], kind="windrow_strip", volume_m3=40)
    pattern = {"rest_days": 3, "turn_every_days": 3, "last_turn_day": 27}
    return a_pile(tenant, site["id"], built_at=at(0), bay_id=bay["id"], pattern=pattern)


class TestReproduced:
    @pytest.mark.parametrize(
        "rule", [STATIC, WINDROW, "de-bioabfv", "us-ca-windrow", "uk-abp-housed-windrow"]
    )
    @pytest.mark.parametrize("interpretation", ["inspector", "literal"])
    def test_whatever_came_since(
        self, tenant: Tenant, pile: dict[str, Any], probe: dict[str, Any], rule: str, interpretation: str
    ) -> None:
        happened(tenant, pile["id"], "turn", 30)
        happened(tenant, pile["id"], "cover", 31, thickness_cm=20)
        path = f"/v1/probes/{probe['id']}"
        tenant.post(
            f"{path}/calibrations",
            {"calibrated_at": at(-9), "method": "ice_bath", "reference_c": 0, "shown_c": 0.4},
        )
        issued = issue(tenant, pile["id"], rule, interpretation)
        send(tenant, probe["serial"], range(60, 80))
        happened(tenant, pile["id"], "turn", 50)
        happened(tenant, pile["id"], "sample", 55, fecal_coliform_mpn_g=5)
        tenant.post(
            f"{path}/corrections", {"kind": "exclude", "from": at(9), "to": at(12), "reason": "on the bench"}
        )
        tenant.post(
            f"{path}/calibrations",
            {"calibrated_at": at(-8), "method": "ice_bath", "reference_c": 0, "shown_c": 0.9},
        )
        heat(tenant, pile["id"], range(70), 40.0, position="toe")
        found = again(tenant, issued["id"])
        assert (found["reproduced"], found["differences"], found["because"]) == (True, [], [])
        assert found["body_digest"] == found["body_digest_now"]
        assert (found["readings_digest"], found["rule_version"], found["interpretation"]) == (
            issued["verdict"]["readings_digest"],
            issued["verdict"]["rule"]["version"],
            interpretation,
        )
        live = issue(tenant, pile["id"], rule, interpretation)
        assert live["verdict"]["readings_digest"] != issued["verdict"]["readings_digest"]
        assert again(tenant, live["id"])["reproduced"]

    def test_of_a_merged_pile(self, tenant: Tenant, pile: dict[str, Any], probe: dict[str, Any]) -> None:
        other = a_pile(tenant, pile["site_id"], built_at=at(20))
        late = heat(tenant, other["id"], range(20, 50))
        happened(tenant, pile["id"], "merge", 60, with_pile_id=other["id"])
        issued = issue(tenant, pile["id"])
        assert issued["verdict"]["follows"] == other["label"]
        send(tenant, late["serial"], range(50, 60))
        send(tenant, probe["serial"], range(60, 80))
        assert again(tenant, issued["id"])["reproduced"]

    def test_a_successor(
        self, tenant: Tenant, pile: dict[str, Any], probe: dict[str, Any], urls: Urls
    ) -> None:
        first = issue(tenant, pile["id"])
        # It ended after the instant judged: neither the successor nor its reproduction may see that.
        close = {"kind": "close", "at": datetime.now(UTC).isoformat()}
        tenant.post(f"/v1/piles/{pile['id']}/events", close)
        send(tenant, probe["serial"], range(60, 70))
        tools: Tools = tools_of(urls)
        reopen_verdicts(tools, organisation_id=tenant.organisation_id)
        tools.database.close()
        happened(tenant, pile["id"], "load", 40, volume_m3=1, material="leaves")
        told = tenant.get(f"/v1/piles/{pile['id']}/verdicts")["items"]
        assert [(one["supersedes"], one["verdict"]["state"]) for one in told] == [
            (None, "under_way"),
            (first["id"], "under_way"),
        ]
        assert [again(tenant, one["id"])["reproduced"] for one in told] == [True, True]

    @pytest.mark.usefixtures("probe")
    def test_under_a_rule_of_ones_own_as_it_was_worded(self, tenant: Tenant, pile: dict[str, Any]) -> None:
        hold = {
            "name": "60 °C for 2 days", "operator": ">=", "threshold": 60, "unit": "Cel", "duration_h": 48,
            "continuity": "consecutive", "max_gap_h": 24,
        }  # fmt: skip
        document = {
            "id": "permit-yard-3", "title": "Permit", "jurisdiction": "site", "methods": ["any"],
            "phrase": "60 °C for two days", "citation": "Permit 2026-17", "text_source": "The permit",
            "text_as_of": "2026-05-04", "text_status": "read", "holds": [hold],
        }  # fmt: skip
        tenant.post("/v1/rules", document)
        issued = issue(tenant, pile["id"], "permit-yard-3")
        tenant.post("/v1/rules", document | {"holds": [hold | {"threshold": 59}]})
        found = again(tenant, issued["id"])
        assert (found["reproduced"], found["rule_version_now"]) == (
            True,
            issued["verdict"]["rule"]["version"],
        )


@pytest.mark.usefixtures("probe")
class TestNotReproduced:
    def test_once_a_reading_was_changed(self, tenant: Tenant, pile: dict[str, Any], urls: Urls) -> None:
        """As somebody with the owner's login could: the service itself may not."""
        issued = issue(tenant, pile["id"])
        assert again(tenant, issued["id"])["reproduced"]
        as_owner(
            urls,
            tenant,
            "update reading set value = 54.5 where organisation_id = :o and observed_at = :at",
            at=at(30),
        )
        found = again(tenant, issued["id"])
        assert not found["reproduced"]
        assert found["readings_digest_now"] != found["readings_digest"]
        assert found["body_digest_now"] != found["body_digest"]
        assert "one was changed or removed" in found["because"][0]
        pointers = {one["pointer"] for one in found["differences"]}
        assert {"/readings_digest", "/held_h"} <= pointers

    def test_once_the_verdict_was_changed(self, tenant: Tenant, pile: dict[str, Any], urls: Urls) -> None:
        issued = issue(tenant, pile["id"])
        as_owner(
            urls,
            tenant,
            "update verdict set body = jsonb_set(body, '{held_h}', '99') where organisation_id = :o",
        )
        found = again(tenant, issued["id"])
        assert found["differences"] == [
            {"pointer": "/held_h", "on_file": 99, "now": issued["verdict"]["held_h"]}
        ]

    def test_once_a_placement_was_changed_and_it_says_so(
        self, tenant: Tenant, pile: dict[str, Any], probe: dict[str, Any]
    ) -> None:
        issued = issue(tenant, pile["id"])
        (placement,) = tenant.get(f"/v1/probes/{probe['id']}/placements")["items"]
        path = f"/v1/probes/{probe['id']}/placements/{placement['id']}"
        assert tenant.call("PATCH", path, {"to": at(20)}, If_Match='"1"').status_code == 200
        found = again(tenant, issued["id"])
        assert not found["reproduced"]
        assert any(probe["serial"] in one for one in found["because"])

    def test_once_the_site_keeps_another_time(self, tenant: Tenant, pile: dict[str, Any]) -> None:
        """A rule that counts days counts those of the site."""
        issued = issue(tenant, pile["id"], "us-ca-windrow")
        path = f"/v1/sites/{pile['site_id']}"
        changed = tenant.call("PATCH", path, {"time_zone": "Pacific/Auckland"}, If_Match='"1"')
        assert changed.status_code == 200
        found = again(tenant, issued["id"])
        assert not found["reproduced"]
        assert any("time zone" in one for one in found["because"])

    def test_under_a_rule_this_release_has_not(
        self, tenant: Tenant, pile: dict[str, Any], urls: Urls
    ) -> None:
        issued = issue(tenant, pile["id"])
        as_owner(urls, tenant, "update verdict set rule_version = 'older' where organisation_id = :o")
        found = again(tenant, issued["id"])
        assert (found["reproduced"], found["rule_version_now"], found["body_digest_now"]) == (
            False,
            None,
            None,
        )
        assert "not part of this release" in found["because"][0]


class TestAuthority:
    def test_a_verdict_nobody_issued(self, tenant: Tenant) -> None:
        nobody = "01900000-0000-7000-8000-000000000000"
        assert tenant.call("GET", f"/v1/verdicts/{nobody}/reproduction").status_code == 404

    def test_one_of_another_site(self, tenant: Tenant, pile: dict[str, Any]) -> None:
        issued = issue(tenant, pile["id"])
        key = tenant.key_for("read", site_id=a_site(tenant)["id"])
        answer = tenant.call("GET", f"/v1/verdicts/{issued['id']}/reproduction", key=key)
        assert answer.status_code == 404


def test_the_digest_is_of_canonical_json() -> None:
    """RFC 6234 SHA-256 of the two bytes ``{}``, as any tool gives it."""
    assert digest_of({}) == "sha256:44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"
    assert digest_of({"b": 1, "a": [1.5, "ä"]}) == digest_of({"a": [1.5, "ä"], "b": 1})


def as_owner(urls: Urls, tenant: Tenant, statement: str, **values: Any) -> None:
    """Change the record behind the service's back."""
    engine = connect_engine(urls.owner, pool_size=1)
    with Session(engine) as session, session.begin():
        enter_plain(session.connection(), tenant.organisation_id)
        changed = session.execute(text(statement), {"o": tenant.organisation_id, **values})
        assert changed.rowcount >= 1  # type: ignore[attr-defined]
    engine.dispose()
