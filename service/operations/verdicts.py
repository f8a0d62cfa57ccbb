"""Issuing verdicts: once issued, a verdict stays on file, beside a successor if its evidence changes."""

import dataclasses
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.compliance import Verdict, judge
from service.domain.piles import in_force
from service.operations import piles
from service.storage import records
from service.storage import verdicts as stored
from service.storage.histories import history_of
from service.storage.piles import Loaded
from service.storage.tables import PileRow, VerdictRow
from service.storage.verdicts import CameSince, OnFile

ENGINE_VERSION: Final = "3"
"""Raised whenever the same rule over the same readings could give another verdict."""


def issue(session: Session, caller: Caller, pile_id: UUID, verdict: Verdict) -> VerdictRow:
    """Put a verdict on file, whole."""
    pile = piles.pile_of(session, caller, pile_id)
    return records.add(session, _row(caller.organisation_id, pile.id, verdict))


def judge_again(loaded: Loaded, on_file: OnFile) -> Verdict | None:
    """Judge a pile as of the instant a verdict on file looked at, on what is on record now.

    Returns
    -------
    Verdict or None
        None if the verdict on file still says what the record says: the same readings and the same state.

    Notes
    -----
    The instant stays that of the verdict on file. Were it now, the next bag would almost always hold a reading from
    before that now, and with two gateways each bag would call for one more successor for as long as the pile is hot.
    """
    if on_file.rule not in loaded.book:
        return None
    seen = _as_of(loaded, on_file)
    verdict = judge(
        loaded.book[on_file.rule],
        history_of(seen, now=on_file.judged_at),
        judged_at=on_file.judged_at,
        time_zone=ZoneInfo(loaded.site.time_zone),
        interpretation=on_file.interpretation,
    )
    same = (verdict.readings_digest, verdict.state) == (on_file.readings_digest, on_file.state)
    return None if same else verdict


def _as_of(loaded: Loaded, on_file: OnFile) -> Loaded:
    """Leave out what happened after the instant judged, unless the verdict on file knew of it already."""
    events = [
        event
        for event in in_force(loaded.events)
        if event.at <= on_file.judged_at or event.recorded_at <= on_file.issued_at
    ]
    occupied = [one for one in loaded.occupied if one.stay.since <= on_file.judged_at]
    return dataclasses.replace(loaded, events=events, occupied=occupied)


def issue_successor(
    session: Session, organisation_id: int, on_file: OnFile, verdict: Verdict, because: str
) -> VerdictRow | None:
    """Put a successor on file beside its predecessor; None if somebody issued one in the meantime."""
    records.find(session, PileRow, organisation_id, on_file.pile_id, lock=True)
    standing = stored.newest_on_file(session, organisation_id, on_file.pile_id)
    if on_file.id not in {one.id for one in standing}:
        return None
    successor = _row(organisation_id, on_file.pile_id, verdict)
    successor.supersedes, successor.because = on_file.id, because
    return records.add(session, successor)


def reason(loaded: Loaded, on_file: OnFile, verdict: Verdict, came: CameSince) -> str:
    """Say why a verdict on file no longer says what the record says."""
    if verdict.readings_digest != on_file.readings_digest:
        found = {
            "late readings": came.late_readings,
            "corrected readings": came.corrections,
            "a placement recorded later": came.placements,
        }
        return (
            ", ".join(name for name, is_so in found.items() if is_so)
            or "late readings or a changed placement"
        )
    if any(event.recorded_at > on_file.issued_at for event in loaded.events):
        return "events recorded later"
    if (verdict.rule.version, ENGINE_VERSION) != (on_file.rule_version, on_file.engine_version):
        return "a newer version of the rule or of the way it is judged"
    return "a change of the pile's own record"


def _row(organisation_id: int, pile_id: UUID, verdict: Verdict) -> VerdictRow:
    return VerdictRow(
        organisation_id=organisation_id,
        pile_id=pile_id,
        rule=verdict.rule.id,
        rule_version=verdict.rule.version,
        interpretation=verdict.interpretation,
        state=verdict.state,
        readings_digest=verdict.readings_digest,
        engine_version=ENGINE_VERSION,
        judged_at=verdict.judged_at,
        body=as_document(verdict),
    )


def as_document(value: Any) -> Any:  # noqa: ANN401 - walks any domain value
    """Return a domain value as JSON values: instants as RFC 3339, dataclasses as objects."""
    if dataclasses.is_dataclass(value):
        return {
            field.name.rstrip("_"): as_document(getattr(value, field.name))
            for field in dataclasses.fields(value)
        }
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(name): as_document(one) for name, one in value.items()}
    if isinstance(value, tuple | list):
        return [as_document(one) for one in value]
    return value
