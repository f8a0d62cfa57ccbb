"""Whether there will be enough for the next pile on a day: what is there, what may come, what is missing."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Final, Literal

import numpy as np

from service.domain.stocks.arrivals import FURTHEST_DAYS, WEEKS, Arrivals

Verdict = Literal["enough", "likely", "possible", "unlikely", "unknown"]

LIKELY_FROM: Final = 0.9
POSSIBLE_FROM: Final = 0.1
_BANDS: Final = (0.1, 0.5, 0.9)
_WORST: Final[tuple[Verdict, ...]] = ("unlikely", "unknown", "possible", "likely", "enough")
CAUTION: Final = (
    f"The rate is that of up to {WEEKS} weeks past; grass, leaves and manure have their seasons, so look at what came"
    " in the same weeks last year. Only this one pile is counted: whatever else is built before then takes its share."
)


@dataclass(frozen=True)
class Holding:
    """What one pile needs of a feedstock and what there is to judge by, in the unit of its book.

    Attributes
    ----------
    feedstock, name
        Code in the stock book, None for an ingredient written with figures alone; name for people.
    unit
        ``kg`` or ``m3``.
    needed
        For one pile.
    at_hand
        Fit for use on the day asked about; None when the site keeps no book of it.
    spoiled_by_then
        Of the balance, what will have spoiled.
    arrivals
        None when there are too few deliveries to judge by.
    last_year
        What came in the same days a year (52 weeks) before; None when the book does not reach back so far.
    """

    feedstock: str | None
    name: str
    unit: Literal["kg", "m3"]
    needed: float
    at_hand: float | None
    spoiled_by_then: float = 0.0
    arrivals: Arrivals | None = None
    last_year: float | None = None


@dataclass(frozen=True)
class ItemOutlook:
    """One feedstock's part of the answer.

    ``arrives_low``, ``arrives_likely`` and ``arrives_high`` are what comes by the day with a chance of 90, 50 and
    10 % or more; ``probability`` that it suffices. ``enough_early``, ``enough_likely`` and ``enough_late`` are the
    days by which there is enough with a chance of 10, 50 and 90 %; None when not within half a year.
    """

    feedstock: str | None
    name: str
    unit: Literal["kg", "m3"]
    needed: float
    at_hand: float | None
    spoiled_by_then: float
    missing: float | None
    verdict: Verdict
    text: str
    arrives_low: float | None = None
    arrives_likely: float | None = None
    arrives_high: float | None = None
    probability: float | None = None
    enough_early: date | None = None
    enough_likely: date | None = None
    enough_late: date | None = None
    last_year: float | None = None


@dataclass(frozen=True)
class Outlook:
    """The answer for a pile: its scarcest feedstock's, and each one's."""

    verdict: Verdict
    items: tuple[ItemOutlook, ...]
    cautions: tuple[str, ...] = field(default=(CAUTION,))


def outlook(holdings: Sequence[Holding], *, today: date, on: date) -> Outlook:
    """Say whether there will be enough for a pile.

    Parameters
    ----------
    holdings
        Each feedstock the pile needs.
    today, on
        Last day whose deliveries are known, and the day the pile is to be built; not before today.

    Returns
    -------
    Outlook
        ``enough`` is there today; ``likely`` comes in time with a chance of 90 % or more; ``possible`` 10 % or more;
        ``unlikely`` less; ``unknown`` when nobody keeps a book of it or too few deliveries are on record.
    """
    items = tuple(_item(one, today, on) for one in holdings)
    verdicts = {one.verdict for one in items}
    return Outlook(next((one for one in _WORST if one in verdicts), "unknown"), items)


def _item(one: Holding, today: date, on: date) -> ItemOutlook:
    if one.at_hand is None:
        return _told(one, "unknown", "no stock is kept of it here; record a delivery or a count to begin")
    missing = one.needed - one.at_hand
    if missing <= 0:
        return _told(one, "enough", f"{_amount(one.at_hand, one)} there, {_amount(one.needed, one)} needed")
    short = f"{_amount(missing, one)} missing of {_amount(one.needed, one)}"
    if one.arrivals is None:
        return _told(one, "unknown", f"{short}; too few deliveries on record to say when more will come")
    days = min((on - today).days, FURTHEST_DAYS)
    arriving, until = one.arrivals.within(days), one.arrivals.days_until(missing)
    low, likely, high = (float(at) for at in np.quantile(arriving, _BANDS))
    chance = float((arriving >= missing).mean())
    verdict: Verdict = (
        "likely" if chance >= LIKELY_FROM else "possible" if chance >= POSSIBLE_FROM else "unlikely"
    )
    early, middle, late = (_day(at, today) for at in np.quantile(until, _BANDS, method="inverted_cdf"))
    when = "not within half a year" if middle is None else f"about {middle.isoformat()}"
    text = (
        f"{short}; {_amount(low, one)} to {_amount(high, one)} should come by {on.isoformat()}; enough {when}"
    )
    return replace(
        _told(one, verdict, text),
        arrives_low=low,
        arrives_likely=likely,
        arrives_high=high,
        probability=chance,
        enough_early=early,
        enough_likely=middle,
        enough_late=late,
    )


def _told(one: Holding, verdict: Verdict, text: str) -> ItemOutlook:
    return ItemOutlook(
        feedstock=one.feedstock,
        name=one.name,
        unit=one.unit,
        needed=one.needed,
        at_hand=one.at_hand,
        spoiled_by_then=one.spoiled_by_then,
        missing=None if one.at_hand is None else max(0.0, one.needed - one.at_hand),
        verdict=verdict,
        text=f"{one.name}: {text}",
        last_year=one.last_year,
    )


def _day(days: float, today: date) -> date | None:
    return today + timedelta(days=int(days)) if np.isfinite(days) else None


def _amount(amount: float, one: Holding) -> str:
    return f"{amount:.0f} kg" if one.unit == "kg" else f"{amount:.2f} m3"
