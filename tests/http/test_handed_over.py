"""What the record hands to a judge: method, instruments, plan, size, storage, laboratory; each changes an answer."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.builders import a_bag, a_bay, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant
from tests.http.lineages import happened, heat, judged, judged_as_of

DAYS_AGO = datetime.now(UTC).replace(microsecond=0) - timedelta(days=8)


def state_of(verdict: dict[str, Any], name: str) -> str:
    """Return how a criterion stands."""
    (found,) = [one["state"] for one in verdict["criteria"] if one["name"] == name]
    return str(found)


class TestMethod:
    """6 NYCRR 361-3.7 and EPA/625/R-92/013: static piles are to be insulated; a vessel needs no cover."""

    @pytest.mark.parametrize(
        ("kinds", "state"),
        [
            (["vessel"], "met"),
            (["vessel", "vessel"], "met"),
            (["aerated_bay"], "cannot_judge"),  # a static pile, and nobody told of a cover
            (["windrow_strip"], "cannot_judge"),
            (["cage"], "cannot_judge"),  # turned or not: a cage tells nothing
            (["vessel", "cage"], "cannot_judge"),
            ([], "cannot_judge"),
        ],
    )
    def test_follows_from_the_bays(self, tenant: Tenant, kinds: list[str], state: str) -> None:
        site = a_site(tenant)["id"]
        bays = [a_bay(tenant, site, kind=kind)["id"] for kind in kinds]
        pile = a_pile(tenant, site, built_at=at(0), bay_id=bays[0] if bays else None)["id"]
        for place, bay in enumerate(bays[1:]):
            happened(tenant, pile, "move", 10 + place, bay_id=bay)
        assert state_of(judged(tenant, pile, "us-ny-static-vessel"), "insulating_cover") == state

    def test_where_it_cures_says_nothing(self, tenant: Tenant) -> None:
        site = a_site(tenant)["id"]
        vessel, cage = (a_bay(tenant, site, kind=kind)["id"] for kind in ("vessel", "cage"))
        pile = a_pile(tenant, site, built_at=at(0), bay_id=vessel)["id"]
        happened(tenant, pile, "move", 100, bay_id=cage, purpose="curing")
        assert state_of(judged(tenant, pile, "us-ny-static-vessel"), "insulating_cover") == "met"


class TestInstruments:
    """BioAbfV § 3 (6): thermometers calibrated at least once a year."""

    def calibrate(self, tenant: Tenant, probe: dict[str, Any], hour: float, **more: Any) -> None:
        body = {"calibrated_at": at(hour), "method": "ice_bath", "reference_c": 0, "shown_c": 0.0} | more
        tenant.post(f"/v1/probes/{probe['id']}/calibrations", body)

    def test_a_calibration_before_the_last_reading_shows_it(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=at(0))["id"]
        probe = heat(tenant, pile, range(20))
        assert state_of(judged(tenant, pile, "de-bioabfv"), "calibration") == "cannot_judge"
        self.calibrate(tenant, probe, 30)  # after the last reading: it tells nothing of how that was read
        assert state_of(judged(tenant, pile, "de-bioabfv"), "calibration") == "cannot_judge"
        self.calibrate(tenant, probe, -366 * 24)
        assert state_of(judged(tenant, pile, "de-bioabfv"), "calibration") == "not_met"
        before = datetime.now(UTC)
        self.calibrate(tenant, probe, -24)
        assert state_of(judged(tenant, pile, "de-bioabfv"), "calibration") == "met"
        assert state_of(judged_as_of(tenant, pile, before, "de-bioabfv"), "calibration") == "not_met"

    def test_every_probe_needs_one(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=at(0))["id"]
        first = heat(tenant, pile, range(20), until=20)
        self.calibrate(tenant, first, -24)
        second = heat(tenant, pile, range(20, 40))  # took over the same place
        assert state_of(judged(tenant, pile, "de-bioabfv"), "calibration") == "cannot_judge"
        self.calibrate(tenant, second, -24)
        assert state_of(judged(tenant, pile, "de-bioabfv"), "calibration") == "met"

    @pytest.mark.parametrize(
        ("maker_c", "calibration", "asks"),
        [
            (None, None, False),
            (0.5, None, True),
            (0.05, None, False),
            (0.5, {"accuracy_c": 0.05}, False),  # what was found later holds before what the maker says
            (0.05, {"accuracy_c": 0.05, "shown_c": 0.6}, True),  # it was found to show 0.6 too much
        ],
    )
    def test_a_margin_below_the_accuracy_is_asked_about(
        self, tenant: Tenant, maker_c: float | None, calibration: dict[str, Any] | None, *, asks: bool
    ) -> None:
        """T14: 55.1 to 55.3 degC with a probe good to half a degree."""
        pile = a_pile(tenant, built_at=at(0))["id"]
        given = {} if maker_c is None else {"accuracy_c": maker_c}
        probe = a_probe(tenant, **given)
        a_placement(tenant, probe["id"], pile)
        tenant.post(
            "/v1/readings", a_bag(*(a_reading(probe["serial"], h, 55.1 + h % 3 / 10) for h in range(80)))
        )
        if calibration is not None:
            self.calibrate(tenant, probe, -24, **calibration)
        found = judged(tenant, pile)
        assert found["state"] == "met"
        assert ("accurate to" in (found["note"] or "")) == asks


class TestPlan:
    def a_pile(self, tenant: Tenant, **overrides: Any) -> str:
        """A windrow built eight days ago and hot since; nobody turned it yet."""
        site = a_site(tenant, time_zone="UTC", work_days=["mon", "tue", "wed", "thu", "fri", "sat", "sun"])
        built = DAYS_AGO.isoformat()
        pile = a_pile(tenant, site["id"], built_at=built, rules=["us-503-pfrp-windrow"], **overrides)["id"]
        probe = a_probe(tenant)
        a_placement(tenant, probe["id"], pile, **{"from": built})
        readings = [
            a_reading(probe["serial"], 0, 60 + hour % 7 / 5)
            | {"observed_at": (DAYS_AGO + timedelta(hours=hour)).isoformat()}
            for hour in range(8 * 24 + 1)
        ]
        assert tenant.post("/v1/readings", a_bag(*readings))["refused"] == []
        return str(pile)

    def test_the_turns_that_are_planned_are_waited_for(self, tenant: Tenant) -> None:
        """Fifteen days are over in a week; five turns, one in four days from now on, take longer."""
        pattern = {"rest_days": 9, "turn_every_days": 4, "last_turn_day": 60}
        planned, unplanned = self.a_pile(tenant, pattern=pattern), self.a_pile(tenant)
        days = tenant.get(f"/v1/piles/{planned}/schedule")["days"]
        turns = [one["date"] for one in days if one["task"] == "turn"]
        ahead = [
            judged(tenant, pile, "us-503-pfrp-windrow")["earliest_possible"] for pile in (planned, unplanned)
        ]
        assert ahead[0][:10] == turns[4]
        assert ahead[1] < ahead[0]

    def test_none_is_waited_for_once_it_is_set_aside(self, tenant: Tenant) -> None:
        pattern = {"rest_days": 9, "turn_every_days": 4, "last_turn_day": 60}
        pile = self.a_pile(tenant, pattern=pattern)
        moved = (datetime.now(UTC) - timedelta(minutes=1)).isoformat()
        tenant.post(f"/v1/piles/{pile}/events", {"kind": "move", "purpose": "curing", "at": moved})
        found = judged(tenant, pile, "us-503-pfrp-windrow")
        assert (found["state"], found["earliest_possible"]) == ("not_met", None)

    def test_a_plan_that_fits_nobody_is_left_out(self, tenant: Tenant) -> None:
        site = a_site(tenant)  # no crew is ever there
        pattern = {"rest_days": 3, "turn_on": ["mon"], "last_turn_day": 27}
        pile = a_pile(tenant, site["id"], built_at=at(0), pattern=pattern)["id"]
        heat(tenant, pile, range(20))
        assert judged(tenant, pile, "us-503-pfrp-windrow")["state"] in {"under_way", "cannot_judge"}


class TestSize:
    """14 CCR 17868.3: one reading for every 150 feet of windrow or every 200 cubic yards, 152.9 m3."""

    def places(self, tenant: Tenant, pile: str) -> str:
        heat(tenant, pile, range(20))
        return state_of(judged(tenant, pile, "us-ca-windrow"), "sampling_places")

    def test_as_loaded(self, tenant: Tenant) -> None:
        small, large = (a_pile(tenant, built_at=at(2))["id"] for _ in range(2))
        happened(tenant, small, "load", 0, volume_m3=150)
        happened(tenant, large, "load", 0, volume_m3=160)
        assert (self.places(tenant, small), self.places(tenant, large)) == ("met", "not_met")

    def test_else_what_the_bay_holds(self, tenant: Tenant) -> None:
        site = a_site(tenant)["id"]
        large = a_bay(tenant, site, kind="windrow_strip", volume_m3=400)["id"]
        assert self.places(tenant, a_pile(tenant, site, built_at=at(0), bay_id=large)["id"]) == "not_met"
        assert self.places(tenant, a_pile(tenant, site, built_at=at(0))["id"]) == "cannot_judge"


class TestStorage:
    """SI (W) 2006/1293: meat excluded at source and stored for not less than 18 days after treatment."""

    def test_days_since_it_was_stored(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=at(0))["id"]
        happened(tenant, pile, "observe", 0, duties=["meat_excluded"])
        heat(tenant, pile, range(20))
        assert self.barrier(tenant, pile) == "under_way"
        happened(tenant, pile, "move", 100, purpose="curing")
        assert self.barrier(tenant, pile) == "cannot_judge"
        entry = happened(tenant, pile, "move", 200, purpose="storage")
        assert self.barrier(tenant, pile) == "met"
        recent = (datetime.now(UTC) - timedelta(days=17)).isoformat()
        instead = {"kind": "move", "purpose": "storage", "at": recent}
        happened(tenant, pile, "correct", 300, corrects=entry["id"], reason="later", replacement=instead)
        assert self.barrier(tenant, pile) == "under_way"

    def barrier(self, tenant: Tenant, pile: str) -> str:
        return state_of(judged(tenant, pile, "uk-abp-housed-windrow"), "second_barrier")


class TestLaboratory:
    def test_stability_under_the_european_rule(self, tenant: Tenant) -> None:
        """Regulation (EU) 2019/1009, annex II, CMC 3: oxygen uptake at most 25 mmol/kg/h, or Rottegrad III at least."""
        pile = a_pile(tenant, built_at=at(0))["id"]
        happened(tenant, pile, "sample", 10, oxygen_uptake_mmol_kg_h=26, rottegrad=2)
        (name,) = [
            one["name"]
            for one in judged(tenant, pile, "eu-cmc3")["criteria"]
            if "rottegrad" in (one["detail"] + one["needed"]).lower()
        ]
        assert state_of(judged(tenant, pile, "eu-cmc3"), name) == "not_met"
        happened(tenant, pile, "sample", 11, rottegrad=3)
        assert state_of(judged(tenant, pile, "eu-cmc3"), name) == "met"

    def test_pathogens_of_a_sample(self, tenant: Tenant) -> None:
        """T27: 1,000 MPN/g and Salmonella below 3: met where the text says or; failed where it says and, and '<'."""
        pile = a_pile(tenant, built_at=at(0))["id"]
        happened(
            tenant, pile, "sample", 10, fecal_coliform_mpn_g=1000, salmonella_mpn_4g=0, laboratory="North"
        )
        for rule, state in (("us-503-pfrp-asp", "met"), ("us-fda-static", "not_met"), ("us-nop-5021", "met")):
            assert state_of(judged(tenant, pile, rule), "pathogen_limits") == state, rule
