"""The embedded PostgreSQL, killed whole under the services that keep it, is brought back by them."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from service.storage.embedded import EmbeddedServer, EmbeddedServerError
from tests.concurrency.gateways import Gateway, Target, make_key, must_be_whole, register
from tests.concurrency.nursery import Nursery
from tests.concurrency.servers import a_folder, kill_all_of, processes_of, urls_in


@pytest.fixture
def data_dir() -> Iterator[Path]:
    with a_folder() as folder:
        yield folder / "data"


def test_killed_under_two_services_it_comes_back_for_both(
    data_dir: Path, nursery: Nursery, tmp_path: Path
) -> None:
    environment, log = {"HEAPLEDGER_DATA_DIR": str(data_dir)}, tmp_path / "service.log"
    server, whole = EmbeddedServer(data_dir), Target(0)
    with (
        nursery.serving(environment, "--no-work", log=log) as one,
        nursery.serving(environment, "--no-work", "--no-migrate", log=log) as other,
    ):
        urls = urls_in(data_dir)
        key = make_key(urls)
        register(one.base_url, key)
        targets = [
            Target(service.port, seconds_between=0.05, numbers=whole.numbers) for service in (one, other)
        ]
        sending = [Gateway(targets[number % 2], key, number) for number in range(4)]
        for target, gateway in zip(targets * 2, sending, strict=True):
            target.going.set()
            gateway.start()
        for _ in range(3):
            for target in targets:
                target.wait_acknowledged(6)
            kill_all_of(server)
        for target in targets:
            target.wait_acknowledged(6)
            target.is_over = True
        for target, gateway in zip(targets * 2, sending, strict=True):
            gateway.join(120)
            assert set(target.statuses) == {200, 503}
            whole.faults += target.faults
        for target in targets:
            whole.sent |= target.sent
            whole.acknowledged |= target.acknowledged
            whole.told += target.told
        must_be_whole(urls, whole)
    assert log.read_text().count("record_is_back") >= 3
    assert "Traceback" not in log.read_text()
    assert processes_of(server) == []  # the last one out still stops it


def test_ways_in_hold_although_it_first_does_not_come_up_again(data_dir: Path) -> None:
    server = EmbeddedServer(data_dir, patience_s=20)
    before = server.start()
    assert not server.has_died()
    kill_all_of(server)
    control = data_dir / "postgres" / "global" / "pg_control"
    shutil.move(control, data_dir / "pg_control")
    for _ in range(2):
        with pytest.raises(EmbeddedServerError, match="gave up while starting"):
            server.start()
        assert server.has_died()
    shutil.move(data_dir / "pg_control", control)
    assert server.start() == before
    with psycopg.connect(before.service.conninfo) as connection:
        assert connection.execute("select 1").fetchone() == (1,)
    server.stop()
    assert server.has_died()
    assert not before.owner.socket_folder.exists()


def test_who_cannot_come_up_at_all_leaves_nothing_behind(data_dir: Path) -> None:
    """The same failure, but of a start that nobody relies on yet."""
    with EmbeddedServer(data_dir) as logins:
        pass
    (data_dir / "postgres" / "global" / "pg_control").unlink()
    server = EmbeddedServer(data_dir, patience_s=20)
    with pytest.raises(EmbeddedServerError, match="gave up while starting"):
        server.start()
    assert server.has_died()
    assert not logins.owner.socket_folder.exists()
    assert not Path((data_dir / "postgres.alive").read_text()).exists()  # the folder of this start's socket
