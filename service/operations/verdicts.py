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

ENGINE_VERSION: Final = "5"
"""Raised whenever the same rule over the same record could give another verdict."""


def issue(
    session: Session, caller: Caller, pile_id: UUID, verdict: Verdict, *, known_at: datetime | None = None
) -> VerdictRow:
    """Put a verdict on file, whole.

    Parameters
    ----------
    known_at
        What was on record then is what it was judged on, and it is issued as of then; now when None.
    """
    pile = piles.pile_of(session, caller, pile_id)
    row = _row(caller.organisation_id, pile.id, verdict)
    if known_at is not None:
        row.issued_at = known_at
    return records.add(session, row)


def judge_again(loaded: Loaded, on_file: OnFile) -> Verdict | None:
    """Judge a pile as of the instant a verdict on file looked at, on what is on record now.

    Returns
    -------
    Verdict or None
        None if the verdict on file still says what the record says: the same readings, the same state, each criterion
        where it stood.

    Notes
    -----
    The instant stays that of the verdict on file. Were it now, the next bag would almost always hold a reading from
    before that now, and with two gateways each bag would call for one more successor for as long as the pile is hot.
    """
    if on_file.rule not in loaded.book:
        return None
    seen = known_by(loaded, on_file.judged_at, on_file.issued_at)
    verdict = judge(
        loaded.book[on_file.rule],
        history_of(seen, now=on_file.judged_at),
        judged_at=on_file.judged_at,
        time_zone=ZoneInfo(loaded.site.time_zone),
        interpretation=on_file.interpretation,
    )
    return None if _says_the_same(verdict, on_file) else verdict


def _says_the_same(verdict: Verdict, on_file: OnFile) -> bool:
    told = as_document(verdict)
    standing = {(one["name"], one["kind"]): one["state"] for one in told["criteria"]}
    stood = {(one["name"], one["kind"]): one["state"] for one in on_file.criteria}
    return (
        (verdict.readings_digest, verdict.state) == (on_file.readings_digest, on_file.state)
        and (told["met_at"], verdict.turns_counted) == (on_file.met_at, on_file.turns_counted)
        and standing == stood
    )


def known_by(loaded: Loaded, judged_at: datetime, issued_at: datetime) -> Loaded:
    """Leave out what happened after the instant judged, unless the verdict issued then knew of it already."""
    events = [
        event for event in in_force(loaded.events) if event.at <= judged_at or event.recorded_at <= issued_at
    ]
    occupied = [one for one in loaded.occupied if one.stay.since <= judged_at]
    return dataclasses.replace(loaded, events=events, occupied=occupied)


def issue_successor(
    session: Session,
    organisation_id: int,
    on_file: OnFile,
    verdict: Verdict,
    because: str,
    *,
    known_at: datetime,
) -> VerdictRow | None:
    """Put a successor on file beside its predecessor; None if somebody issued one in the meantime.

    Parameters
    ----------
    known_at
        What was on record then is what it was judged on, and it is issued as of then.
    """
    records.find(session, PileRow, organisation_id, on_file.pile_id, lock=True)
    standing = stored.newest_on_file(session, organisation_id, on_file.pile_id)
    if on_file.id not in {one.id for one in standing}:
        return None
    successor = _row(organisation_id, on_file.pile_id, verdict)
    successor.supersedes, successor.because, successor.issued_at = on_file.id, because, known_at
    return records.add(session, successor)


def looked_at(loaded: Loaded, until: datetime) -> list[tuple[UUID, datetime]]:
    """Return the piles a verdict on one rests on, each with the last instant whose readings bear on it."""
    found = [(loaded.pile.id, until)]
    for one in loaded.joined:
        if one.loaded is not None and one.at <= until:
            found += looked_at(one.loaded, one.at)
    return found


def _recorded_after(loaded: Loaded, moment: datetime) -> bool:
    return any(event.recorded_at > moment for event in loaded.events) or any(
        one.loaded is not None and _recorded_after(one.loaded, moment) for one in loaded.joined
    )


def reason(loaded: Loaded, on_file: OnFile, verdict: Verdict, came: CameSince) -> str:
    """Say why a verdict on file no longer says what the record says."""
    if verdict.readings_digest != on_file.readings_digest:
        found = {
            "late readings": came.late_readings,
            "corrected readings": came.corrections,
            "a placement recorded later": came.placements,
        }
        # A pile that turns out to be put onto another brings that one's readings along, none of them late.
        if any(found.values()):
            return ", ".join(name for name, is_so in found.items() if is_so)
        return (
            "events recorded later"
            if _recorded_after(loaded, on_file.issued_at)
            else "late readings or a changed placement"
        )
    if _recorded_after(loaded, on_file.issued_at):
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
