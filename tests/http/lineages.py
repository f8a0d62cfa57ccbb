"""Piles with heat on record, for tests of what merges and splits do to a verdict."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, at
from tests.conftest import Tenant

STATIC = "us-503-pfrp-asp"
"""40 CFR part 503, appendix B, B.1: static aerated pile at 55 degC or higher for 3 days."""
WINDROW = "us-503-pfrp-windrow"
"""The same: windrow at 55 degC or higher for 15 days, with at least five turnings in that time."""


def heat(
    tenant: Tenant,
    pile: str,
    hours: Sequence[int],
    value: float = 60.0,
    *,
    until: float | None = None,
    position: str = "core-1",
) -> dict[str, Any]:
    """Put a probe into a pile and send a reading of each hour; one that stands still is taken for stuck."""
    probe = a_probe(tenant)
    a_placement(
        tenant,
        probe["id"],
        pile,
        position=position,
        **{"from": at(hours[0]), "to": None if until is None else at(until)},
    )
    send(tenant, probe["serial"], hours, value)
    return probe


def send(tenant: Tenant, serial: str, hours: Sequence[int], value: float = 60.0) -> None:
    """Send a reading of each hour."""
    bag = a_bag(*(a_reading(serial, hour, value + hour % 7 / 5) for hour in hours))
    assert tenant.post("/v1/readings", bag)["refused"] == []


def happened(tenant: Tenant, pile: str, kind: str, hour: float, **details: Any) -> dict[str, Any]:
    """Record an event."""
    made: dict[str, Any] = tenant.post(f"/v1/piles/{pile}/events", {"kind": kind, "at": at(hour), **details})
    return made


def judged(tenant: Tenant, pile: str, rule: str = STATIC) -> dict[str, Any]:
    """Judge a pile on what is on record."""
    (verdict,) = tenant.get(f"/v1/piles/{pile}/compliance?rule={rule}")["items"]
    return dict(verdict)


def judged_as_of(tenant: Tenant, pile: str, moment: datetime, rule: str = STATIC) -> dict[str, Any]:
    """Judge a pile on what was on record at an instant."""
    asked = moment.isoformat().replace("+00:00", "Z")
    (verdict,) = tenant.get(f"/v1/piles/{pile}/compliance?rule={rule}&as_of={asked}")["items"]
    return dict(verdict)


def a_built_pile(tenant: Tenant, site_id: str, hour: float | None = 0, **overrides: Any) -> dict[str, Any]:
    """Register a pile built at an hour, or not yet built."""
    return a_pile(tenant, site_id, built_at=None if hour is None else at(hour), **overrides)
