"""The example gateways as processes that are killed, with forty hours of readings from two probes."""

import json
import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from tests import live
from tests.examples.lossy_tcp import BAD_ENDS, LossyTcp

PROGRAMS = live.TOP / "openapi-examples"
IMPATIENT = "import {0}; {0}.LONGEST_PAUSE_S = 0.05; {0}.main()"
"""The program as it is, with pauses that suit a test."""


def program(name: str, *arguments: str, **environment: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", IMPATIENT.format(name), *arguments],
        env={**os.environ, "PYTHONPATH": str(PROGRAMS), **environment},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def end(process: subprocess.Popen[bytes]) -> None:
    process.kill()
    process.communicate()


def forty_hours(start: datetime, serials: Sequence[str]) -> Iterator[dict[str, object]]:
    """Every 15 minutes a temperature and a battery of each probe, each value its own."""
    for number in range(160):
        at = (start + number * timedelta(minutes=15)).isoformat()
        for place, serial in enumerate(serials):
            head = {"probe": serial, "observed_at": at}
            yield head | {"quantity": "temperature", "value": 40 + number / 10 + place / 100, "unit": "Cel"}
            yield head | {"quantity": "battery", "value": 99 - number / 10 - place / 100, "unit": "%"}


@dataclass
class Recorder:
    """``gateway.py --record`` fed a line at a time; what it has answered with a number is acknowledged."""

    file: Path
    lines: list[bytes]
    chance: random.Random
    acknowledged: list[bytes] = field(default_factory=list)
    kills: int = 0

    def feed(self, most: int, *, kill: bool) -> None:
        """Feed lines; killed in the midst, the recorder may have kept one more than it could answer."""
        process = program("gateway", str(self.file), "--record")
        assert process.stdin is not None
        assert process.stdout is not None
        fed = self.lines[:most]
        for line in fed[:-1]:
            process.stdin.write(line)
            process.stdin.flush()
            answered = process.stdout.readline().strip()
            assert answered, process.communicate()[1]
            self.acknowledged.append(line)
        process.stdin.write(fed[-1])
        process.stdin.flush()
        if kill:
            time.sleep(self.chance.uniform(0, 0.004))
            process.kill()
            self.kills += 1
        out, _ = process.communicate()
        if out.strip():
            self.acknowledged.append(fed[-1])
        del self.lines[: len(fed)]


def lines_of(readings: Iterator[dict[str, object]]) -> list[bytes]:
    return [json.dumps(one).encode() + b"\n" for one in readings]


def meet_every_end(process: subprocess.Popen[bytes], link: LossyTcp) -> None:
    """Let a running program try over a link of which every connection comes to one of the bad ends."""
    usual = link.reach_bytes
    # Too few for any pack and its answer, so that it has to try again and again.
    link.is_down, link.bad, link.reach_bytes = False, 1.0, 150
    until = time.monotonic() + 30
    while not set(BAD_ENDS) <= link.met.keys():
        assert process.poll() is None, process.communicate()[1]
        assert time.monotonic() < until, link.met
        time.sleep(0.01)
    link.reach_bytes = usual


def killed_again_and_again(
    name: str, arguments: Sequence[str], link: LossyTcp, chance: random.Random, times: int, **environment: str
) -> int:
    """Run a program and kill it soon after it has reached the link; return how often it was alive to be killed."""
    killed = 0
    for _ in range(times):
        before = link.met.total()
        process = program(name, *arguments, **environment)
        until = time.monotonic() + 2
        while link.met.total() == before and time.monotonic() < until:
            time.sleep(0.002)
        time.sleep(chance.choice((0.0, 0.01, 0.03, 0.1, 0.3)) * chance.random())
        killed += process.poll() is None
        end(process)
    return killed
