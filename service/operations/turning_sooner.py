"""Piles that must not wait for their pattern's next turn: too hot, too wet, or not heating."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Final

from sqlmodel import Session

from service.domain.piles import WarningSign, status
from service.storage.histories import air_beside, facts_of, positions_of
from service.storage.lines import LineFacts, PileThere
from service.storage.piles import load

SIGNS: Final[Mapping[str, str]] = {
    "too_hot": "it runs too hot",
    "wet": "it is too wet: turn it with dry, coarse brown material",
    "sour": "it is short of air",
    "not_heating": "it does not heat",
}
"""Signs of a status that a turn answers; common practice, no source. Not ``fire_danger``: such a pile is not opened on
a plan's word."""
LEFT_ALONE_DAYS: Final = 2
"""A pile turned within so many days is given time to answer [d]; common practice, no source."""


def turned_sooner(session: Session, facts: LineFacts, *, now: datetime) -> dict[str, str]:
    """Return, by label, why a pile of the site is to be turned as soon as a crew can."""
    found = {}
    for label, there in facts.piles.items():
        if there.stage != "hot" or there.built_on is None or _was_turned(there, facts.today):
            continue
        sign = _sign(session, there, now)
        if sign is not None:
            found[label] = SIGNS[sign.code]
    return found


def _was_turned(there: PileThere, today: date) -> bool:
    last = max((there.built_on, *there.turned_on), key=lambda on: on or date.min)
    return last is not None and today - last < timedelta(LEFT_ALONE_DAYS)


def _sign(session: Session, there: PileThere, now: datetime) -> WarningSign | None:
    loaded = load(session, there.row)
    told = status(facts_of(loaded), positions_of(loaded), now=now, air=air_beside(loaded))
    if any(one.code == "fire_danger" for one in told.warnings):
        return None
    return next((one for one in told.warnings if one.code in SIGNS), None)
