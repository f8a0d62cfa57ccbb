"""A Mosquitto of the tests' own: the configuration we ship, on a free port, with its data in a temporary folder."""

import os
import re
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.live import TOP, free_port

WITHOUT_BROKER = "HEAPLEDGER_TESTS_WITHOUT_BROKER"
BRIDGE = "heapledger-bridge"
WATCHER = "watcher"
READY = "$SYS/broker/version"
"""The broker says it to whoever has just subscribed."""
PASSWORD = "for-tests-only"  # noqa: S105 - of a broker that lives for one test


def must_have_mosquitto() -> None:
    """Fail, or skip where asked to, on a machine without the broker and its clients."""
    missing = [name for name in ("mosquitto", "mosquitto_pub", "mosquitto_sub") if _where(name) is None]
    if missing and os.environ.get(WITHOUT_BROKER) == "1":
        pytest.skip(f"{', '.join(missing)} not installed")
    if missing:
        pytest.fail(
            f"{', '.join(missing)} not found: apt-get install mosquitto mosquitto-clients, or set {WITHOUT_BROKER}=1"
        )


def _where(name: str) -> str | None:
    return shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")


@dataclass
class Broker:
    """One broker; it may be stopped, killed and started again on the same port and data."""

    folder: Path
    port: int = field(default_factory=free_port)
    watching_port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def prepare(self, *users: str, autosave_s: int) -> None:
        """Write its files: ours, with paths, port and saving changed, and one user who may read everything."""
        passwords = self.folder / "passwords"
        passwords.write_text("".join(f"{user}:{PASSWORD}\n" for user in (BRIDGE, WATCHER, *users)))
        subprocess.run([str(_where("mosquitto_passwd")), "-U", str(passwords)], check=True)
        acl = (TOP / "service" / "mosquitto.acl").read_text()
        (self.folder / "acl").write_text(f"{acl}\npattern read {READY}\nuser {WATCHER}\ntopic read #\n")
        shipped = (TOP / "service" / "mosquitto.conf").read_text()
        for option, value in (
            ("listener", f"{self.port} 127.0.0.1"),
            ("password_file", passwords),
            ("acl_file", self.folder / "acl"),
            ("persistence_location", f"{self.folder}/"),
            ("autosave_interval", autosave_s),
        ):
            shipped, changed = re.subn(rf"^{option} .*$", f"{option} {value}", shipped, flags=re.MULTILINE)
            assert changed == 1, option
        owner = "user root\n" if os.getuid() == 0 else ""
        # The watcher may be connected several times at once.
        watching = f"listener {self.watching_port} 127.0.0.1\n"
        (self.folder / "conf").write_text(shipped + owner + watching)

    def start(
        self, command: Sequence[str] | None = None, environment: Mapping[str, str] | None = None
    ) -> None:
        """Start it, and return once it takes connections."""
        with (self.folder / "log").open("ab") as log:
            command = command or [str(_where("mosquitto")), "-c", str(self.folder / "conf")]
            self.process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
        until = time.monotonic() + 10
        while time.monotonic() < until:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                assert self.process.poll() is None, (self.folder / "log").read_text()
                time.sleep(0.01)
            else:
                return
        raise AssertionError("the broker does not listen")

    def end(self, how: signal.Signals = signal.SIGTERM) -> None:
        """Stop it, or kill it as a power cut would."""
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait(10)
            self.process = None

    def restart_with_tls(self) -> Path:
        """Start again with TLS on the gateways' port; return the certificate to trust."""
        self.end()
        certificate, key = self.folder / "server.crt", self.folder / "server.key"
        wanted = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=test"
        subject = "subjectAltName=IP:127.0.0.1"
        command = ["openssl", *wanted.split(), "-addext", subject, "-keyout", key, "-out", certificate]
        subprocess.run(command, check=True, capture_output=True)
        conf = self.folder / "conf"
        listener = f"listener {self.port} 127.0.0.1\n"
        tls = f"{listener}certfile {certificate}\nkeyfile {key}\n"
        assert listener in conf.read_text()
        conf.write_text(conf.read_text().replace(listener, tls))
        self.start()
        return certificate

    def saved(self, message: bytes) -> None:
        """Return once a message is on the broker's disk."""
        until = time.monotonic() + 10
        file = self.folder / "mosquitto.db"
        while time.monotonic() < until:
            if file.exists() and message in file.read_bytes():
                return
            time.sleep(0.05)
        raise AssertionError("the broker does not save")

    def publish(
        self,
        topic: str,
        body: str | bytes,
        *options: str,
        user: str,
        version: str = "mqttv5",
        lines: bool = False,
        password: str = PASSWORD,
    ) -> subprocess.CompletedProcess[bytes]:
        """Publish with somebody else's client; returns once the broker has acknowledged (or refused) it all."""
        given = body.encode() if isinstance(body, str) else body
        command = [
            "mosquitto_pub",
            "-V",
            version,
            "-q",
            "1",
            *self._as(user, password),
            "-t",
            topic,
            *options,
        ]
        command.append("-l" if lines else "-s")
        return subprocess.run(command, input=given, capture_output=True, check=False, timeout=60)

    def listen(self, *topics: str, shown: str = "%t\t%p", many: int = 1, user: str = WATCHER) -> "Listener":
        """Start listening with somebody else's client; ready when this returns."""
        command = [
            "mosquitto_sub",
            "-V",
            "mqttv5",
            "-q",
            "1",
            *self._as(user, PASSWORD, self.watching_port),
        ]
        command += ["-C", str(many + 1), "-W", "20", "-F", f"%t\t{shown}"]
        for topic in (*topics, READY):
            command += ["-t", topic]
        return Listener(command)

    def _as(self, user: str, password: str, port: int | None = None) -> Sequence[str]:
        return ("-h", "127.0.0.1", "-p", str(port or self.port), "-u", user, "-P", password)


class Listener:
    """A running ``mosquitto_sub``."""

    def __init__(self, command: Sequence[str]) -> None:
        self._process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        assert self._process.stdout is not None
        self._early: list[str] = []
        for line in self._process.stdout:
            if line.startswith(READY):
                return
            self._early.append(line)
        raise AssertionError("the listener could not subscribe")

    def heard(self) -> list[str]:
        """Return what it heard, once it has heard as many messages as it was to, or for twenty seconds."""
        assert self._process.stdout is not None
        # Not communicate(): what was read ahead of the lines so far is in the file object.
        lines = [*self._early, *self._process.stdout]
        self._process.stdout.close()
        self._process.wait(10)
        return [line.rstrip("\n").partition("\t")[2] for line in lines]
