"""Judging a verdict on file again, from what was on record when it was issued, and comparing both to the byte."""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any, Final
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.compliance import Interpretation, Rule, judge
from service.operations import piles
from service.operations.verdicts import ENGINE_VERSION, as_document, known_by
from service.storage import piles as stored
from service.storage import records, rules
from service.storage.histories import history_of
from service.storage.piles import Loaded
from service.storage.tables import VerdictRow

_MOST: Final = 100
_RECORD_CHANGED: Final = (
    "the readings on record by then are not those it saw: one was changed or removed, or a placement or the site was"
    " changed"
)


@dataclass(frozen=True)
class OnRecord:
    """What is read to judge a verdict again, in one transaction.

    ``before`` is when the verdict it succeeded was issued, None if it succeeded none; ``rule`` is None where the
    version it was issued under is not held any more.
    """

    row: VerdictRow
    before: datetime | None
    loaded: Loaded
    rule: Rule | None


@dataclass(frozen=True)
class Difference:
    """A place where both differ, as an RFC 6901 pointer, with what stands there; None where it is absent."""

    pointer: str
    on_file: Any
    now: Any


@dataclass(frozen=True)
class Reproduction:
    """A verdict on file beside the same judged again."""

    verdict_id: UUID
    reproduced: bool
    judged_at: datetime
    issued_at: datetime
    rule_version: str
    rule_version_now: str | None
    interpretation: str
    engine_version: str
    engine_version_now: str
    readings_digest: str
    readings_digest_now: str | None
    body_digest: str
    body_digest_now: str | None
    differences: tuple[Difference, ...]
    because: tuple[str, ...]


def read(session: Session, caller: Caller, verdict_id: UUID) -> OnRecord:
    """Read a verdict on file and the record of its pile as it was known when it was issued.

    Raises
    ------
    NotFound
        No such verdict on a pile of the caller's.
    """
    row = records.find(session, VerdictRow, caller.organisation_id, verdict_id)
    pile = piles.pile_of(session, caller, row.pile_id)
    before = None
    if row.supersedes is not None:
        before = records.find(session, VerdictRow, caller.organisation_id, row.supersedes).issued_at
    return OnRecord(
        row,
        before,
        stored.load(session, pile, known_at=row.issued_at),
        rules.version_of(session, caller.organisation_id, row.rule, row.rule_version),
    )


def reproduce(record: OnRecord) -> Reproduction:
    """Judge a verdict again with its rule, switches and instant, and compare; touches no record.

    The rules and the engine are those of this release. Facts without a history (a site's time zone and crew days, a
    bay, where a probe sat) are those of today: where one was changed since, ``because`` names it.
    """
    row, rule = record.row, record.rule
    now = None if rule is None else _judged(record, rule)
    differences = () if now is None else tuple(islice(_differences("", row.body, now), _MOST))
    digest = digest_of(row.body)
    again = None if now is None else digest_of(now)
    is_same = again == digest
    return Reproduction(
        verdict_id=row.id,
        reproduced=is_same,
        judged_at=row.judged_at,
        issued_at=row.issued_at,
        rule_version=row.rule_version,
        rule_version_now=None if rule is None else rule.version,
        interpretation=row.interpretation,
        engine_version=row.engine_version,
        engine_version_now=ENGINE_VERSION,
        readings_digest=row.readings_digest,
        readings_digest_now=None if now is None else now["readings_digest"],
        body_digest=digest,
        body_digest_now=again,
        differences=differences,
        because=() if is_same else tuple(_because(record, now)),
    )


def _judged(record: OnRecord, rule: Rule) -> dict[str, Any]:
    row, loaded = record.row, record.loaded
    if record.before is not None:
        loaded = known_by(loaded, row.judged_at, record.before)
    interpretation: Interpretation = row.interpretation  # type: ignore[assignment]  # written by this service alone
    verdict = judge(
        rule,
        history_of(loaded, now=row.judged_at),
        judged_at=row.judged_at,
        time_zone=ZoneInfo(loaded.site.time_zone),
        interpretation=interpretation,
    )
    told: dict[str, Any] = json.loads(_canonical(as_document(verdict)))
    return told


def _because(record: OnRecord, now: dict[str, Any] | None) -> Iterator[str]:
    row = record.row
    if now is None:
        yield (
            f"version {row.rule_version} of rule {row.rule} is not part of this release; judge it with the release"
            f" of engine {row.engine_version}"
        )
        return
    if row.engine_version != ENGINE_VERSION:
        yield f"it was issued by engine {row.engine_version}, this is engine {ENGINE_VERSION}"
    if now["readings_digest"] != row.readings_digest:
        yield _RECORD_CHANGED
    yield from record.loaded.caveats


def digest_of(document: object) -> str:
    """Return the SHA-256 of a document as canonical JSON: ``sha256:`` and 64 hexadecimal digits."""
    return f"sha256:{hashlib.sha256(_canonical(document).encode()).hexdigest()}"


def _canonical(document: object) -> str:
    return json.dumps(document, sort_keys=True, ensure_ascii=False, separators=(",", ":"), default=str)


def _differences(pointer: str, on_file: Any, now: Any) -> Iterator[Difference]:  # noqa: ANN401 - JSON values
    if isinstance(on_file, dict) and isinstance(now, dict):
        for name in sorted(on_file.keys() | now.keys()):
            step = name.replace("~", "~0").replace("/", "~1")
            yield from _differences(f"{pointer}/{step}", on_file.get(name), now.get(name))
    elif isinstance(on_file, list) and isinstance(now, list):
        for place in range(max(len(on_file), len(now))):
            pair = [one[place] if place < len(one) else None for one in (on_file, now)]
            yield from _differences(f"{pointer}/{place}", *pair)
    elif on_file != now:
        yield Difference(pointer, on_file, now)
