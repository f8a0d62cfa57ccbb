"""A pile's readings, events and verdicts with the proofs that the log holds them as they were recorded."""

from collections.abc import Sequence
from typing import Final
from uuid import UUID

import numpy as np
from sqlmodel import Session

from service.domain.log import merkle
from service.domain.log.seals import SealedSeries
from service.domain.quantities import Quantity
from service.operations.log import Document, checkpoint, in_base64
from service.operations.log_entries import content_of, series_entries
from service.operations.signing import Signer
from service.storage import log as stored
from service.storage.corrections import microseconds
from service.storage.log import OnLog
from service.storage.log_evidence import (
    Found,
    SealedBatch,
    probe_ids,
    readings_between,
    rows_of,
    sealed_batches,
    serials_of,
)
from service.storage.probes import Stay, stays_in

FORM: Final = "heapledger-log/1"
_SECOND_US: Final = 1_000_000
_LATEST_US: Final = 7_258_118_400_000_000
"""The year 2200: nothing is observed later."""


def proofs_for_pile(session: Session, organisation_id: int, pile_id: UUID, signer: Signer | None) -> Document:
    """Return a pile's readings, events, corrections, placements and verdicts as they are now, each with its proof.

    Nothing is judged here: whoever holds the document checks it with ``openapi-examples/verify_evidence.py``. A hash
    stands once in ``hashes``; paths name it by its place there.
    """
    return _Proofs(session, organisation_id, pile_id).document(signer)


class _Proofs:
    """A document in the making."""

    def __init__(self, session: Session, organisation_id: int, pile_id: UUID) -> None:
        self._session = session
        self._organisation_id = organisation_id
        self._pile_id = pile_id
        self._size = stored.size_of(session, organisation_id)
        self._places: dict[bytes, int] = {}
        self._pending: list[str] = []
        self._uncovered: list[list[str | int]] = []

    def document(self, signer: Signer | None) -> Document:
        stays = stays_in(self._session, self._organisation_id, self._pile_id)
        told = [(leaf, shown) for leaf, shown in self._told(stays) if leaf.leaf < self._size]
        ranges = {leaf.leaf: merkle.inclusion_ranges(leaf.leaf, self._size) for leaf, _ in told}
        flat = list({one: None for some in ranges.values() for one in some})
        hashes = stored.range_hashes(self._session, self._organisation_id, flat)
        at = dict(zip(flat, hashes, strict=True))
        items = [
            {"leaf": leaf.leaf, "entry": leaf.entry, "path": [self._place(at[r]) for r in ranges[leaf.leaf]]}
            | shown
            for leaf, shown in sorted(told, key=lambda one: one[0].leaf)
        ]
        return {
            "form": FORM,
            "pile_id": str(self._pile_id),
            "checkpoint": checkpoint(self._session, self._organisation_id, signer, size=self._size),
            "key": None if signer is None else signer.verifier_key(self._organisation_id),
            "items": items,
            "hashes": [in_base64(one) for one in self._places],
            "pending": self._pending,
            "uncovered": self._uncovered,
        }

    def _place(self, one: bytes) -> int:
        return self._places.setdefault(one, len(self._places))

    def _told(self, stays: Sequence[Stay]) -> list[tuple[OnLog, Document]]:
        probes = probe_ids(stays)
        told = self._rows(
            ("event", "placement", "verdict"), [self._pile_id], {one.probe_id: one.serial for one in stays}
        )
        told += self._rows(("correction",), probes, {one.probe_id: one.serial for one in stays})
        return told + self._batches(stays)

    def _rows(
        self, kinds: Sequence[str], about: Sequence[UUID], serials: dict[UUID, str]
    ) -> list[tuple[OnLog, Document]]:
        """Show each leaf with its row as it is now, if it is still there."""
        leaves = stored.leaves_about(self._session, self._organisation_id, about)
        told = []
        for kind in kinds:
            rows = rows_of(self._session, self._organisation_id, kind, about)
            of_kind = [leaf for leaf in leaves if leaf.kind == kind]
            versions = {ref.partition("@")[0]: ref for ref in rows}
            for leaf in of_kind:
                row = rows.pop(leaf.ref, None)
                shown: Document = {"content": None}
                if row is not None:
                    facts, words = content_of(kind, row)
                    shown["content"] = facts
                    if "probe_id" in row:
                        shown["probe"] = serials.get(row["probe_id"])
                    if words and leaf.word_key is not None:
                        shown |= {"words": words, "word_key": leaf.word_key.hex()}
                elif leaf.ref.partition("@")[0] in versions:
                    shown["replaced_by"] = versions[leaf.ref.partition("@")[0]]
                told.append((leaf, shown))
            self._pending += [f"{kind} {ref}" for ref in rows]
        return told

    def _batches(self, stays: Sequence[Stay]) -> list[tuple[OnLog, Document]]:
        batches = sealed_batches(self._session, self._organisation_id, stays)
        shown = self._series_shown(batches, stays)
        serials = serials_of(
            self._session,
            self._organisation_id,
            [series.probe for batch in shown for series in batch.seal.series],
        )
        told = []
        for kind in ("batch", "adoption"):
            of_kind = {batch.ref: (batch, series) for batch, series in shown.items() if batch.kind == kind}
            leaves = stored.leaves_named(self._session, self._organisation_id, kind, list(of_kind))
            for leaf in leaves:
                batch, series = of_kind.pop(leaf.ref)
                of_series = series_entries(batch.seal, serials)
                hashes = [merkle.leaf_hash(one) for one in of_series]
                told.append((leaf, {"series": [self._one_series(of_series, hashes, *one) for one in series]}))
            self._pending += [f"{kind} {ref}" for ref in of_kind]
        return told

    def _one_series(
        self, of_series: Sequence[bytes], hashes: Sequence[bytes], place: int, found: Found | None
    ) -> Document:
        path = merkle.prove(hashes, merkle.inclusion_ranges(place, len(hashes)))
        return {
            "place": place,
            "entry": of_series[place].decode(),
            "path": [self._place(one) for one in path],
            "readings": [] if found is None else _shown(found),
        }

    def _series_shown(
        self, batches: Sequence[SealedBatch], stays: Sequence[Stay]
    ) -> "dict[SealedBatch, list[tuple[int, Found | None]]]":
        """Return of each batch the series to show: those with readings in the pile, and those that lack some."""
        shown: dict[SealedBatch, list[tuple[int, Found | None]]] = {}
        for number in dict.fromkeys(stay.number for stay in stays):
            spans = [_span(stay) for stay in stays if stay.number == number]
            sealed = [
                (batch, place, series)
                for batch in batches
                for place, series in enumerate(batch.seal.series)
                if series.probe == number
            ]
            of_probe = self._readings(number, spans, [series for _, _, series in sealed])
            for batch, place, series in sealed:
                found = of_probe.pop((batch.batch_id, series.quantity), None)
                if _sat(found, spans) or (_overlaps(series, spans) and _count(found) != series.count):
                    shown.setdefault(batch, []).append((place, found))
            serial = next(stay.serial for stay in stays if stay.number == number)
            for (_, quantity), found in of_probe.items():
                if _sat(found, spans):
                    self._uncovered += [
                        [serial, Quantity(quantity).label, at]
                        for at in found.observed_us.tolist()
                        if any(since <= at < until for since, until in spans)
                    ]
        return shown

    def _readings(
        self, number: int, spans: Sequence[tuple[int, int]], sealed: Sequence[SealedSeries]
    ) -> dict[tuple[int, int], Found]:
        """Return a probe's readings over its stays and as far as the batches reach that overlap with them."""
        reach = [series for series in sealed if _overlaps(series, spans)]
        since = min([one for one, _ in spans] + [series.first_s * _SECOND_US for series in reach])
        until = max([one for _, one in spans] + [(series.last_s + 1) * _SECOND_US for series in reach])
        return readings_between(
            self._session, self._organisation_id, number, max(0, since), min(until, _LATEST_US)
        )


def _span(stay: Stay) -> tuple[int, int]:
    return microseconds(stay.since), _LATEST_US if stay.until is None else microseconds(stay.until)


def _overlaps(series: SealedSeries, spans: Sequence[tuple[int, int]]) -> bool:
    first, last = series.first_s * _SECOND_US, (series.last_s + 1) * _SECOND_US
    return any(first < until and last > since for since, until in spans)


def _sat(found: Found | None, spans: Sequence[tuple[int, int]]) -> bool:
    return found is not None and any(
        bool(((found.observed_us >= since) & (found.observed_us < until)).any()) for since, until in spans
    )


def _count(found: Found | None) -> int:
    return 0 if found is None else len(found.value)


def _shown(found: Found) -> list[list[int | str]]:
    """Return readings as instant [us since 1970], IEEE 754 value in hexadecimal, unit and flag codes."""
    values = np.ascontiguousarray(found.value, ">f8").view("V8")
    return [
        [at, bytes(value).hex(), unit, flag]
        for at, value, unit, flag in zip(
            found.observed_us.tolist(), values, found.unit.tolist(), found.flag.tolist(), strict=True
        )
    ]
