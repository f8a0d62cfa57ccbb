"""Old readings go as an organisation decided, and what a verdict on file rests on stays whatever it decided."""

import math
import uuid
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from sqlalchemy import Engine, event, text

from service.storage import partitions, retention
from service.storage.database import connect_engine
from service.storage.embedded import Logins
from service.storage.migrating import migrate
from service.storage.retention import Policy, empty_months, forget_passing, forget_readings, policies
from tests.conftest import Urls, drop_database
from tests.storage.months import Farm, a_farm, hours, month_start, name_of

NOW = datetime.now(UTC)
DAY = timedelta(days=1)


def go_on() -> None:
    """Never stop."""


@pytest.fixture(params=["superuser", "plain owner"])
def engine(request: pytest.FixtureRequest) -> Iterator[Engine]:
    """The owner's way in: as on the embedded server, and as one whom the walls hold back, too."""
    if request.param == "superuser":
        urls: Urls = request.getfixturevalue("fresh")
        made = connect_engine(urls.owner, pool_size=3)
        yield made
        made.dispose()
        return
    logins: Logins = request.getfixturevalue("logins")
    name, role = f"plain_{uuid.uuid4().hex[:10]}", f"owner_{uuid.uuid4().hex[:10]}"
    with psycopg.connect(replace(logins.owner, database="postgres").conninfo, autocommit=True) as connection:
        connection.execute(f"create role {role} login nosuperuser nobypassrls createrole")  # type: ignore[arg-type]
        connection.execute(f"grant heapledger_service, heapledger_steward to {role} with admin true")  # type: ignore[arg-type]
        connection.execute(f"create database {name} owner {role} template template0")  # type: ignore[arg-type]
    url = replace(logins.owner, database=name, user=role).url
    try:
        migrate(url)
        made = connect_engine(url, pool_size=3)
        yield made
        made.dispose()
    finally:
        drop_database(logins.owner, name)
        with psycopg.connect(
            replace(logins.owner, database="postgres").conninfo, autocommit=True
        ) as connection:
            connection.execute(f"drop owned by {role}")  # type: ignore[arg-type]
            connection.execute(f"drop role {role}")  # type: ignore[arg-type]


@pytest.fixture
def farm(engine: Engine) -> Farm:
    return a_farm(engine, keep_months=12)


def policy_of(farm: Farm, months: int | None = 12) -> Policy:
    return Policy(farm.organisation_id, months)


@pytest.mark.parametrize(
    ("now", "months", "before"),
    [
        ("2026-11-25T13:00:00+00:00", 12, "2025-11-01T00:00:00+00:00"),
        ("2026-11-01T00:00:00+00:00", 12, "2025-11-01T00:00:00+00:00"),
        ("2026-10-31T23:59:59+00:00", 12, "2025-10-01T00:00:00+00:00"),
        ("2026-01-15T00:00:00+00:00", 13, "2024-12-01T00:00:00+00:00"),
        ("2026-03-01T00:30:00+02:00", 12, "2025-02-01T00:00:00+00:00"),
        ("2026-11-25T13:00:00+00:00", 1200, "1970-01-01T00:00:00+00:00"),
    ],
)
def test_whole_months_go_and_none_is_too_young(now: str, months: int, before: str) -> None:
    found = Policy(1, months).before(datetime.fromisoformat(now))
    assert found == datetime.fromisoformat(before)
    assert Policy(1, None).before(datetime.fromisoformat(now)) is None


def test_what_no_verdict_rests_on_goes(engine: Engine, farm: Farm) -> None:
    old, young = hours(month_start(14), 5), hours(month_start(12), 5)
    very_old = hours(datetime(1999, 5, 4, tzinfo=UTC), 3)
    farm.read(0, very_old + old + young)
    assert forget_readings(engine, policy_of(farm), NOW, go_on) == 8
    assert farm.left() == young
    assert forget_readings(engine, policy_of(farm), NOW, go_on) == 0


def test_who_decided_nothing_keeps_everything(engine: Engine, farm: Farm) -> None:
    old = hours(datetime(1999, 5, 4, tzinfo=UTC), 3)
    farm.read(0, old)
    assert forget_readings(engine, policy_of(farm, None), NOW, go_on) == 0
    assert farm.left() == old


def test_evidence_stays(engine: Engine, farm: Farm) -> None:
    """Readings taken while the probe sat in a pile with a verdict; before, after and beside it they go."""
    start = month_start(14)
    judged, unjudged = farm.pile(), farm.pile()
    farm.place(0, judged, start + 2 * DAY, start + 4 * DAY)
    farm.place(0, unjudged, start + 4 * DAY, start + 6 * DAY)
    farm.place(1, judged, start + 10 * DAY, None)
    farm.verdict(judged)
    each_day = [start + n * DAY for n in range(12)]
    farm.read(0, each_day)
    farm.read(1, each_day)
    assert forget_readings(engine, policy_of(farm), NOW, go_on) == 24 - 2 - 2
    assert farm.left(0) == each_day[2:4]  # half-open: the instant it was taken out is not the pile's
    assert farm.left(1) == each_day[10:]


def test_disputes_go_with_what_they_disputed_and_held_readings_go(engine: Engine, farm: Farm) -> None:
    start = month_start(14)
    judged = farm.pile()
    farm.place(0, judged, start, start + 2 * DAY)
    farm.verdict(judged)
    days = [start + n * DAY for n in range(4)] + [month_start(1)]
    farm.read(0, days, table="disputed_reading")
    farm.read(0, days, table="held_reading")
    assert forget_readings(engine, policy_of(farm), NOW, go_on) == 2 + 4
    assert farm.left(table="disputed_reading") == [*days[:2], month_start(1)]
    assert farm.left(table="held_reading") == [month_start(1)]


def test_it_goes_in_bounded_pieces(engine: Engine, farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(retention, "MOST_AT_ONCE", 7)
    old = hours(month_start(14), 40)
    farm.read(0, old)
    farm.read(1, old)
    judged = farm.pile()
    farm.place(0, judged, old[10], old[30])
    farm.verdict(judged)
    deleted: list[int] = []

    @event.listens_for(engine, "commit")
    def look(_connection: object) -> None:
        deleted.append(1)

    steps: list[int] = []
    assert forget_readings(engine, policy_of(farm), NOW, lambda: steps.append(1)) == 60
    assert farm.left(0) == old[10:30]
    assert farm.left(1) == []
    assert len(deleted) >= math.ceil(80 / 7)
    assert len(steps) >= math.ceil(80 / 7)


def test_it_stops_between_pieces_and_goes_on_later(
    engine: Engine, farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "MOST_AT_ONCE", 7)
    farm.read(0, hours(month_start(14), 40))

    def stop_at_the_third() -> None:
        if len(farm.left()) <= 26:
            raise InterruptedError

    with pytest.raises(InterruptedError):
        forget_readings(engine, policy_of(farm), NOW, stop_at_the_third)
    assert len(farm.left()) == 26
    assert forget_readings(engine, policy_of(farm), NOW, go_on) == 26


def test_nobody_elses_readings_go(engine: Engine, farm: Farm) -> None:
    neighbour = a_farm(engine)
    old = hours(month_start(14), 5)
    farm.read(0, old)
    neighbour.read(0, old)
    assert forget_readings(engine, policy_of(farm), NOW, go_on) == 5
    assert neighbour.left() == old


def test_the_policies_are_read_for_all(engine: Engine, farm: Farm) -> None:
    other = a_farm(engine)
    assert policies(engine) == [policy_of(farm), policy_of(other, None)]


class TestWholeMonths:
    """Past everybody's policy and without evidence, a month goes at one stroke."""

    def _heap(self, engine: Engine, months_ago: int) -> int:
        with engine.begin() as connection:
            return int(
                connection.execute(
                    text("select oid::bigint from pg_class where relname = :name"),
                    {"name": name_of(months_ago)},
                ).scalar_one()
            )

    def test_is_emptied_and_stands_again(self, engine: Engine, farm: Farm) -> None:
        second = a_farm(engine, keep_months=24)
        farm.read(0, hours(month_start(30), 5) + hours(month_start(20), 5))
        second.read(0, hours(month_start(30), 5) + hours(month_start(20), 5))
        before = {ago: self._heap(engine, ago) for ago in (20, 29, 30)}
        assert empty_months(engine, policies(engine), NOW, go_on) == [name_of(30)]
        after = {ago: self._heap(engine, ago) for ago in (20, 29, 30)}
        assert {ago for ago in before if before[ago] != after[ago]} == {30}  # 29 is empty, 20 is kept by one
        assert farm.left() == second.left() == hours(month_start(20), 5)
        farm.read(0, [month_start(30)])
        assert farm.left()[0] == month_start(30)
        assert empty_months(engine, policies(engine), NOW, go_on) == [name_of(30)]
        assert empty_months(engine, policies(engine), NOW, go_on) == []

    def test_stays_where_one_keeps_for_ever(self, engine: Engine, farm: Farm) -> None:
        a_farm(engine)
        farm.read(0, hours(month_start(30), 5))
        assert empty_months(engine, policies(engine), NOW, go_on) == []
        assert len(farm.left()) == 5

    def test_stays_where_one_reading_is_evidence(self, engine: Engine, farm: Farm) -> None:
        second = a_farm(engine, keep_months=12)
        start = month_start(30)
        judged = second.pile()
        second.place(1, judged, start, None)
        second.verdict(judged)
        second.read(1, [start])
        farm.read(0, hours(start, 5))
        assert empty_months(engine, policies(engine), NOW, go_on) == []
        assert (len(farm.left()), len(second.left())) == (5, 1)
        forget_readings(engine, policy_of(farm), NOW, go_on)
        forget_readings(engine, policy_of(second), NOW, go_on)
        assert (farm.left(), second.left()) == ([], [start])

    def test_a_verdict_issued_while_it_is_detached_keeps_its_readings(
        self, engine: Engine, farm: Farm
    ) -> None:
        start = month_start(30)
        judged = farm.pile()
        farm.place(0, judged, start, start + 3 * DAY)
        farm.read(0, hours(start, 100))
        with engine.begin() as connection:
            (old,) = [one for one in partitions.months(connection) if one.name == name_of(30)]
        partitions.detach(engine, old)
        farm.verdict(judged)
        partitions.finish(engine, [farm.organisation_id])
        assert farm.left() == hours(start, 72)


def test_what_passes_through_goes_in_its_time(engine: Engine, farm: Farm) -> None:
    farm.run(
        "insert into idempotent_answer (organisation_id, credential_id, operation, key, request_digest, created_at)"
        " select :o, gen_random_uuid(), 'x', 'x', 'x', now() - make_interval(days => d) from unnest(array[6, 8]) d"
    )
    farm.run(
        "insert into reading_stream (organisation_id, credential_id, key, is_complete, updated_at)"
        " select :o, gen_random_uuid(), 'x', true, now() - make_interval(days => d) from unnest(array[29, 31]) d"
    )
    for state in ("receiving", "waiting", "running", "done", "cancelled", "failed"):
        farm.run(
            "with i as (insert into reading_import (organisation_id, id, media_type, is_dry_run, state)"
            " values (:o, gen_random_uuid(), 'text/csv', false, :state) returning id)"
            " insert into import_chunk select :o, id, n, 'x' from i, generate_series(1, 3) n",
            state=state,
        )
    neighbour = a_farm(engine)
    neighbour.run(
        "insert into idempotent_answer (organisation_id, credential_id, operation, key, request_digest, created_at)"
        " values (:o, gen_random_uuid(), 'x', 'x', 'x', now() - interval '1 year')"
    )
    assert forget_passing(engine, farm.organisation_id, NOW, go_on) == 1 + 1 + 9
    assert farm.run("select count(*) from import_chunk where organisation_id = :o").scalar_one() == 9
    for table in ("idempotent_answer", "reading_stream"):
        assert farm.run(f"select count(*) from {table} where organisation_id = :o").scalar_one() == 1
    assert (
        neighbour.run("select count(*) from idempotent_answer where organisation_id = :o").scalar_one() == 1
    )
