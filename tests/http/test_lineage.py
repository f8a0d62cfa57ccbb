"""Merged and split piles: every part of a batch must have met the rule, so the least advanced history governs."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.builders import START, a_site, at
from tests.conftest import Tenant
from tests.http.lineages import WINDROW, a_built_pile, happened, heat, judged, judged_as_of, send

OLD, YOUNG = "Old heap", "Young heap"
MOMENT = 0.001
"""A probe is drawn so many hours after its last reading: what nobody read in between is not held."""


@pytest.fixture
def site(tenant: Tenant) -> str:
    return str(a_site(tenant)["id"])


def labelled(tenant: Tenant, site: str, label: str, hours: range, value: float = 60.0) -> dict[str, Any]:
    pile = a_built_pile(tenant, site, hours[0], label=label)
    heat(tenant, pile["id"], hours, value, until=hours[-1] + MOMENT)
    return pile


class TestMerge:
    def test_a_met_pile_with_a_cold_one_put_onto_it_is_not_met(self, tenant: Tenant, site: str) -> None:
        old = labelled(tenant, site, OLD, range(100))
        young = labelled(tenant, site, YOUNG, range(60, 100), 25.0)
        assert judged(tenant, old["id"])["state"] == "met"
        happened(tenant, old["id"], "merge", 100, with_pile_id=young["id"])
        heat(tenant, old["id"], range(100, 150), position="core-2")
        found = judged(tenant, old["id"])
        assert (found["state"], found["follows"], found["held_h"]) == ("under_way", YOUNG, 49.0)

    def test_it_goes_on_from_the_younger(self, tenant: Tenant, site: str) -> None:
        """The old had met its three days, the young had 40 hours: the whole is met 32 hours after the joining."""
        old = labelled(tenant, site, OLD, range(100))
        young = labelled(tenant, site, YOUNG, range(60, 101))
        happened(tenant, old["id"], "merge", 100, with_pile_id=young["id"])
        heat(tenant, old["id"], range(100, 150), position="core-2")
        found = judged(tenant, old["id"])
        assert (found["state"], found["met_at"][:13]) == ("met", at(60 + 72)[:13])

    @pytest.mark.parametrize("recorded_on", ["the old", "the young", "both"])
    def test_whichever_record_it_stands_on(self, tenant: Tenant, site: str, recorded_on: str) -> None:
        old = labelled(tenant, site, OLD, range(100))
        young = labelled(tenant, site, YOUNG, range(60, 101))
        if recorded_on != "the young":
            happened(tenant, old["id"], "merge", 100, with_pile_id=young["id"])
        if recorded_on != "the old":
            happened(tenant, young["id"], "merge", 100, into_pile_id=old["id"])
        heat(tenant, old["id"], range(100, 120), position="core-2")
        found = judged(tenant, old["id"])
        assert (found["state"], found["follows"], found["held_h"]) == ("under_way", YOUNG, 59.0)

    def test_two_put_together_into_a_third(self, tenant: Tenant, site: str) -> None:
        """T30: the merged batch goes on from the heat and the turnings of the less advanced."""
        old, young = (
            labelled(tenant, site, OLD, range(241)),
            labelled(tenant, site, YOUNG, range(144, 241)),
        )
        for hour in (48, 120, 192):
            happened(tenant, old["id"], "turn", hour)
        happened(tenant, young["id"], "turn", 192)
        third = a_built_pile(tenant, site, 240, label="Third heap")
        happened(tenant, old["id"], "merge", 240, with_pile_id=young["id"], into_pile_id=third["id"])
        heat(tenant, third["id"], range(240, 260))
        found = judged(tenant, third["id"], WINDROW)
        assert (found["follows"], found["turns_counted"], found["held_h"]) == (YOUNG, 1, 259.0 - 144)

    def test_two_equally_advanced_keep_it(self, tenant: Tenant, site: str) -> None:
        one, other = (labelled(tenant, site, label, range(100)) for label in (OLD, YOUNG))
        happened(tenant, one["id"], "merge", 100, with_pile_id=other["id"])
        found = judged(tenant, one["id"])
        assert (found["state"], found["met_at"][:13]) == ("met", at(72)[:13])

    def test_two_that_cure_go_on_curing(self, tenant: Tenant, site: str) -> None:
        """21 CFR 112.54(b)(1): three days at 131 degF, 'followed by adequate curing'; the younger's curing counts."""
        one, other = (labelled(tenant, site, label, range(100)) for label in (OLD, YOUNG))
        happened(tenant, one["id"], "move", 100, purpose="curing")
        happened(tenant, other["id"], "move", 400, purpose="curing")
        happened(tenant, one["id"], "merge", 500, with_pile_id=other["id"])
        curing = next(
            criterion
            for criterion in judged(tenant, one["id"], "us-fda-static")["criteria"]
            if "cur" in criterion["name"]
        )
        assert curing["state"] == "met"
        # With one that still works, the whole does.
        fresh = labelled(tenant, site, "Fresh heap", range(500, 520))
        happened(tenant, one["id"], "merge", 520, with_pile_id=fresh["id"])
        assert judged(tenant, one["id"], "us-fda-static")["state"] != "met"

    def test_of_a_pile_nobody_names_all_starts_again(self, tenant: Tenant, site: str) -> None:
        old = labelled(tenant, site, OLD, range(100))
        happened(tenant, old["id"], "merge", 90)
        found = judged(tenant, old["id"])
        assert (found["state"], found["held_h"], found["follows"]) == ("under_way", 9.0, None)

    def test_fresh_material_at_the_same_instant_is_not_hidden_by_it(self, tenant: Tenant, site: str) -> None:
        one, other = (labelled(tenant, site, label, range(100)) for label in (OLD, YOUNG))
        happened(tenant, one["id"], "merge", 90, with_pile_id=other["id"])
        happened(tenant, one["id"], "load", 90, material="fresh manure", volume_m3=1)
        assert judged(tenant, one["id"])["state"] == "under_way"

    def test_nor_is_what_was_loaded_between_it_and_the_build(self, tenant: Tenant, site: str) -> None:
        """Two treated piles put together, manure on top, and only then is it called built."""
        one, other = (labelled(tenant, site, label, range(100)) for label in (OLD, YOUNG))
        third = a_built_pile(tenant, site, 104)
        happened(tenant, third["id"], "merge", 100, with_pile_id=one["id"])
        happened(tenant, third["id"], "merge", 101, with_pile_id=other["id"])
        heat(tenant, third["id"], range(100, 120))
        assert judged(tenant, third["id"])["state"] == "met"
        happened(tenant, third["id"], "load", 103, material="fresh manure", volume_m3=1)
        assert judged(tenant, third["id"])["state"] == "under_way"

    def test_swapped_at_one_instant(self, tenant: Tenant, site: str) -> None:
        """Each said to have been put onto the other: an answer, and that of the less advanced, on both."""
        old, young = labelled(tenant, site, OLD, range(101)), labelled(tenant, site, YOUNG, range(60, 101))
        happened(tenant, old["id"], "merge", 100, with_pile_id=young["id"])
        happened(tenant, young["id"], "merge", 100, with_pile_id=old["id"])
        for pile in (old, young):
            assert judged(tenant, pile["id"])["state"] == "under_way"

    def test_a_correction_takes_it_back(self, tenant: Tenant, site: str) -> None:
        old, young = labelled(tenant, site, OLD, range(100)), labelled(tenant, site, YOUNG, range(60, 100))
        entry = happened(tenant, young["id"], "merge", 100, into_pile_id=old["id"])
        assert judged(tenant, old["id"])["state"] == "under_way"
        happened(
            tenant, young["id"], "correct", 101, corrects=entry["id"], reason="other heap", replacement=None
        )
        assert (judged(tenant, old["id"])["state"], judged(tenant, old["id"])["follows"]) == ("met", None)

    def test_a_correction_brings_it(self, tenant: Tenant, site: str) -> None:
        old, young = labelled(tenant, site, OLD, range(100)), labelled(tenant, site, YOUNG, range(60, 100))
        elsewhere = a_built_pile(tenant, site)
        entry = happened(tenant, young["id"], "merge", 100, into_pile_id=elsewhere["id"])
        instead = {"kind": "merge", "at": at(100), "into_pile_id": old["id"]}
        happened(
            tenant, young["id"], "correct", 101, corrects=entry["id"], reason="that heap", replacement=instead
        )
        assert judged(tenant, old["id"])["follows"] == YOUNG
        assert judged(tenant, elsewhere["id"])["follows"] is None


class TestSplit:
    def test_the_halves_keep_what_the_whole_had(self, tenant: Tenant, site: str) -> None:
        whole = labelled(tenant, site, OLD, range(61))
        halves = [a_built_pile(tenant, site, hour) for hour in (60, 0, None)]
        happened(tenant, whole["id"], "split", 60, into_pile_ids=[half["id"] for half in halves])
        for half in halves:
            heat(tenant, half["id"], range(60, 80))
            found = judged(tenant, half["id"])
            assert (found["state"], found["met_at"][:13], found["follows"]) == ("met", at(72)[:13], None)

    def test_one_goes_cold_and_the_other_does_not(self, tenant: Tenant, site: str) -> None:
        whole = labelled(tenant, site, OLD, range(61))
        warm, cold = (a_built_pile(tenant, site, 60) for _ in range(2))
        happened(tenant, whole["id"], "split", 60, into_pile_ids=[warm["id"], cold["id"]])
        heat(tenant, warm["id"], range(60, 80))
        heat(tenant, cold["id"], range(60, 80), 30.0)
        assert [judged(tenant, one["id"])["state"] for one in (warm, cold)] == ["met", "under_way"]

    def test_turns_and_samples_of_the_whole_go_along_and_later_ones_do_not(
        self, tenant: Tenant, site: str
    ) -> None:
        whole = labelled(tenant, site, OLD, range(61))
        happened(tenant, whole["id"], "turn", 30)
        happened(tenant, whole["id"], "sample", 40, fecal_coliform_mpn_g=5)
        half = a_built_pile(tenant, site, 60)
        happened(tenant, whole["id"], "split", 60, into_pile_ids=[half["id"]])
        happened(tenant, whole["id"], "turn", 70)
        heat(tenant, half["id"], range(60, 80))
        found = judged(tenant, half["id"], WINDROW)
        assert found["turns_counted"] == 1
        assert "pathogen_limits" not in found["duties_open"]
        # A sample of what stayed behind, taken after, says nothing of the half.
        other = a_built_pile(tenant, site, 60)
        rest = labelled(tenant, site, "Rest", range(61))
        happened(tenant, rest["id"], "split", 60, into_pile_ids=[other["id"]])
        happened(tenant, rest["id"], "sample", 70, fecal_coliform_mpn_g=5)
        heat(tenant, other["id"], range(60, 80))
        assert "pathogen_limits" in judged(tenant, other["id"], WINDROW)["duties_open"]

    def test_curing_goes_along(self, tenant: Tenant, site: str) -> None:
        whole = labelled(tenant, site, OLD, range(100))
        happened(tenant, whole["id"], "move", 100, purpose="curing")
        half = a_built_pile(tenant, site, 300)
        happened(tenant, whole["id"], "split", 300, into_pile_ids=[half["id"]])
        assert judged(tenant, half["id"], "us-fda-static")["state"] == "met"
        happened(tenant, half["id"], "load", 310, volume_m3=1, material="fresh manure")
        assert judged(tenant, half["id"], "us-fda-static")["state"] != "met"

    def test_of_a_merge(self, tenant: Tenant, site: str) -> None:
        """The half of a merged pile is as far as the less advanced of the two that made it."""
        old, young = labelled(tenant, site, OLD, range(101)), labelled(tenant, site, YOUNG, range(60, 101))
        happened(tenant, old["id"], "merge", 100, with_pile_id=young["id"])
        heat(tenant, old["id"], range(100, 111), position="core-2", until=110 + MOMENT)
        half = a_built_pile(tenant, site, 110)
        happened(tenant, old["id"], "split", 110, into_pile_ids=[half["id"]])
        probe = heat(tenant, half["id"], range(110, 125))
        found = judged(tenant, half["id"])
        assert (found["state"], found["follows"]) == ("under_way", f"{OLD}, {YOUNG}")
        assert found["held_h"] == pytest.approx(124 - 60, abs=2 * MOMENT)
        send(tenant, probe["serial"], range(125, 140))
        assert judged(tenant, half["id"])["met_at"][:13] == at(60 + 72)[:13]

    def test_split_and_put_together_again(self, tenant: Tenant, site: str) -> None:
        whole = labelled(tenant, site, OLD, range(61))
        half = a_built_pile(tenant, site, 50)
        happened(tenant, whole["id"], "split", 50, into_pile_ids=[half["id"]])
        heat(tenant, half["id"], range(50, 61), until=60 + MOMENT)
        happened(tenant, whole["id"], "merge", 60, with_pile_id=half["id"])
        heat(tenant, whole["id"], range(60, 80), position="core-3")
        assert judged(tenant, whole["id"])["met_at"][:13] == at(72)[:13]


class TestThen:
    def test_what_is_recorded_later_was_not_known(self, tenant: Tenant, site: str) -> None:
        """As of an instant neither a joining recorded later nor a parent's readings that came in later are seen."""
        old = labelled(tenant, site, OLD, range(101))
        young = a_built_pile(tenant, site, 60, label=YOUNG)
        probe = heat(tenant, young["id"], range(60, 70))
        moments = [datetime.now(UTC)]
        happened(tenant, old["id"], "merge", 100, with_pile_id=young["id"])
        heat(tenant, old["id"], range(100, 140), position="core-2")
        moments.append(datetime.now(UTC))
        send(tenant, probe["serial"], range(70, 101))
        moments.append(datetime.now(UTC))
        told = [judged_as_of(tenant, old["id"], moment) for moment in moments]
        assert [(one["state"], one["follows"]) for one in told] == [
            ("met", None),
            ("cannot_judge", YOUNG),  # nobody had heard of its hours 70 to 100 yet
            ("met", YOUNG),
        ]
        assert told[2]["readings_digest"] == judged(tenant, old["id"])["readings_digest"]

    def test_before_the_joining_there_is_nothing_of_it(self, tenant: Tenant, site: str) -> None:
        old, young = labelled(tenant, site, OLD, range(100)), labelled(tenant, site, YOUNG, range(60, 100))
        happened(tenant, old["id"], "merge", 100, with_pile_id=young["id"])
        then = judged_as_of(tenant, old["id"], START + timedelta(hours=99))
        assert (then["follows"], then["state"]) == (None, "cannot_judge")  # all of it was recorded just now


def test_beyond_the_piles_looked_at_all_is_as_fresh(
    tenant: Tenant, site: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Halves of halves: an answer in bounded time, and never a better one for not having looked."""
    monkeypatch.setattr("service.storage.piles.MOST_BEFORE", 3)
    chain = [labelled(tenant, site, "Heap 0", range(73))]
    for n in range(1, 6):
        chain.append(a_built_pile(tenant, site, None, label=f"Heap {n}"))
        happened(tenant, chain[-2]["id"], "split", 73 + n, into_pile_ids=[chain[-1]["id"]])
    assert [judged(tenant, one["id"])["state"] for one in chain] == ["met"] * 4 + ["cannot_judge"] * 2


def test_what_was_put_onto_a_pile_and_is_not_looked_at_starts_it_again(
    tenant: Tenant, site: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = (labelled(tenant, site, label, range(100)) for label in (OLD, YOUNG))
    happened(tenant, other["id"], "merge", 90, into_pile_id=one["id"])
    assert judged(tenant, one["id"])["state"] == "met"
    monkeypatch.setattr("service.storage.piles.MOST_BEFORE", 0)
    found = judged(tenant, one["id"])
    assert (found["state"], found["held_h"]) == ("under_way", 9.0)
