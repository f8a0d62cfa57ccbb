"""What the log says of a row: its facts as a digest, a person's words as keyed digests, readings as their seal."""

import os
from collections.abc import Callable, Mapping
from typing import Any, Final

from service.domain.log import entries
from service.domain.log.entries import Document
from service.domain.log.seals import Seal, read_seal
from service.domain.quantities import Quantity, Unit
from service.storage.log import Due, Leaf

Row = Mapping[str, Any]
_WORD_KEY_BYTES: Final = 32


def _event(row: Row) -> Document:
    names = ("id", "pile_id", "kind", "at", "crew", "note", "details", "corrects", "recorded_at")
    return {name: row[name] for name in names}


def _correction(row: Row) -> Document:
    names = ("id", "probe_id", "kind", "by_s", "withdraws", "reason", "recorded_at")
    return {name: row[name] for name in names} | {
        "quantity": None if row["quantity"] is None else Quantity(row["quantity"]).label,
        "from": row["since"],
        "to": row["until"],
        "unit": None if row["unit"] is None else Unit(row["unit"]).ucum,
    }


def _placement(row: Row) -> Document:
    names = ("id", "version", "probe_id", "pile_id", "position", "depth_cm")
    return {name: row[name] for name in names} | {"from": row["since"], "to": row["until"]}


def _verdict(row: Row) -> Document:
    names = (
        "id", "pile_id", "rule", "rule_version", "interpretation", "state", "readings_digest", "engine_version",
        "judged_at", "issued_at", "supersedes", "because",
    )  # fmt: skip
    # Not parted: a verdict speaks of positions and instants, and its "reason" is that of a turn that did not count.
    return {name: row[name] for name in names} | {"body": row["body"]}


_CONTENT: Final[Mapping[str, Callable[[Row], Document]]] = {
    "event": _event,
    "correction": _correction,
    "placement": _placement,
    "verdict": _verdict,
}


def content_of(kind: str, row: Row) -> tuple[Document, dict[str, str]]:
    """Return a row's facts, with numbers as strings, and a person's words by where they stand."""
    whole = _CONTENT[kind](row)
    facts, words = (whole, {}) if kind == "verdict" else entries.parted(whole)
    return entries.as_text(facts), words


def series_entries(seal: Seal, serials: Mapping[int, str]) -> list[bytes]:
    """Return what a batch's digest is the root over."""
    return [
        entries.series_entry(seal, one, serials[one.probe], Quantity(one.quantity).label)
        for one in seal.series
    ]


def leaf_of(due: Due, serials: Mapping[int, str]) -> Leaf:
    """Return the leaf of a row.

    Parameters
    ----------
    serials
        Of every probe that the seals among the rows speak of.
    """
    said = {"kind": due.kind, "id": due.ref, "recorded_at": due.recorded_at}
    if due.kind in {"batch", "adoption"}:
        of_series = series_entries(read_seal(bytes(due.row["seal"])), serials)
        said |= {"digest": entries.batch_digest(of_series), "series": len(of_series)}
        return Leaf(due, _text(said))
    facts, words = content_of(due.kind, due.row)
    said |= {"about": due.about, "digest": entries.digest(facts)}
    if not words:
        return Leaf(due, _text(said))
    key = os.urandom(_WORD_KEY_BYTES)
    said["words"] = {place: entries.word_digest(key, place, one) for place, one in words.items()}
    return Leaf(due, _text(said), key)


def _text(said: Document) -> str:
    return entries.canonical(entries.as_text(said)).decode()
