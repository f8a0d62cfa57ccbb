"""What comes in late on a pile that went into another re-opens the other's verdict."""

import pytest

from service.jobs.tasks import Tools
from tests.builders import a_placement, a_probe
from tests.conftest import Tenant
from tests.jobs.making import HotPile, a_hot_pile, at, look, outline


@pytest.fixture
def merged(pile: HotPile, tenant: Tenant) -> tuple[HotPile, HotPile]:
    """A pile hot for 40 hours and then put onto one that had met its three days."""
    onto = a_hot_pile(tenant)
    onto.send(range(88))
    pile.event("merge", 80, into_pile_id=onto.pile_id)
    return onto, pile


def test_late_readings_of_the_one_put_onto_it(
    merged: tuple[HotPile, HotPile], tools: Tools, tenant: Tenant
) -> None:
    onto, young = merged
    first = onto.issue()
    assert (first["verdict"]["state"], first["verdict"]["follows"] is None) == ("cannot_judge", False)
    young.send(range(41, 81))
    look(tools, tenant)
    assert outline(onto) == [("cannot_judge", None), ("met", "late readings")]
    look(tools, tenant)
    assert len(onto.verdicts) == 2


def test_its_readings_after_the_joining_bear_on_nothing(
    merged: tuple[HotPile, HotPile], tools: Tools, tenant: Tenant
) -> None:
    onto, young = merged
    onto.issue()
    young.send(range(82, 88), 20.0)
    look(tools, tenant)
    assert len(onto.verdicts) == 1


def test_a_joining_recorded_later(pile: HotPile, tools: Tools, tenant: Tenant) -> None:
    onto = a_hot_pile(tenant)
    onto.send(range(88))
    assert onto.issue()["verdict"]["state"] == "met"
    pile.event("merge", 80, into_pile_id=onto.pile_id)
    look(tools, tenant)
    assert outline(onto) == [("met", None), ("cannot_judge", "events recorded later")]


def test_what_people_say_of_the_parent(merged: tuple[HotPile, HotPile], tools: Tools, tenant: Tenant) -> None:
    """A correction of its readings, fresh material and a placement recorded later, each on the parent's record."""
    onto, young = merged
    young.send(range(41, 81))
    assert onto.issue()["verdict"]["state"] == "met"
    tenant.post(
        f"/v1/probes/{young.probe_id}/corrections",
        {"kind": "exclude", "from": at(10), "to": at(40), "reason": "lay on the bench"},
    )
    look(tools, tenant)
    young.event("load", 60)
    look(tools, tenant)
    second = a_probe(tenant)
    a_placement(tenant, second["id"], young.pile_id, position="core-2", **{"from": at(0)})
    young.send(range(81), serial=second["serial"])
    look(tools, tenant)
    assert [because for _, because in outline(onto)] == [
        None,
        "corrected readings",
        "events recorded later",
        "late readings, a placement recorded later",
    ]
    assert outline(onto)[2][0] == "under_way"
