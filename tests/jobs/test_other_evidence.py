"""Not only readings re-open a verdict: what was placed, recorded or corrected later does, too."""

from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import text
from sqlmodel import Session

from service.jobs.tasks import Tools
from service.operations.reopening import REOPEN
from service.storage.database import Database
from tests.builders import a_placement, a_probe
from tests.conftest import Tenant
from tests.jobs.making import (
    HotPile,
    at,
    forget_jobs,
    look,
    outline,
    waiting,
)


class TestOtherEvidence:
    """What asks for the new look, in the transaction that changed the evidence, and what it comes to."""

    def _asked(self, database: Database, tenant: Tenant) -> bool:
        found = bool(waiting(database, REOPEN, tenant.organisation_id))
        forget_jobs(database, tenant.organisation_id)
        return found

    def test_a_probe_placed_later(
        self, pile: HotPile, tools: Tools, tenant: Tenant, database: Database
    ) -> None:
        pile.issue()
        second = a_probe(tenant)
        pile.send(range(80), serial=second["serial"])
        forget_jobs(database, tenant.organisation_id)
        a_placement(tenant, second["id"], pile.pile_id, position="core-2", **{"from": at(0)})
        assert self._asked(database, tenant)
        look(tools, tenant)
        live = tenant.get(f"/v1/piles/{pile.pile_id}/compliance")["items"][0]
        assert outline(pile)[1:] == [(live["state"], "late readings, a placement recorded later")]
        assert pile.verdicts[1]["verdict"]["readings_digest"] == live["readings_digest"]

    def test_a_probe_registered_later_whose_readings_were_held(
        self, pile: HotPile, tools: Tools, tenant: Tenant, database: Database
    ) -> None:
        pile.send(range(80), 20.0, serial="PR-later")
        pile.issue()
        probe = a_probe(tenant, serial="PR-later")
        assert probe["adopted_readings"] == 80
        assert not self._asked(database, tenant)  # they are in no pile yet
        a_placement(tenant, probe["id"], pile.pile_id, position="core-2", **{"from": at(0)})
        assert self._asked(database, tenant)
        look(tools, tenant)
        assert len(pile.verdicts) == 2
        assert "late readings" in pile.verdicts[1]["because"]

    def test_a_placement_that_ended_before(
        self, pile: HotPile, tools: Tools, tenant: Tenant, database: Database
    ) -> None:
        pile.issue()
        path = f"/v1/probes/{pile.probe_id}/placements/{pile.placement['id']}"
        assert tenant.call("PATCH", path, {"to": at(20)}, If_Match='"1"').status_code == 200
        assert self._asked(database, tenant)
        look(tools, tenant)
        assert [item["because"] for item in pile.verdicts] == [None, "late readings or a changed placement"]

    def test_fresh_material_recorded_later(
        self, pile: HotPile, tools: Tools, tenant: Tenant, database: Database
    ) -> None:
        """Fresh material at hour 60 starts the three days again: what was met is so no longer."""
        pile.send(range(41, 80))
        assert pile.issue()["verdict"]["state"] == "met"
        pile.event("load", 30)
        assert self._asked(database, tenant)
        look(tools, tenant)
        assert outline(pile) == [("met", None), ("under_way", "events recorded later")]

    def test_a_correction_of_what_lies_before(
        self, pile: HotPile, tools: Tools, tenant: Tenant, database: Database
    ) -> None:
        pile.send(range(41, 80))
        load_event = pile.event("load", 30)
        pile.issue()
        forget_jobs(database, tenant.organisation_id)
        pile.event("correct", 89, corrects=load_event["id"], reason="another pile", replacement=None)
        assert self._asked(database, tenant)
        look(tools, tenant)
        assert outline(pile) == [("under_way", None), ("met", "events recorded later")]

    def test_another_build(self, pile: HotPile, tools: Tools, tenant: Tenant, database: Database) -> None:
        pile.send(range(41, 80))
        pile.event("load", 1)
        assert pile.issue()["verdict"]["state"] == "met"
        forget_jobs(database, tenant.organisation_id)
        path = f"/v1/piles/{pile.pile_id}"
        assert tenant.call("PATCH", path, {"label": "named anew"}, If_Match='"1"').status_code == 200
        assert not self._asked(database, tenant)
        assert tenant.call("PATCH", path, {"built_at": at(0.5)}, If_Match='"2"').status_code == 200
        assert self._asked(database, tenant)
        look(tools, tenant)
        assert len(pile.verdicts) == 1  # another build, and nothing else: the load still came after it
        assert tenant.call("PATCH", path, {"built_at": at(2)}, If_Match='"3"').status_code == 200
        look(tools, tenant)
        assert outline(pile) == [("met", None), ("met", "events recorded later")]
        was, now = (datetime.fromisoformat(one["verdict"]["met_at"]) for one in pile.verdicts)
        assert was - now == timedelta(hours=1)  # the load was part of the build, and started nothing again

    def test_a_laboratory_result(self, pile: HotPile, tools: Tools, tenant: Tenant) -> None:
        """40 CFR 503.32(a)(7): faecal coliforms below 1,000 MPN/g or Salmonella below 3 MPN/4 g, total solids dry."""
        pile.send(range(41, 80))
        assert "pathogen_limits" in pile.issue()["verdict"]["duties_open"]
        pile.event("sample", 85, fecal_coliform_mpn_g=200, laboratory="North")
        look(tools, tenant)
        assert outline(pile) == [("met", None), ("met", "events recorded later")]
        assert "pathogen_limits" not in pile.verdicts[1]["verdict"]["duties_open"]

    def test_a_turn_recorded_later(self, pile: HotPile, tools: Tools, tenant: Tenant) -> None:
        assert pile.issue("us-503-pfrp-windrow")["verdict"]["turns_counted"] == 0
        pile.event("turn", 20)
        look(tools, tenant)
        assert [one["verdict"]["turns_counted"] for one in pile.verdicts] == [0, 1]

    def test_a_calibration_recorded_later(self, pile: HotPile, tools: Tools, tenant: Tenant) -> None:
        """BioAbfV § 3 (6): thermometers calibrated at least once a year."""
        assert "calibration" in pile.issue("de-bioabfv")["verdict"]["duties_open"]
        tenant.post(
            f"/v1/probes/{pile.probe_id}/calibrations",
            {"calibrated_at": at(-48), "method": "ice_bath", "reference_c": 0, "shown_c": 0.2},
        )
        look(tools, tenant)
        first, second = (one["verdict"]["duties_open"] for one in pile.verdicts)
        assert set(first) - set(second) == {"calibration"}

    def test_what_happened_after_the_instant_judged_re_opens_nothing(
        self, pile: HotPile, tools: Tools, tenant: Tenant, database: Database
    ) -> None:
        """Closed afterwards, the pile can no longer be met; that was not so at the instant judged."""
        first = pile.issue()
        assert first["verdict"]["state"] == "under_way"
        with Session(database.engine) as session, session.begin():
            session.execute(text("select set_config('heapledger.organisation', :o, true)"), _o(tenant))
            session.execute(
                text(
                    "insert into pile_event (organisation_id, id, pile_id, kind, at, details, recorded_at)"
                    " values (:o, gen_random_uuid(), :p, 'close', now() + interval '2 minutes', '{}', now())"
                ),
                {**_o(tenant), "p": pile.pile_id},
            )
        assert tenant.get(f"/v1/piles/{pile.pile_id}/compliance")["items"][0]["state"] == "not_met"
        look(tools, tenant)
        assert len(pile.verdicts) == 1

    def test_what_was_known_and_lay_ahead_still_counts(
        self, pile: HotPile, tools: Tools, tenant: Tenant
    ) -> None:
        """An event a few minutes ahead was seen by the verdict; looking again must see it, too."""
        moment = (datetime.now(UTC) + timedelta(minutes=5)).isoformat()
        tenant.post(f"/v1/piles/{pile.pile_id}/events", {"kind": "close", "at": moment})
        assert pile.issue()["verdict"]["state"] == "not_met"
        look(tools, tenant)
        assert len(pile.verdicts) == 1


def _o(tenant: Tenant) -> dict[str, Any]:
    return {"o": str(tenant.organisation_id)}
