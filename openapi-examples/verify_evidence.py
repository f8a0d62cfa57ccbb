"""Check a pile's evidence without trusting, or asking, the service it came from.

    python verify_evidence.py pack.json --key 'compost.example/log/7+1f2e3d4c+AQ...'

pack.json is an evidence pack, or the answer of GET /v1/log/proof?pile_id=... Have the log's public key (--key) from
somewhere else: without it the pack is only held against the key it brings along. --kept is a checkpoint kept from
earlier, --consistency the answer of GET /v1/log/consistency?from=<its size>&to=<the pack's size>: they show whether the
log was cut short or rewritten since. Exit code 0: all proved; 1: something does not hold, and what is printed names it.

Needs Python 3.11 and cryptography. The tree is that of RFC 9162, 2.1; a checkpoint is a C2SP signed note.
"""

import argparse
import hashlib
import hmac
import json
import struct
import sys
from base64 import b64decode
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

Doc = dict[str, Any]
wrong: list[str] = []
notes: list[str] = []


def sha(data: bytes) -> bytes:
    """Return a SHA-256."""
    return hashlib.sha256(data).digest()


def climb(first: bytes, leaf: int, last: int, path: list[bytes]) -> tuple[bytes, bytes]:
    """Return the older log's root and the newer's that a path leads to (RFC 9162, 2.1.3.2 and 2.1.4.2)."""
    was = now = first
    for one in path:
        if last == 0 or {len(one), len(first)} != {hashlib.sha256().digest_size}:
            return b"", b""
        if leaf & 1 or leaf == last:
            was, now = sha(b"\1" + one + was), sha(b"\1" + one + now)
            while leaf and not leaf & 1:
                leaf, last = leaf >> 1, last >> 1
        else:
            now = sha(b"\1" + now + one)
        leaf, last = leaf >> 1, last >> 1
    return (was, now) if last == 0 else (b"", b"")


def opened(note: str, key: str, what: str) -> tuple[int, bytes]:
    """Check a signed checkpoint; return size and root."""
    name, key_id, public = key.strip().split("+", 2)
    raw_key, (text, _, lines) = b64decode(public)[1:], note.rpartition("\n\n")
    good = False
    for line in (one for one in lines.splitlines() if one.startswith("\N{EM DASH} ")):
        raw = b64decode(line.split(" ")[-1])
        known = sha(f"{name}\n\1".encode() + raw_key)[:4] == bytes.fromhex(key_id) == raw[:4]
        try:
            Ed25519PublicKey.from_public_bytes(raw_key).verify(raw[4:], f"{text}\n".encode())
            good |= known and line.split(" ")[1] == name == text.split("\n")[0]
        except InvalidSignature:
            pass
    if not good:
        wrong.append(f"{what}: not signed by the key of {name}; nothing that rests on it can be believed")
    return int((text or note).split("\n")[1]), b64decode((text or note).split("\n")[2])


def mark(at: int, value: str, unit: int, flag: int) -> str:
    """Return the four bytes that tell one reading from another; they name it, the digest proves it."""
    a, b, c = 0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9
    mixed = (at * a ^ int(value, 16) * b ^ ((unit << 16 | flag) + 1) * c) & 2**64 - 1
    return f"{((mixed ^ mixed >> 29) * a & 2**64 - 1) >> 32:08x}"


def instant(at_us: int) -> str:
    """Return an instant for people."""
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at_us)).isoformat()


def check_series(one: Doc, said: Doc, hashes: list[bytes], where: str, *, has_verdict: bool) -> None:
    """Check one probe's readings of a batch, and name each that is not as it was taken in."""
    leaf, path = sha(b"\0" + one["entry"].encode()), [hashes[i] for i in one["path"]]
    if climb(leaf, one["place"], int(said["series"]) - 1, path)[1].hex() != said["digest"]:
        wrong.append(f"{where}: a series is not part of the batch that was logged")
    series, kept = json.loads(one["entry"]), one["readings"]
    packed = [struct.pack(">q8shh", at, bytes.fromhex(v), unit, flag) for at, v, unit, flag in kept]
    if sha(b"".join(packed)).hex() == series["records"]:
        return
    span = " to ".join(instant(int(series[end]) * 1_000_000) for end in ("from_s", "to_s"))
    where, count = f"{where}: probe {series['probe']}, {series['quantity']}", int(series["readings"])
    marks = {series["marks"][i : i + 8] for i in range(0, 8 * count, 8)}
    odd = [reading for reading in kept if mark(*reading) not in marks]
    for at, value, *_ in odd:
        now = struct.unpack(">d", bytes.fromhex(value))[0]
        wrong.append(f"{where}, {instant(at)}: the reading, now {now!r}, is not one that was taken in")
    missing = count - (len(kept) - len(odd))
    if missing > len(odd):  # only a verdict on file keeps readings from being deleted once they are old
        told = f"{where}: of {count} readings of {span}, {missing - len(odd)} are no longer kept"
        (wrong if has_verdict else notes).append(told)
    elif not odd:
        wrong.append(f"{where}: the readings of {span} are not those taken in")


def check_row(item: Doc, said: Doc, where: str) -> None:
    """Check an event, correction, placement or verdict, and a person's words in it."""
    content = item.get("content")
    if content is None and item.get("replaced_by"):
        return notes.append(f"{where}: an older version; {item['replaced_by']} took its place")
    if content is None:
        return wrong.append(f"{where}: is on the log and no longer on record")
    told = json.dumps(content, ensure_ascii=False, separators=(",", ":"), sort_keys=True).encode()
    if sha(told).hex() != said["digest"]:
        wrong.append(
            f"{where} ({content.get('kind', '')} {content.get('at', '')}): changed after it was logged"
        )
    words, key = item.get("words") or {}, bytes.fromhex(item.get("word_key") or "")
    logged = said.get("words", {})
    for place in sorted({*words, *logged}):
        if place not in words:
            notes.append(f"{where}: {place} is withheld, or was erased")
        elif hmac.new(key, f"{place}\0{words[place]}".encode(), "sha256").hexdigest() != logged.get(place):
            wrong.append(f"{where}: {place} was changed or added after it was logged")
    return None


def check(pack: Doc, key: str) -> tuple[int, bytes]:
    """Check every leaf of a pack; return the size and the root of its log."""
    size, root = opened(pack["checkpoint"], key, "checkpoint")
    hashes = [b64decode(one) for one in pack["hashes"]]
    said = [json.loads(item["entry"]) for item in pack["items"]]
    has_verdict = any(one["kind"] == "verdict" for one in said)
    for item, entry in zip(pack["items"], said, strict=True):
        where, path = f"{entry['kind']} {entry['id']}", [hashes[i] for i in item["path"]]
        if climb(sha(b"\0" + item["entry"].encode()), item["leaf"], size - 1, path)[1] != root:
            wrong.append(f"{where}: is not leaf {item['leaf']} of the log that was signed")
        for one in item.get("series") or []:
            check_series(one, entry, hashes, where, has_verdict=has_verdict)
        if not item.get("series"):
            check_row(item, entry, where)
    wrong.extend(
        f"probe {p}, {q}, {instant(at)}: a reading of no logged batch" for p, q, at in pack["uncovered"]
    )
    notes.extend(f"{one}: not logged yet; nothing is proved of it" for one in pack["pending"])
    return size, root


def check_growth(note: str, proof: Doc, key: str, size: int, root: bytes) -> None:
    """Check that a log holds, unchanged, what it held at a checkpoint kept from earlier."""
    old, was = opened(note, key, "kept checkpoint")
    path = [was] * (old & (old - 1) == 0) + [b64decode(one) for one in proof.get("path", [])]
    node, last = old - 1, size - 1
    while node & 1:
        node, last = node >> 1, last >> 1
    holds = was == root if old == size else 0 < old < size and path and climb(path[0], node, last, path[1:])
    if holds not in (True, (was, root)):
        wrong.append(f"the log of {size} does not hold the {old} leaves it had: cut short, or rewritten")


def run(given: argparse.Namespace) -> str:
    """Check the files that the command line names; return how much was checked."""
    pack = json.loads(Path(given.pack).read_text("utf-8"))
    pack = pack.get("log", pack)
    key = given.key or pack["key"] or sys.exit("the pack brings no key: nothing can be proved without --key")
    size, root = check(pack, key)
    if given.kept:
        proof = json.loads(Path(given.consistency).read_text("utf-8")) if given.consistency else {}
        check_growth(Path(given.kept).read_text("utf-8"), proof, key, size, root)
    return f"{len(pack['items'])} leaves of a log of {size}"


def main() -> int:
    """Check, and tell what was found."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name in ("pack", "--key", "--kept", "--consistency"):
        parser.add_argument(name, default=None)
    given = parser.parse_args()
    if not given.key:
        notes.append("no --key given: the pack is only held against the key it brings along")
    try:
        checked = run(given)
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, struct.error) as error:
        checked = "not everything"
        wrong.append(f"the files cannot be read to their end: {type(error).__name__} {error}")
    for line in [f"note: {one}" for one in notes] + [f"ALTERED: {one}" for one in wrong]:
        print(line)
    print(f"{checked} checked: {f'{len(wrong)} findings' if wrong else 'all proved'}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
