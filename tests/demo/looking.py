"""A scenario looked at as an inspector would: readings, turns and verdicts of one pile, without a database."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.demo.layout import LaidOut
from service.demo.scenario import Scenario, make
from service.domain import piles
from service.domain.compliance import RULES, History, Series, Verdict, judge
from service.domain.piles import Event
from service.domain.quantities import Quantity
from service.domain.readings.corrected import Columns, corrected
from service.domain.readings.counted import count_temperatures

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
US = dt.timedelta(microseconds=1)
H = dt.timedelta(hours=1)

AUTUMN = "2026-11-25T12:00:00+00:00"
NOWS = [
    AUTUMN,
    "2026-02-10T07:30:00+00:00",  # deep winter
    "2026-04-01T18:45:00+00:00",  # three days after Europe put its clocks on
    "2026-07-20T05:15:00+00:00",  # high summer
    "2026-10-24T23:10:00+00:00",  # the last change of clocks is half a year ago
]


@cache
def scenario(now: str = AUTUMN) -> Scenario:
    return make(dt.datetime.fromisoformat(now))


def laid(made: Scenario, label: str) -> LaidOut:
    return next(one for one in made.piles if one.pile.label == label)


def said(
    made: Scenario, serial: str, known_at: dt.datetime | None = None
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Instants [us], values and units of a probe, ascending; of two values for one instant the first to arrive.

    Those that had arrived by an instant, where one is named.
    """
    at, value, unit = [], [], []
    for bag in made.bags:
        if known_at is not None and bag.received_at > known_at:
            continue
        for row, name in enumerate(bag.serials):
            if name == serial and bag.quantity[row] == Quantity.TEMPERATURE:
                at.append(int(bag.observed_us[row]))
                value.append(float(bag.value[row]))
                unit.append(int(bag.unit[row]))
    instants, first = np.unique(np.array(at, np.int64), return_index=True)
    return instants, np.array(value)[first], np.array(unit)[first]


def events(made: Scenario, label: str) -> list[Event]:
    named: dict[str, UUID] = {}
    found = []
    for number, entry in enumerate(made.entries[label], start=1):
        found.append(
            Event(
                id=UUID(int=number),
                kind=entry.kind,
                at=entry.at,
                recorded_at=entry.at,
                details=entry.details,
                crew=entry.crew,
                corrects=None if entry.corrects is None else named[entry.corrects],
            )
        )
        if entry.name is not None:
            named[entry.name] = UUID(int=number)
    return found


def series(made: Scenario, label: str, known_at: dt.datetime | None = None) -> tuple[Series, ...]:
    found = []
    for stay in made.stays:
        if stay.pile != label:
            continue
        at, value, unit = said(made, stay.serial, known_at)
        until = made.now if stay.until is None else stay.until
        here = (at >= (stay.since - EPOCH) // US) & (at < (until - EPOCH) // US)
        units, flags = unit[here].astype(np.uint8), np.ones(int(here.sum()), np.uint8)
        found.append(Series(stay.position, at[here], value[here], units, flags, stay.since, stay.until))
    return tuple(found)


def counted(
    made: Scenario,
    label: str,
    turns: Sequence[dt.datetime],
    judged_at: dt.datetime,
    known_at: dt.datetime | None = None,
) -> tuple[Series, ...]:
    """The series with what the tests of quality find in them, no reading or turn after the instant of judging."""
    found = series(made, label, known_at)
    until = (judged_at - EPOCH) // US
    heard = []
    for one in found:
        n = int(np.searchsorted(one.observed_at, until, side="right"))
        columns = Columns(
            one.observed_at[:n], one.value[:n], one.unit[:n].astype(np.int16), one.flag[:n].astype(np.int16)
        )
        heard.append(corrected(columns, (), quantity=Quantity.TEMPERATURE))
    counts = count_temperatures(
        heard,
        depths_cm=[stay.depth_cm for stay in made.stays if stay.pile == label],
        turns=[(turn - EPOCH) // US for turn in turns if turn <= judged_at],
    )
    return tuple(
        replace(
            one,
            observed_at=one.observed_at[: told.flag.size],
            value=one.value[: told.flag.size],
            unit=one.unit[: told.flag.size],
            flag=one.flag[: told.flag.size],
            assessed=told.flag,
        )
        for one, told in zip(found, counts, strict=True)
    )


def verdict(
    made: Scenario,
    label: str,
    rule: str,
    *,
    at: dt.datetime | None = None,
    known_at: dt.datetime | None = None,
) -> Verdict:
    """Judge a pile at an instant, by default the scenario's own, on what had arrived by ``known_at`` if it is named."""
    pile = laid(made, label)
    happened = piles.in_force(events(made, label))
    cured_days = piles.cured_days(happened, now=made.now)
    history = History(
        series=counted(made, label, piles.turns(happened), at or made.now, known_at),
        turns=piles.turns(happened),
        restarts=piles.restarts(happened, pile.built_at),
        moves=tuple(one.at for one in happened if one.kind in {"move", "screen"}),
        initial_carbon_nitrogen_ratio=piles.initial_carbon_nitrogen_ratio(happened, pile.built_at),
        cured_days=0.0 if cured_days is None and not piles.is_over(happened) else cured_days,
        closed=pile.curing_at is not None,
    )
    return judge(RULES[rule], history, judged_at=at or made.now, time_zone=ZoneInfo(pile.site.time_zone))
