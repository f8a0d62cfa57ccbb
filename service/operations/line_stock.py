"""What feedstock a plan may count on: what lies at the site, and what should still come."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from service.domain.lines.request import Arrival
from service.domain.stocks import Delivered, arrivals_ahead, in_force, ledger
from service.domain.stocks.arrivals import FURTHEST_DAYS
from service.operations.stock_answers import Book
from service.operations.stocks import kg_per_unit, spoiled

COUNTED_ON: Final = 0.1
"""Quantile of what may come: as much as comes with a chance of 90 %."""
_WEEK: Final = 7


def arrivals_of(
    wish: Mapping[str, Any], books: Sequence[Book], *, today: date, last: date, zone: ZoneInfo
) -> list[Arrival]:
    """Return the feedstock there is and that comes, as given or else as the stock books have it.

    What is given of a feedstock (stock or arrivals) takes the place of its book. From a book comes what is fit for use
    today, and each week what deliveries of late bring with a chance of 90 %; past half a year ahead at the same pace.
    """
    given = [Arrival(one["feedstock"], date.fromisoformat(one["on"]), one["kg"]) for one in wish["arrivals"]]
    given += [Arrival(code, today, kg) for code, kg in wish["stock_kg"].items()]
    known = {one.feedstock for one in given}
    for book in books:
        if book.row.feedstock not in known:
            given += _from_book(book, today, last, zone)
    return given


def _from_book(book: Book, today: date, last: date, zone: ZoneInfo) -> Iterator[Arrival]:
    factor = kg_per_unit(book.unit, book.material.density_kg_m3)
    if factor is None:
        return
    code, standing = book.row.feedstock, in_force(book.movements)
    fit = sum(float(one.left) for one in ledger(book.movements).lots if not spoiled(one.spoils_on, today))
    yield Arrival(code, today, fit * factor)
    came = [
        Delivered(one.at.astimezone(zone).date(), float(one.amount) * factor)
        for one in standing
        if one.kind == "delivery"
    ]
    since = min((one.at.astimezone(zone).date() for one in standing), default=today)
    ahead = arrivals_ahead(came, since=since, today=today)
    if ahead is None:
        return
    weeks = np.arange(_WEEK, FURTHEST_DAYS + 1, _WEEK)
    there = np.quantile(ahead.cumulative[:, weeks - 1], COUNTED_ON, axis=0)
    for week, kg in zip(weeks, np.diff(there, prepend=0.0), strict=True):
        yield Arrival(code, today + timedelta(int(week)), float(max(0.0, kg)))
    pace = float(there[-1]) / len(weeks)
    for day in range(int(weeks[-1]) + _WEEK, (last - today).days + 1, _WEEK):
        yield Arrival(code, today + timedelta(day), pace)
