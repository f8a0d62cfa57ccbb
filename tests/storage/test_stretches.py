"""Readings loaded as columns: complete, in order, and by corrected time."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import numpy as np
import pytest

from service.domain.quantities import Quantity
from service.storage.corrections import microseconds
from service.storage.database import Database
from service.storage.piles import load
from service.storage.probes import stays_in
from service.storage.records import find
from service.storage.stretches import (
    FOREVER_US,
    air_probe,
    entries_by_probe,
    plain_of,
    said_in,
    span_us,
    stretch,
)
from service.storage.tables import PileRow, ProbeRow
from tests.builders import START, a_bag, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant


def send(tenant: Tenant, serial: str, hours: Sequence[float], **overrides: Any) -> None:
    tenant.post("/v1/readings", a_bag(*(a_reading(serial, n, 50 + n / 10, **overrides) for n in hours)))


def us(hours: float) -> int:
    return microseconds(START + timedelta(hours=hours))


def said(
    database: Database, tenant: Tenant, probe: dict[str, Any], since: float, until: float
) -> tuple[list[float], list[float]]:
    """Return hours as recorded and as corrected of what belongs to a span."""
    with database.begin(tenant.organisation_id) as session:
        row = find(session, ProbeRow, tenant.organisation_id, UUID(probe["id"]))
        entries = entries_by_probe(session, tenant.organisation_id, [row.id]).get(row.id, [])
        recorded, laid = said_in(
            plain_of(session),
            tenant.organisation_id,
            row.number or 0,
            Quantity.TEMPERATURE,
            entries,
            since_us=us(since),
            until_us=us(until),
        )
    hours = (recorded.observed_us[laid.place] - us(0)) / 3_600_000_000
    return hours.tolist(), ((laid.columns.observed_us - us(0)) / 3_600_000_000).tolist()


def correct(tenant: Tenant, probe: dict[str, Any], kind: str, **more: Any) -> str:
    body = {"kind": kind, "reason": "seen on site"} | more
    return str(tenant.post(f"/v1/probes/{probe['id']}/corrections", body)["id"])


def test_every_reading_comes_back_as_recorded_in_order_of_time(tenant: Tenant, database: Database) -> None:
    probe = a_probe(tenant)
    for hours in ([9, 3, 7], [1, 8], [2.5], [1300, 700]):
        send(tenant, probe["serial"], hours)
    send(tenant, probe["serial"], [4], unit="[degF]")
    with database.begin(tenant.organisation_id) as session:
        number = find(session, ProbeRow, tenant.organisation_id, UUID(probe["id"])).number
        found = stretch(
            plain_of(session),
            tenant.organisation_id,
            number or 0,
            Quantity.TEMPERATURE,
            since=datetime(2026, 1, 1, tzinfo=UTC),
            until=None,
        )
    hours = [1, 2.5, 3, 4, 7, 8, 9, 700, 1300]
    assert found.observed_us.tolist() == [us(n) for n in hours]
    assert found.value.tolist() == [50 + n / 10 for n in hours]
    assert found.unit.tolist() == [1, 1, 1, 2, 1, 1, 1, 1, 1]
    assert (found.observed_us.dtype, found.value.dtype) == (np.dtype(np.int64), np.dtype(np.float64))
    assert found.value.flags.writeable


def test_nothing_is_four_empty_columns(tenant: Tenant, database: Database) -> None:
    assert said(database, tenant, a_probe(tenant), 0, 10) == ([], [])


def test_a_span_holds_its_start_and_not_its_end(tenant: Tenant, database: Database) -> None:
    probe = a_probe(tenant)
    send(tenant, probe["serial"], range(10))
    assert said(database, tenant, probe, 2, 5) == ([2, 3, 4], [2, 3, 4])


@pytest.mark.parametrize(
    ("by_h", "span", "recorded"),
    [
        # Readings 0, 1, … 9; those from 3 up to 6 were recorded by a clock that was off.
        (24, (20, 40), [3, 4, 5]),
        (-24, (-24, 0), [3, 4, 5]),
        (24, (0, 10), [0, 1, 2, 6, 7, 8, 9]),
        (1.5, (4, 7), [3, 4, 5, 6]),
        (-1.5, (2, 4), [2, 4, 5]),
        (24 * 400, (24 * 400, 24 * 401), [3, 4, 5]),
    ],
)
def test_what_a_clock_moved_is_found_where_it_belongs(
    tenant: Tenant, database: Database, by_h: float, span: tuple[float, float], recorded: list[float]
) -> None:
    probe = a_probe(tenant)
    send(tenant, probe["serial"], range(10))
    correct(tenant, probe, "shift", **{"from": at(3), "to": at(6)}, by_s=by_h * 3600)
    found, corrected = said(database, tenant, probe, *span)
    assert sorted(found) == recorded
    assert corrected == sorted(n + by_h if 3 <= n < 6 else n for n in recorded)


def test_an_entry_that_was_withdrawn_moves_nothing(tenant: Tenant, database: Database) -> None:
    """The withdrawal carries a span of its own entry, so all entries of a probe must be seen together."""
    probe = a_probe(tenant)
    send(tenant, probe["serial"], range(10))
    entry = correct(tenant, probe, "shift", **{"from": at(3), "to": at(6)}, by_s=86_400)
    correct(tenant, probe, "withdraw", withdraws=entry)
    assert said(database, tenant, probe, 0, 10) == (list(range(10)), list(range(10)))
    assert said(database, tenant, probe, 20, 40) == ([], [])


def test_entries_of_another_quantity_or_probe_move_nothing(tenant: Tenant, database: Database) -> None:
    probe, other = a_probe(tenant), a_probe(tenant)
    for one in (probe, other):
        send(tenant, one["serial"], range(3))
    correct(tenant, other, "shift", **{"from": at(0), "to": at(6)}, by_s=3600)
    correct(tenant, probe, "shift", **{"from": at(0), "to": at(6)}, by_s=3600, quantity="moisture")
    assert said(database, tenant, probe, 0, 10) == ([0, 1, 2], [0, 1, 2])
    assert said(database, tenant, other, 0, 10) == ([0, 1, 2], [1, 2, 3])


def test_a_stay_holds_what_was_taken_in_it_by_corrected_time(tenant: Tenant, database: Database) -> None:
    first, second, probe = a_pile(tenant), a_pile(tenant), a_probe(tenant)
    a_placement(tenant, probe["id"], first["id"], to=at(5))
    a_placement(tenant, probe["id"], second["id"], **{"from": at(5)})
    send(tenant, probe["serial"], range(10))
    correct(tenant, probe, "shift", **{"from": at(0), "to": at(3)}, by_s=4 * 3600)
    with database.begin(tenant.organisation_id) as session:
        loaded = [
            load(session, find(session, PileRow, tenant.organisation_id, UUID(pile["id"])))
            for pile in (first, second)
        ]
    here, there = (one.occupied[0].readings for one in loaded)
    assert here.columns.observed_us.tolist() == [us(n) for n in (3, 4, 4)]
    assert there.columns.observed_us.tolist() == [us(n) for n in (5, 5, 6, 6, 7, 8, 9)]
    assert here.rival.tolist() == [False, False, True]
    assert there.rival.sum() == 2


def test_the_air_is_told_by_one_probe_of_the_site(tenant: Tenant, database: Database) -> None:
    site = a_site(tenant)
    pile = a_pile(tenant, site["id"])
    placed = a_probe(tenant)
    beside, later, elsewhere = (
        a_probe(tenant, site_id=site["id"]),
        a_probe(tenant, site_id=site["id"]),
        a_probe(tenant),
    )
    a_placement(tenant, placed["id"], pile["id"])

    def told_by(since: float, until: float) -> str | None:
        with database.begin(tenant.organisation_id) as session:
            stays = stays_in(session, tenant.organisation_id, UUID(pile["id"]))
            found = air_probe(
                session,
                tenant.organisation_id,
                UUID(site["id"]),
                placed=[one.number for one in stays],
                since_us=us(since),
                until_us=us(until),
            )
            if found is None:
                return None
            probes = {
                find(session, ProbeRow, tenant.organisation_id, UUID(one["id"])).number: one["id"]
                for one in (placed, beside, later, elsewhere)
            }
        return str(probes[found.number])

    send(tenant, elsewhere["serial"], [1], quantity="ambient_temperature")
    assert told_by(0, 10) is None
    send(tenant, placed["serial"], [2], quantity="ambient_temperature")
    assert told_by(0, 10) == placed["id"]
    send(tenant, later["serial"], [3], quantity="ambient_temperature")
    assert told_by(0, 10) == later["id"]
    send(tenant, beside["serial"], [4], quantity="ambient_temperature")
    assert told_by(0, 10) == beside["id"]
    assert told_by(0, 4) == later["id"]


def test_a_stay_without_an_end_lasts() -> None:
    assert span_us(START, None) == (us(0), FOREVER_US)
    assert span_us(START, START + timedelta(hours=1)) == (us(0), us(1))
