"""Readings laid into months past, straight into the record, for tests of what becomes of old months."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine, text

from service.storage.partitions import enter_plain


def month_start(months_ago: int) -> datetime:
    """Return the first instant of the month so many months before this one."""
    now = datetime.now(UTC)
    month = now.year * 12 + now.month - 1 - months_ago
    return datetime(month // 12, month % 12 + 1, 1, tzinfo=UTC)


def name_of(months_ago: int) -> str:
    return f"reading_{month_start(months_ago):%Y_%m}"


@dataclass(frozen=True)
class Farm:
    """An organisation with two probes, written by the owner."""

    engine: Engine
    organisation_id: int
    site_id: uuid.UUID
    probes: tuple[tuple[uuid.UUID, int], ...]

    def run(self, sql: str, **values: Any) -> Any:
        with self.engine.begin() as connection:
            enter_plain(connection, self.organisation_id)
            return connection.execute(text(sql), {"o": self.organisation_id, **values})

    def pile(self) -> uuid.UUID:
        pile_id = uuid.uuid4()
        self.run(
            "insert into pile (organisation_id, id, site_id, label) values (:o, :id, :site, :label)",
            id=pile_id,
            site=self.site_id,
            label=pile_id.hex,
        )
        return pile_id

    def place(self, probe: int, pile_id: uuid.UUID, since: datetime, until: datetime | None) -> None:
        self.run(
            "insert into placement (organisation_id, id, probe_id, pile_id, position, since, until)"
            " values (:o, gen_random_uuid(), :probe, :pile, 'core-1', :since, :until)",
            probe=self.probes[probe][0],
            pile=pile_id,
            since=since,
            until=until,
        )

    def verdict(self, pile_id: uuid.UUID) -> None:
        self.run(
            "insert into verdict (organisation_id, id, pile_id, rule, rule_version, interpretation, state,"
            " readings_digest, engine_version, judged_at, body)"
            " values (:o, gen_random_uuid(), :pile, 'x', '1', 'inspector', 'met', 'x', '1', now(), '{}')",
            pile=pile_id,
        )

    def read(self, probe: int, instants: Iterable[datetime], *, table: str = "reading") -> None:
        number, values = self.probes[probe][1], ""
        with self.engine.begin() as connection:
            enter_plain(connection, self.organisation_id)
            for at in instants:
                if table == "held_reading":
                    values = "(organisation_id, serial, quantity, observed_at, value, unit, flag, batch_id)"
                    given = "(:o, 'unknown', 1, :at, 60, 1, 1, 1)"
                elif table == "disputed_reading":
                    values = "(organisation_id, probe, quantity, observed_at, value, unit, batch_id)"
                    given = "(:o, :n, 1, :at, 60, 1, 1)"
                else:
                    values = "(organisation_id, probe, quantity, observed_at, value, unit, flag, batch_id)"
                    given = "(:o, :n, 1, :at, 60, 1, 1, 1)"
                connection.execute(
                    text(f"insert into {table} {values} values {given}"),
                    {"o": self.organisation_id, "n": number, "at": at},
                )

    def left(self, probe: int | None = None, *, table: str = "reading") -> list[datetime]:
        only = "" if probe is None else f" and probe = {self.probes[probe][1]}"
        rows = self.run(f"select observed_at from {table} where organisation_id = :o{only} order by 1")
        return [at for (at,) in rows]


def a_farm(engine: Engine, *, keep_months: int | None = None) -> Farm:
    with engine.begin() as connection:
        connection.execute(text("set local role heapledger_steward"))
        number = connection.execute(
            text("insert into organisation (name) values (:name) returning organisation_id"),
            {"name": uuid.uuid4().hex},
        ).scalar_one()
    site_id = uuid.uuid4()
    with engine.begin() as connection:
        enter_plain(connection, number)
        connection.execute(
            text("update organisation set keep_readings_months = :k where organisation_id = :o"),
            {"k": keep_months, "o": number},
        )
        connection.execute(
            text("insert into site (organisation_id, id, name, time_zone) values (:o, :id, 'x', 'UTC')"),
            {"o": number, "id": site_id},
        )
        probes = tuple(_probe(connection, number) for _ in range(2))
    return Farm(engine, number, site_id, probes)


def _probe(connection: Connection, organisation_id: int) -> tuple[uuid.UUID, int]:
    probe_id = uuid.uuid4()
    number = connection.execute(
        text("insert into probe (organisation_id, id, serial) values (:o, :id, :serial) returning number"),
        {"o": organisation_id, "id": probe_id, "serial": probe_id.hex},
    ).scalar_one()
    return probe_id, number


def hours(start: datetime, count: int) -> list[datetime]:
    return [start + timedelta(hours=n) for n in range(count)]
