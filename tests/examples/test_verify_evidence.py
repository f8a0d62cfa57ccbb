"""The verifier, run as anyone would run it, against what a hand in the database can do."""

import base64
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import UUID

import psycopg
import pytest

from service.operations import log
from service.operations.log_proofs import proofs_for_pile
from service.operations.signing import Signer
from service.storage.database import Database
from tests import live
from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant, Urls

PROGRAM = live.TOP / "openapi-examples" / "verify_evidence.py"
SIGNER = Signer("compost.example/log", base64.b64encode(bytes(range(32))).decode())
FORGER = Signer("compost.example/log", base64.b64encode(bytes(32)).decode())
HOURS = range(8)
"""Of the readings of each probe, sent two to a bag."""


@dataclass(frozen=True)
class Evidence:
    """A logged pile, what its log was when somebody kept the checkpoint, and a hand with the owner's password."""

    tenant: Tenant
    database: Database
    urls: Urls
    folder: Path
    pile_id: str
    serials: tuple[str, str]
    kept: str

    def append(self) -> None:
        with self.database.begin(self.tenant.organisation_id) as session:
            log.append_due(session, self.tenant.organisation_id)

    def pack(self, signer: Signer | None = SIGNER) -> dict[str, Any]:
        with self.database.begin(self.tenant.organisation_id) as session:
            return proofs_for_pile(session, self.tenant.organisation_id, UUID(self.pile_id), signer)

    def tamper(self, statement: str, **values: Any) -> None:
        """Write past everything: as the owner, no wall and no trigger in the way."""
        with psycopg.connect(self.urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
            connection.execute("set session_replication_role = replica")
            done = connection.execute(statement, {"o": self.tenant.organisation_id, **values})
            assert done.rowcount, "nothing was tampered with"

    def verify(self, pack: dict[str, Any] | None = None, *options: str) -> tuple[int, str]:
        """Run the program, with nothing of the service within its reach."""
        path = self.folder / "pack.json"
        path.write_text(json.dumps(self.pack() if pack is None else pack))
        done = subprocess.run(
            [sys.executable, "-P", "-W", "error", str(PROGRAM), str(path), *options],
            capture_output=True,
            text=True,
            check=False,
            cwd=self.folder,
            env={"PATH": os.environ["PATH"], "PYTHONPATH": ""},
        )
        assert done.returncode in {0, 1}
        assert done.stderr == ""
        return done.returncode, done.stdout

    @property
    def key(self) -> str:
        return SIGNER.verifier_key(self.tenant.organisation_id)

    def file(self, name: str, text: str) -> str:
        path = self.folder / name
        path.write_text(text)
        return str(path)

    def growth(self, old: int) -> str:
        with self.database.begin(self.tenant.organisation_id) as session:
            found = log.consistency(session, self.tenant.organisation_id, old, None)
        return self.file("consistency.json", json.dumps(found))


@pytest.fixture
def evidence(tenant: Tenant, database: Database, urls: Urls, tmp_path: Path) -> Evidence:
    site = a_site(tenant)
    pile = a_pile(tenant, site["id"], built_at=at(0))
    probes = [a_probe(tenant), a_probe(tenant)]
    for number, probe in enumerate(probes):
        a_placement(tenant, probe["id"], pile["id"], position=f"core-{number}")
    for hour in HOURS[::2]:
        readings = [a_reading(one["serial"], h, 55 + h) for one in probes for h in (hour, hour + 1)]
        tenant.post("/v1/readings", a_bag(*readings))
    tenant.post(
        f"/v1/piles/{pile['id']}/events", {"kind": "turn", "at": at(3), "crew": "blue", "note": "wet"}
    )
    with database.begin(tenant.organisation_id) as session:
        log.append_due(session, tenant.organisation_id)
        kept = log.checkpoint(session, tenant.organisation_id, SIGNER)
    tenant.post(f"/v1/piles/{pile['id']}/verdicts", {"rule": "us-nop-windrow"})
    tenant.post(
        f"/v1/probes/{probes[0]['id']}/corrections",
        {"kind": "exclude", "from": at(6), "to": at(7), "reason": "x"},
    )
    made = Evidence(
        tenant, database, urls, tmp_path, pile["id"], (probes[0]["serial"], probes[1]["serial"]), kept
    )
    made.append()
    return made


def test_honest_evidence_is_proved(evidence: Evidence) -> None:
    code, told = evidence.verify(None, "--key", evidence.key)
    assert (code, "ALTERED" in told) == (0, False), told
    assert "9 leaves of a log of 9 checked: all proved" in told
    code, told = evidence.verify()
    assert code == 0
    assert "the key it brings along" in told


def test_the_program_is_short_and_stands_alone() -> None:
    text = PROGRAM.read_text()
    body = text.split('"""\n', 2)[2]
    assert len([line for line in body.splitlines() if line.strip()]) <= 150
    assert "import service" not in text
    assert "from service" not in text
    imported = {
        line.split()[1].split(".")[0] for line in text.splitlines() if line.startswith(("import ", "from "))
    }
    assert imported - set(sys.stdlib_module_names) == {"cryptography"}


OF_ONE = (
    "organisation_id = %(o)s and observed_at = %(at)s"
    " and probe = (select number from probe where serial = %(serial)s)"
)


@pytest.mark.parametrize(
    ("change", "now"),
    [
        ("update reading set value = 71.5 where " + OF_ONE, "now 71.5"),
        ("update reading set unit = 2 where " + OF_ONE, "now 60.0"),
        ("update reading set flag = 4 where " + OF_ONE, "now 60.0"),
    ],
    ids=["value", "unit", "flag"],
)
def test_one_reading_changed_in_the_database_is_named(change: str, now: str, evidence: Evidence) -> None:
    """The issue's own: probe and instant, and only those."""
    evidence.tamper(change, serial=evidence.serials[1], at=at(5))
    code, told = evidence.verify(None, "--key", evidence.key)
    assert code == 1
    (line,) = [line for line in told.splitlines() if line.startswith("ALTERED")]
    assert f"probe {evidence.serials[1]}, temperature, 2026-05-04T19:00:00+00:00" in line
    assert now in line
    assert "8 readings" not in told


def test_a_reading_moved_to_another_instant_is_named(evidence: Evidence) -> None:
    evidence.tamper(
        f"update reading set observed_at = observed_at + interval '10 minutes' where {OF_ONE}",
        serial=evidence.serials[0],
        at=at(5),
    )
    code, told = evidence.verify(None, "--key", evidence.key)
    assert code == 1
    assert f"probe {evidence.serials[0]}, temperature, 2026-05-04T19:10:00+00:00" in told


def test_a_reading_deleted_by_hand_is_missed(evidence: Evidence) -> None:
    """A verdict rests on it, so it was not deleted for its age."""
    evidence.tamper(f"delete from reading where {OF_ONE}", serial=evidence.serials[0], at=at(5))
    code, told = evidence.verify(None, "--key", evidence.key)
    assert code == 1
    assert (
        "of 2 readings of 2026-05-04T18:00:00+00:00 to 2026-05-04T19:00:00+00:00, 1 are no longer kept"
        in told
    )


def test_all_readings_of_a_bag_deleted_are_missed(evidence: Evidence) -> None:
    evidence.tamper("delete from reading where organisation_id = %(o)s and observed_at < %(at)s", at=at(2))
    code, told = evidence.verify(None, "--key", evidence.key)
    assert code == 1
    assert (
        told.count("of 2 readings of 2026-05-04T14:00:00+00:00 to 2026-05-04T15:00:00+00:00, 2 are no longer")
        == 2
    )


def test_readings_past_their_time_are_a_note_where_no_verdict_rests_on_them(
    tenant: Tenant, database: Database, urls: Urls, tmp_path: Path
) -> None:
    site = a_site(tenant)
    pile = a_pile(tenant, site["id"])
    probe = a_probe(tenant)
    a_placement(tenant, probe["id"], pile["id"])
    tenant.post("/v1/readings", a_bag(a_reading(probe["serial"], 1)))
    made = Evidence(tenant, database, urls, tmp_path, pile["id"], (probe["serial"], ""), "")
    made.append()
    made.tamper("delete from reading where organisation_id = %(o)s")
    code, told = made.verify(None, "--key", made.key)
    assert code == 0, told
    assert "note: " in told
    assert "1 are no longer kept" in told


def test_a_reading_slipped_in_is_named(evidence: Evidence) -> None:
    """Under a batch that was logged, and under none."""
    insert = (
        "insert into reading select observed_at + interval '20 minutes', 65, {batch}, organisation_id, probe, quantity,"
        f" unit, flag from reading where {OF_ONE}"
    )
    evidence.tamper(insert.format(batch="batch_id"), serial=evidence.serials[0], at=at(5))
    evidence.tamper(insert.format(batch=123), serial=evidence.serials[1], at=at(5))
    code, told = evidence.verify(None, "--key", evidence.key)
    assert code == 1
    slipped = [line for line in told.splitlines() if "19:20:00+00:00" in line]
    assert len(slipped) == len([line for line in told.splitlines() if line.startswith("ALTERED")]) == 2
    assert any(
        f"probe {evidence.serials[0]}" in line and "not one that was taken in" in line for line in slipped
    )
    assert any(f"probe {evidence.serials[1]}" in line and "of no logged batch" in line for line in slipped)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            "update pile_event set at = at - interval '1 day' where organisation_id = %(o)s",
            "changed after it was logged",
        ),
        ("update pile_event set crew = 'red' where organisation_id = %(o)s", "crew was changed"),
        ("update pile_event set details = '{\"height_m\": 2}' where organisation_id = %(o)s", "event"),
        ("delete from pile_event where organisation_id = %(o)s", "no longer on record"),
        ("update verdict set state = 'met' where organisation_id = %(o)s", "verdict"),
        (
            "update verdict set body = jsonb_set(body, '{held_h}', '99') where organisation_id = %(o)s",
            "verdict",
        ),
        ("delete from verdict where organisation_id = %(o)s", "no longer on record"),
        (
            "update reading_correction set until = until - interval '5 minutes' where organisation_id = %(o)s",
            "correction",
        ),
        ("update reading_correction set reason = 'y' where organisation_id = %(o)s", "reason was changed"),
        ("update placement set depth_cm = 99 where organisation_id = %(o)s", "placement"),
        ("update probe set serial = serial || 'x' where organisation_id = %(o)s", "not part of the batch"),
        (
            "update batch set seal = overlay(seal placing '\\x00' from 40) where organisation_id = %(o)s",
            "not part of",
        ),
    ],
)
def test_any_other_row_changed_is_named(change: str, words: str, evidence: Evidence) -> None:
    evidence.tamper(change)
    code, told = evidence.verify(None, "--key", evidence.key)
    assert code == 1, told
    assert any(words in line for line in told.splitlines() if line.startswith("ALTERED")), told


def test_words_erased_are_a_note_and_the_facts_stay_proved(evidence: Evidence) -> None:
    evidence.tamper("update pile_event set crew = null, note = null where organisation_id = %(o)s")
    evidence.tamper("delete from log_word_key where organisation_id = %(o)s")
    code, told = evidence.verify(None, "--key", evidence.key)
    assert code == 0, told
    assert "crew is withheld, or was erased" in told


SWAP = (
    "update log_leaf l set entry = other.entry, hash = other.hash from log_leaf other where l.organisation_id = %(o)s"
    " and other.organisation_id = %(o)s and l.leaf in (1, 2) and other.leaf = 3 - l.leaf"
)


def test_two_leaves_swapped_are_named(evidence: Evidence) -> None:
    evidence.tamper(SWAP)
    code, told = evidence.verify(None, "--key", evidence.key)
    assert code == 1
    assert "is not leaf 1 of the log" in told
    assert "is not leaf 2 of the log" in told


def _rebuild(evidence: Evidence, keep: int) -> None:
    """Cut the log short and let it be appended to anew: what an operator who forges history would do."""
    evidence.tamper("delete from log_node where organisation_id = %(o)s")
    evidence.tamper("delete from log_word_key where organisation_id = %(o)s")
    evidence.tamper("delete from log_leaf where organisation_id = %(o)s and leaf >= %(keep)s", keep=keep)
    evidence.append()


def test_a_tail_cut_off_shows_against_a_kept_checkpoint(evidence: Evidence) -> None:
    """Without one it cannot show: whoever holds the key can sign any log."""
    kept = evidence.file("kept.txt", evidence.kept)
    honest = evidence.verify(None, "--key", evidence.key, "--kept", kept, "--consistency", evidence.growth(7))
    assert honest[0] == 0, honest[1]
    evidence.tamper("delete from log_leaf where organisation_id = %(o)s and leaf >= 4")
    code, told = evidence.verify(None, "--key", evidence.key, "--kept", kept)
    assert code == 1
    assert "the log of 4 does not hold the 7 leaves it had" in told


def test_a_log_written_anew_shows_against_a_kept_checkpoint(evidence: Evidence) -> None:
    """When batches came in was changed, and the log appended anew and signed: all proofs hold but this one."""
    kept = evidence.file("kept.txt", evidence.kept)
    evidence.tamper(
        "update batch set received_at = received_at + interval '1 second' where organisation_id = %(o)s"
    )
    _rebuild(evidence, 0)
    code, told = evidence.verify(None, "--key", evidence.key)
    assert code == 0, told
    code, told = evidence.verify(
        None, "--key", evidence.key, "--kept", kept, "--consistency", evidence.growth(7)
    )
    assert code == 1
    assert "cut short, or rewritten" in told


def _forged(pack: dict[str, Any], signer: Signer, organisation_id: int) -> dict[str, Any]:
    size, root = pack["checkpoint"].split("\n")[1:3]
    return pack | {"checkpoint": signer.sign(organisation_id, int(size), base64.b64decode(root))}


FORGERIES: dict[str, Callable[[dict[str, Any], int], dict[str, Any]]] = {
    "signed by another": lambda pack, o: _forged(pack, FORGER, o),
    "of another log": lambda pack, o: _forged(pack, SIGNER, o + 1),
    "unsigned": lambda pack, _: pack | {"checkpoint": pack["checkpoint"].rpartition("\n\n")[0] + "\n"},
    "another size": lambda pack, _: pack | {"checkpoint": pack["checkpoint"].replace("\n9\n", "\n8\n")},
    "another signature": lambda pack, _: (
        pack | {"checkpoint": pack["checkpoint"][:-40] + "A" * 30 + pack["checkpoint"][-10:]}
    ),
}


@pytest.mark.parametrize("name", FORGERIES)
def test_a_forged_checkpoint_is_not_believed(name: str, evidence: Evidence) -> None:
    pack = FORGERIES[name](evidence.pack(), evidence.tenant.organisation_id)
    code, told = evidence.verify(pack, "--key", evidence.key)
    assert code == 1
    assert "checkpoint: not signed by the key" in told


def test_a_pack_that_leaves_something_to_be_logged_says_so(evidence: Evidence) -> None:
    evidence.tenant.post("/v1/readings", a_bag(a_reading(evidence.serials[0], 9)))
    code, told = evidence.verify(None, "--key", evidence.key)
    assert code == 0
    assert "not logged yet; nothing is proved of it" in told


def test_a_pack_that_wraps_the_log_is_read(evidence: Evidence) -> None:
    code, told = evidence.verify({"pile": {}, "log": evidence.pack()}, "--key", evidence.key)
    assert (code, "all proved" in told) == (0, True)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda pack: pack | {"hashes": ["x"]},
        lambda pack: pack | {"hashes": []},
        lambda pack: {name: value for name, value in pack.items() if name != "items"},
        lambda pack: pack | {"checkpoint": ""},
    ],
    ids=["no hash", "no hashes", "no items", "no checkpoint"],
)
def test_a_pack_that_cannot_be_read_is_not_proved(
    spoil: Callable[[dict[str, Any]], dict[str, Any]], evidence: Evidence
) -> None:
    code, told = evidence.verify(spoil(evidence.pack()), "--key", evidence.key)
    assert code == 1
    assert "cannot be read" in told
