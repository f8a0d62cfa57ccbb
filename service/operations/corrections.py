"""Recording what people say about readings: an entry beside them, never in their place."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import FieldError, Invalid
from service.domain.quantities import QUANTITY_OF_LABEL, UNIT_OF_UCUM
from service.domain.readings.corrections import ReadingCorrection, refuse_correction
from service.operations.probes import probe_of
from service.operations.reopening import reopen
from service.storage import records
from service.storage.corrections import corrections_of, microseconds, moment_of
from service.storage.tables import ReadingCorrectionRow
from service.storage.tables.columns import new_id

_US: Final = timedelta(microseconds=1)
_SPAN: Final = ("from", "to")


def record_correction(
    session: Session, caller: Caller, probe_id: UUID, values: Mapping[str, Any], *, now: datetime
) -> ReadingCorrectionRow:
    """Keep what a person says about a probe's readings, and ask for a new look at verdicts it may touch.

    Parameters
    ----------
    values
        ``kind``, ``quantity``, ``since``, ``until``, ``by_s``, ``unit``, ``withdraws``, ``reason``; labels as on the
        wire. A withdrawal may leave out the span and the quantity: it has those of the entry it names.

    Raises
    ------
    Invalid
        With a pointer for each value that does not fit.
    """
    # The order of record decides which entry wins, so entries of a probe follow one another under its lock.
    probe = probe_of(session, caller, probe_id, lock=True)
    known = corrections_of(session, caller.organisation_id, probe.id)
    entry = _entry(values, known, now=max([now, *(one.recorded_at + _US for one in known)]))
    refuse_correction(entry, known=known)
    row = records.add(
        session,
        ReadingCorrectionRow(
            organisation_id=caller.organisation_id,
            id=entry.id,
            probe_id=probe.id,
            kind=entry.kind,
            quantity=None if entry.quantity is None else int(entry.quantity),
            since=moment_of(entry.since_us),
            until=moment_of(entry.until_us),
            by_s=entry.by_s,
            unit=None if entry.unit is None else int(entry.unit),
            withdraws=entry.withdraws,
            reason=entry.reason,
            recorded_at=entry.recorded_at,
            recorded_by=caller.credential_id,
        ),
    )
    reopen(session, caller.organisation_id, _earliest_touched(entry, known))
    return row


def _entry(
    values: Mapping[str, Any], known: Sequence[ReadingCorrection], *, now: datetime
) -> ReadingCorrection:
    named = next((one for one in known if one.id == values["withdraws"]), None)
    since, until = values["since"], values["until"]
    told = ReadingCorrection(
        id=new_id(),
        kind=values["kind"],
        since_us=0 if since is None else microseconds(since),
        until_us=0 if until is None else microseconds(until),
        reason=values["reason"],
        recorded_at=now,
        quantity=None if values["quantity"] is None else QUANTITY_OF_LABEL[values["quantity"]],
        by_s=values["by_s"],
        unit=None if values["unit"] is None else UNIT_OF_UCUM[values["unit"]],
        withdraws=values["withdraws"],
    )
    missing = [member for member, given in zip(_SPAN, (since, until), strict=True) if given is None]
    if told.kind != "withdraw":
        if missing:
            remedy = "is missing; give the span the readings were recorded in, with its offset"
            raise Invalid(*(FieldError(f"/{member}", remedy) for member in missing))
        return told
    return told if named is None else _like(told, named, missing)


def _like(told: ReadingCorrection, named: ReadingCorrection, missing: Sequence[str]) -> ReadingCorrection:
    """Return a withdrawal with the span and quantity of what it names; refuse others."""
    differs = {
        "from": told.since_us != named.since_us and "from" not in missing,
        "to": told.until_us != named.until_us and "to" not in missing,
        "quantity": told.quantity not in {None, named.quantity},
    }
    errors = [
        FieldError(f"/{member}", "is not that of the entry it withdraws; leave it out, all of the entry goes")
        for member, is_other in differs.items()
        if is_other
    ]
    if errors:
        raise Invalid(*errors)
    return replace(told, since_us=named.since_us, until_us=named.until_us, quantity=named.quantity)


def _earliest_touched(entry: ReadingCorrection, known: Sequence[ReadingCorrection]) -> datetime:
    """Return an instant before which no reading is another for an entry, wherever shifts put those it speaks of."""
    moves_us = [one.by_us for one in (entry, *known)]
    return moment_of(entry.since_us + min(0, *moves_us))
