"""The example gateway through forty hours without a link and days of a bad one, against the running service.

Time is simulated, the service, its disk and its HTTP are real; the seeds make each run repeatable.
"""

import random
from collections import Counter
from datetime import UTC, datetime, timedelta
from itertools import groupby
from pathlib import Path
from typing import Any

import gateway
import httpx
import pytest
from reading_buffer import Buffer

from tests.examples.bad_link import FAULTS, GOOD, Link
from tests.examples.conftest import Office, Place
from tests.examples.world import Key, World, drain_until, unsteady_disk

START = (datetime.now(UTC) - timedelta(days=6)).replace(minute=0, second=0, microsecond=0)
OFFLINE = (START + timedelta(hours=20), START + timedelta(hours=60))
END = START + timedelta(hours=100)


@pytest.fixture(autouse=True)
def quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gateway, "print", lambda *_, **__: None, raising=False)


def on_record(place: Place) -> tuple[list[tuple[Key, float]], set[int]]:
    """Return every reading on record with its value, and the temperatures' flags."""
    found: list[tuple[Key, float]] = []
    flags: set[int] = set()
    for quantity in ("temperature", "battery"):
        items = place.readings(quantity)
        found += [
            ((item["probe"], quantity, datetime.fromisoformat(item["observed_at"])), item["value"])
            for item in items
        ]
        flags |= {item["flag"] for item in items if quantity == "temperature"}
    return found, flags


def never_offline(office: Office, name: str, kept: list[tuple[Key, float]], first: Place) -> Place:
    """Bring the same readings to a pile of the same kind, those of one instant together and each as it was taken."""
    place = office.place(name, START)
    serial_of = dict(zip(first.serials, place.serials, strict=True))
    for at, together in groupby(sorted(kept, key=lambda one: one[0][2]), key=lambda one: one[0][2]):
        readings = [
            {
                "probe": serial_of[serial],
                "quantity": quantity,
                "value": value,
                "unit": "Cel" if quantity == "temperature" else "%",
                "observed_at": at.isoformat(),
            }
            for (serial, quantity, _), value in together
        ]
        office.post("/v1/readings", {"readings": readings})
    return place


def comparable(verdict: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in verdict.items() if name not in {"judged_at", "readings_digest"}}


def on_time(key: Key) -> Key:
    """To the millisecond: an instant dated afterwards went through a float of seconds."""
    return (key[0], key[1], datetime.fromtimestamp(round(key[2].timestamp(), 3), UTC))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_forty_hours_offline_lose_nothing_and_double_nothing(
    office: Office, tmp_path: Path, seed: int
) -> None:
    place = office.place(f"s{seed}", START)
    world = World(tmp_path / "buffer.db", START, place.serials, seed)
    random.seed(seed)
    fate = random.Random(seed)  # noqa: S311 - a run to be repeated
    link = Link(world, office.url, lambda: GOOD if fate.random() < 0.35 else fate.choice(FAULTS), OFFLINE)
    # Each power cut costs up to twenty minutes of measuring; this many make about one a simulated hour.
    world.cuts_per_step = 0.0015
    with (
        unsteady_disk(),
        httpx.Client(
            transport=link, base_url="http://yard", headers={"Authorization": f"Bearer {place.token}"}
        ) as client,
    ):
        drain_until(world, client, end=END)
        world.sensing = False
        drain_until(world, client, end=None)
        link.deliver_late(all_of_it=True)
        world.cuts_per_step = 0
    aside = Buffer(world.file).set_aside()

    kept, flags = on_record(place)
    # Exactly once: neither a key twice nor a reading at two instants.
    assert max(Counter(on_time(key) for key, _ in kept).values()) == 1
    record = {on_time(key): value for key, value in kept}
    attempted = {on_time(key): value for key, value in world.attempted.items()}
    assert record.items() <= attempted.items(), (
        "nothing is on record that was not measured, when it was measured"
    )
    lost = {on_time(key): value for key, value in world.acknowledged.items()}.items() - record.items()
    # What cannot be dated is kept aside, and nothing else is.
    assert {key for key, _ in lost} <= {on_time(key) for key in world.undated}
    undatable = Counter((one["probe"], one["quantity"], one["value"]) for one in aside)
    assert Counter((key[0], key[1], value) for key, value in lost) <= undatable
    assert flags == {1}, "no pack that waited makes the service doubt the clock"

    # The run was as bad as it claims.
    assert {"down", *FAULTS} <= link.met.keys()
    assert world.boots >= 20
    offline = [key for key in record if OFFLINE[0] <= key[2] < OFFLINE[1] and key[1] == "temperature"]
    assert len(offline) > 200

    straight = never_offline(office, f"t{seed}", kept, place)
    verdict = place.verdict()
    assert comparable(verdict) == comparable(straight.verdict())
    assert verdict["state"] == "met", verdict
    assert OFFLINE[1] < datetime.fromisoformat(verdict["met_at"]) < END


def test_a_power_cut_at_every_single_step(office: Office, tmp_path: Path) -> None:
    """Four readings over a link that cuts an answer, then answers for the service, then works; and one step further."""
    place = office.place("c", START)
    acknowledged: dict[Key, float] = {}
    attempted: dict[Key, float] = {}
    step, cuts = 0, 1
    while cuts == 1:
        step += 1
        start = START + step * timedelta(minutes=30)
        world = World(tmp_path / f"buffer{step}.db", start, place.serials, seed=step)
        world.cut_at = step
        fates = iter(("cut", "kept502", "good", "twice"))
        link = Link(world, office.url, lambda fates=fates: next(fates, GOOD))  # type: ignore[misc]
        with (
            unsteady_disk(),
            httpx.Client(
                transport=link, base_url="http://yard", headers={"Authorization": f"Bearer {place.token}"}
            ) as client,
        ):
            drain_until(world, client, end=start + timedelta(minutes=10))
            world.sensing = False
            drain_until(world, client, end=None)
        world.cut_at, cuts = None, world.boots
        assert Buffer(world.file).set_aside() == []
        acknowledged |= {on_time(key): value for key, value in world.acknowledged.items()}
        attempted |= {on_time(key): value for key, value in world.attempted.items()}
    assert step > 60, "the last run is the first that went through all its steps without a cut"
    kept, _ = on_record(place)
    record = {on_time(key): value for key, value in kept}
    assert len(record) == len(kept)
    assert record.items() <= attempted.items()
    assert acknowledged.items() <= record.items()
