"""What the pages and the drawing show beside the hold that governs: other holds, and turns nobody recorded."""

import math
from typing import Any

import pytest

from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, at
from tests.conftest import Tenant
from tests.http.test_evidence import pages_of, squeezed


def a_read_pile(tenant: Tenant, curve: Any, hours: int, **overrides: Any) -> str:
    """Make a pile read every hour at two positions; return its path."""
    pile = a_pile(tenant, built_at=at(0), **overrides)["id"]
    for position in ("core", "edge"):
        probe = a_probe(tenant)
        a_placement(tenant, probe["id"], pile, position=position, depth_cm=60)
        readings = [a_reading(probe["serial"], hour, curve(hour)) for hour in range(hours)]
        tenant.post("/v1/readings", a_bag(*readings))
    return f"/v1/piles/{pile}"


def test_every_hold_of_a_rule_has_its_heat_and_its_losses(tenant: Tenant) -> None:
    """310 CMR 32.80(4): 40 °C 'for five consecutive days', and 'not less than 55 °C during four hours'."""

    def curve(hour: int) -> float:
        return 56.5 + hour % 3 / 2 if hour in range(60, 64) or hour >= 70 else 47.0 + hour % 3

    path = a_read_pile(tenant, curve, 140, rules=["us-ma-psrp"])
    (verdict,) = tenant.get(f"{path}/compliance")["items"]
    (other,) = [one for one in verdict["criteria"] if one["name"].startswith("temperature_hold: ")]
    assert other["windows"]
    assert other["lost"]
    pages, words = pages_of(tenant.call("GET", f"{path}/evidence.pdf").content)
    assert len(pages.pages) > 1
    assert squeezed("Heat that counted: 55 °C for 4 hours") in words
    assert squeezed("What was lost, and why: 55 °C for 4 hours") in words
    assert all(squeezed(one["detail"]) in words for one in other["lost"])
    drawing = tenant.call("GET", f"{path}/curve.svg").text
    assert "also asked: 55 °C for 4 hours" in drawing
    assert "Also asked, 55 °C for 4 hours: heat counted" in drawing


def test_a_rule_with_one_hold_shows_it_once(tenant: Tenant) -> None:
    path = a_read_pile(tenant, lambda hour: 60.0 + hour % 5 / 2, 80, rules=["us-503-pfrp-asp"])
    _, words = pages_of(tenant.call("GET", f"{path}/evidence.pdf").content)
    assert words.count(squeezed("Heat that counted")) == 1
    assert "also asked" not in tenant.call("GET", f"{path}/curve.svg").text


@pytest.mark.parametrize("recorded", [False, True], ids=["not recorded", "recorded"])
def test_a_turn_nobody_recorded_is_asked_about_on_pages_and_drawing(
    tenant: Tenant, *, recorded: bool
) -> None:
    def curve(hour: int) -> float:
        return round(62 + math.sin(hour) / 3 - (16 * math.exp(-(hour - 100) / 6) if hour >= 100 else 0), 1)

    path = a_read_pile(tenant, curve, 200, rules=["us-nop-windrow"])
    if recorded:
        tenant.post(f"{path}/events", {"kind": "turn", "at": at(100)})
    (verdict,) = tenant.get(f"{path}/compliance")["items"]
    _, words = pages_of(tenant.call("GET", f"{path}/evidence.pdf").content)
    drawing = tenant.call("GET", f"{path}/curve.svg").text
    assert bool(verdict["suspected_turns"]) != recorded
    assert ("Was it turned about" in verdict["next"]) != recorded
    assert (squeezed("Turns nobody recorded, as the curves suggest them") in words) != recorded
    assert ("looks like a turn nobody recorded" in drawing) != recorded
    assert ("as at a turn, and none is on record" in drawing) != recorded
