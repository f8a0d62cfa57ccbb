"""What an entry of the log says, as bytes that do not depend on who writes them.

Canonical JSON after RFC 8785, with every number as a string: then no writer's way to print a number matters. (RFC 8785
sorts names by UTF-16 units and Python by code points; the two agree on every name in use here, all ASCII.)

No person's words enter the log. A crew's name, a note or a reason stands in it only as a keyed digest whose key lies in
a table of its own; deleting that key, and the words, leaves a proof that tells nobody who it was.
"""

import hashlib
import hmac
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final
from uuid import UUID

from service.domain.log import merkle
from service.domain.log.seals import Seal, SealedSeries

PERSONAL: Final = frozenset({"crew", "note", "reason", "use", "laboratory"})
"""Members in which a person, or a person's own words, may stand."""

Document = dict[str, Any]


def as_text(value: Any) -> Any:  # noqa: ANN401 - walks any JSON value
    """Return a JSON value with its numbers, instants and ids as strings; a whole number without a point."""
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, int | UUID):
        return str(value)
    if isinstance(value, Mapping):
        return {str(name): as_text(one) for name, one in value.items()}
    return [as_text(one) for one in value]


def canonical(document: Any) -> bytes:  # noqa: ANN401 - any JSON value
    """Return a document whose numbers are strings as canonical JSON."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"), sort_keys=True).encode()


def digest(document: Any) -> str:  # noqa: ANN401 - any JSON value
    """Return the SHA-256 of a document, in hexadecimal."""
    return hashlib.sha256(canonical(document)).hexdigest()


def parted(document: Mapping[str, Any]) -> tuple[Document, dict[str, str]]:
    """Take a person's words out of a record.

    Returns
    -------
    tuple[dict, dict]
        The facts, and the words by where they stood, such as ``details.replacement.crew``.
    """
    facts: Document = {}
    words: dict[str, str] = {}
    for name, value in document.items():
        if name in PERSONAL:
            if value is not None:
                words[name] = str(value)
        elif isinstance(value, Mapping):
            facts[name], inner = parted(value)
            words |= {f"{name}.{place}": one for place, one in inner.items()}
        else:
            facts[name] = value
    return facts, words


def word_digest(key: bytes, place: str, words: str) -> str:
    """Return what stands in the log for a person's words; without the key nothing can be learnt from it."""
    return hmac.new(key, f"{place}\0{words}".encode(), hashlib.sha256).hexdigest()


def series_entry(seal: Seal, series: SealedSeries, serial: str, quantity: str) -> bytes:
    """Return what a batch's digest holds of one probe and quantity.

    The salt keeps its hash, which every proof of a neighbour shows, from being guessed from a likely temperature.
    """
    return canonical(
        {
            "probe": serial,
            "quantity": quantity,
            "readings": str(series.count),
            "from_s": str(series.first_s),
            "to_s": str(series.last_s),
            "records": series.records.hex(),
            "marks": series.marks.hex(),
            "salt": seal.salt_of(series).hex(),
        }
    )


def batch_digest(entries: Sequence[bytes]) -> str:
    """Return the root over a batch's series, in hexadecimal; one of them is proved without showing the others."""
    return merkle.root([merkle.leaf_hash(entry) for entry in entries]).hex()
