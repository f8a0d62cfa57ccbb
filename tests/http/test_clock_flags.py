"""Clocks that are wrong: the reading is kept as it came and flagged, and a good clock is not blamed for a slow way."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import text

from service.domain.readings import quality
from service.storage.database import Database
from tests.builders import a_bag, a_probe, a_reading
from tests.conftest import Tenant


def flags(database: Database, tenant: Tenant) -> list[list[str]]:
    with database.begin(tenant.organisation_id) as session:
        rows = session.execute(text("select flag from reading order by observed_at")).scalars()
        return [quality.tests_of(flag) for flag in rows]


def post(tenant: Tenant, serial: str, observed_at: datetime, *, lag_s: float, gateway: str) -> Any:
    reading = a_reading(serial, 0, observed_at=observed_at.isoformat())
    sent_at = datetime.now(UTC) - timedelta(seconds=lag_s)
    return tenant.post("/v1/readings", a_bag(reading, gateway=gateway, sent_at=sent_at.isoformat()))


def test_a_clock_never_set_and_one_that_runs_ahead(tenant: Tenant, database: Database) -> None:
    serial, now = a_probe(tenant)["serial"], datetime.now(UTC)
    for observed_at in (datetime(2000, 1, 1, 0, 7, tzinfo=UTC), now, now + timedelta(minutes=7)):
        tenant.post("/v1/readings", a_bag(a_reading(serial, 0, observed_at=observed_at.isoformat())))
    assert flags(database, tenant) == [
        [quality.Test.CLOCK_UNSET.label],
        [],
        [quality.Test.CLOCK_FUTURE.label],
    ]


def test_a_gateway_whose_packs_all_lag_alike_has_a_wrong_clock(tenant: Tenant, database: Database) -> None:
    """An hour behind in every pack: set to local time, say."""
    serial, start = a_probe(tenant)["serial"], datetime.now(UTC) - timedelta(days=1)
    gateway = uuid.uuid4().hex
    for number in range(7):
        post(tenant, serial, start + timedelta(hours=number), lag_s=3600, gateway=gateway)
    assert flags(database, tenant) == [[quality.Test.CLOCK_SKEW.label]] * 7


def test_a_pack_that_waited_for_a_network_is_not_blamed_on_the_clock(
    tenant: Tenant, database: Database
) -> None:
    serial, start = a_probe(tenant)["serial"], datetime.now(UTC) - timedelta(days=3)
    gateway = uuid.uuid4().hex
    for number, lag_s in enumerate([2, 3, 1, 2, 2, 144_000]):
        post(tenant, serial, start + timedelta(hours=number), lag_s=lag_s, gateway=gateway)
    assert flags(database, tenant) == [[]] * 6


def test_what_was_sent_in_the_future_comes_from_a_wrong_clock(tenant: Tenant, database: Database) -> None:
    serial = a_probe(tenant)["serial"]
    post(tenant, serial, datetime.now(UTC) - timedelta(days=3), lag_s=-600, gateway="g")
    assert flags(database, tenant) == [[quality.Test.CLOCK_SKEW.label]]
