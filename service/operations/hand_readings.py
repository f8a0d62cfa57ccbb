"""Temperatures read by hand: where a probe that is read by hand stands, they are its readings."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.piles.series import hear
from service.domain.quantities import Quantity, Unit
from service.operations.packs import Pack
from service.operations.readings import BatchNumbers, ingest
from service.storage.histories import positions_of
from service.storage.piles import load
from service.storage.readings import instruments
from service.storage.stretches import plain_of
from service.storage.tables import PileRow


def hand_probes(session: Session, pile: PileRow, now: datetime) -> Iterator[tuple[str, str]]:
    """Yield position and serial of the probes in place that are read by hand."""
    for one in positions_of(load(session, pile)):
        heard = hear(one, now)
        if heard.in_place and not heard.is_logger:
            yield one.position, one.serial


def keep_hand_reading(
    session: Session,
    caller: Caller,
    pile: PileRow,
    position: str | None,
    value: float,
    unit: Unit,
    *,
    at: datetime,
    now: datetime,
) -> str:
    """Keep a temperature as a reading of the hand-read probe at its position, if one stands there; say what became."""
    serials = [one for place, one in hand_probes(session, pile, now) if place == position]
    if not serials:
        return (
            "The temperature is kept as an observation. No rule counts it: that takes a reading of a probe that is"
            " placed in the pile and read by hand."
        )
    serial = serials[0]
    # The probe stands in a pile of the caller's: that is authority enough, whichever site it is registered at.
    speaker = replace(caller, site_id=None)
    pack = Pack(
        speaker, [serial], [int(Quantity.TEMPERATURE)], [at.timestamp()], [value], [int(unit)], [0], 1, now
    )
    connection = plain_of(session)
    known = instruments(connection, caller.organisation_id, [serial])
    (receipt,) = ingest(connection, caller.organisation_id, [pack], known, BatchNumbers())
    if receipt.stored or receipt.duplicate:
        return f"The temperature is kept as a reading of {serial} at {position}: rules count it."
    because = (
        receipt.refused[0][1].detail
        if receipt.refused
        else f"{serial} has another reading of that very moment, which stays in force"
    )
    return f"The temperature is kept as an observation only: {because}."
