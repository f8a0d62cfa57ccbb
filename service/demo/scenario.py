"""The demo's scenario: one invented network, three sites, two seasons, laid out so that they end now. Simulated.

The awkward life that is in it, and where:

=====================================  =================================================================================
what                                   where
=====================================  =================================================================================
a crew without weekends                site Encosta Orchard School: work days Monday to Friday
days without a crew                    closures of every site, past ones and one to come
a gateway offline for 40 hours         glasshouse-gateway, 5 days ago: its readings came late, in one batch (GH-04)
readings that are missing              yard-gateway-west lost 31 hours after the second turn of MY-03: a gap in the heat
a probe moved between piles            GH-03 and GH-04 sat in pile GH-03, then in GH-05 (others moved as well)
a stuck sensor                         probe GH-02 in pile GH-02: one value for five hot days
a pile built too small that stalls     HS-04: 0.2 m3 in a cage of 1 m3
a pile that reaches 74 Cel             MY-07, now
a turn nobody recorded                 MY-04, the third of five: the curve dips, the record has no event
readings in degrees Fahrenheit         probe MY-DIAL-F in piles MY-02 and MY-05
a clock change in the hot days         HS-02, built 6 days before the last change of its zone
a correction                           HS-03: a turn under the wrong day, and water of another pile, withdrawn
an unknown probe                       HS-77: its readings are held
a disputed reading                     a bag of glasshouse-gateway came twice, four values differing
heat that sufficed for a rule          MY-01, MY-02 and MY-05
a pile that may still meet its rule    MY-06 and MY-07, under way
a verdict lost to a gap                MY-03: cannot be judged
a turn short of a rule                 MY-04: four of five turns on record
a pile being filled, piles planned     HS-05; HS-06 and MY-08
=====================================  =================================================================================
"""

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.demo.bags import Bag, Silence, bags_of, sent_twice
from service.demo.climate import Air, air_of
from service.demo.days import DAY
from service.demo.happenings import Entry, entries_of
from service.demo.instruments import PROBES, Probe, Spoken, Stay, said_in, said_of_air, stay_of
from service.demo.layout import LaidOut, build_date, lay_out
from service.demo.piles import PILES
from service.demo.places import GATEWAYS, OUTAGE_AFTER_TURN, SITES, Gateway

SEED: Final = 2607
UNREGISTERED: Final = "HS-77"
_UNREGISTERED_DAYS: Final = 3
_AIR_DAYS: Final = 175
_SENT_TWICE_BY: Final = "glasshouse-gateway"
_STREAMS: Final = {"air": 1, "layout": 2, "entries": 3, "readings": 4}
"""Each kind of chance has its own stream, so that a change of one leaves the others as they were."""


@dataclass(frozen=True, eq=False)
class Scenario:
    """Everything that is written into the record.

    Attributes
    ----------
    now
        Its last instant.
    piles
        On the calendar, with their heat.
    entries
        What was written down, by label of the pile.
    stays
        Where probes sat.
    bags
        Readings as they arrived, in order of arrival.
    """

    now: dt.datetime
    piles: tuple[LaidOut, ...]
    entries: Mapping[str, tuple[Entry, ...]]
    stays: tuple[Stay, ...]
    bags: tuple[Bag, ...]

    @property
    def readings(self) -> int:
        """How many readings arrive, those sent twice counted twice."""
        return sum(len(bag) for bag in self.bags)


def make(now: dt.datetime, *, seed: int = SEED, advance: Callable[[int], None] | None = None) -> Scenario:
    """Lay the scenario out so that it ends at ``now``.

    Parameters
    ----------
    now
        Aware.
    seed
        The same seed and instant give the same scenario.
    advance
        Called with 1 after each pile.
    """
    now = now.astimezone(dt.UTC).replace(microsecond=0)
    air = _air(now, seed)
    piles = []
    for place, pile in enumerate(PILES):
        chance = _rng(seed, "layout", place)
        piles.append(lay_out(pile, SITES[pile.site], air[pile.site], now=now, rng=chance))
        if advance is not None:
            advance(1)
    entries = {
        laid.pile.label: entries_of(laid, now=now, rng=_rng(seed, "entries", place))
        for place, laid in enumerate(piles)
    }
    stays = tuple(
        stay_of(laid, sitting, now)
        for laid in piles
        if laid.curve is not None
        for sitting in laid.pile.sittings
    )
    return Scenario(now, tuple(piles), entries, stays, _bags(piles, stays, air, now, seed))


def _rng(seed: int, kind: str, place: int) -> np.random.Generator:
    return np.random.default_rng([seed, _STREAMS[kind], place])


def _air(now: dt.datetime, seed: int) -> dict[str, Air]:
    oldest = min(build_date(pile, SITES[pile.site], now) for pile in PILES if pile.age_days != 0)
    since = dt.datetime.combine(oldest, dt.time(), tzinfo=dt.UTC) - DAY
    return {
        key: air_of(site.climate, since, now, _rng(seed, "air", place))
        for place, (key, site) in enumerate(SITES.items())
    }


def _bags(
    piles: Sequence[LaidOut], stays: Sequence[Stay], air: Mapping[str, Air], now: dt.datetime, seed: int
) -> tuple[Bag, ...]:
    said = _said(piles, stays, air, now, seed)
    bags: list[Bag] = []
    for gateway in GATEWAYS:
        heard = [one for one in said if one.probe.gateway == gateway.name]
        sent = bags_of(gateway, heard, silences_of(gateway, piles, now), now=now)
        bags += sent
        if gateway.name == _SENT_TWICE_BY:
            bags.append(sent_twice(sent[-2]))
    return tuple(sorted(bags, key=lambda bag: (bag.received_at, bag.gateway)))


def silences_of(gateway: Gateway, piles: Sequence[LaidOut], now: dt.datetime) -> list[Silence]:
    """Return when a gateway had no line."""
    silences = []
    for outage in gateway.outages:
        if outage.after_turn is not None:
            label, number = outage.after_turn
            turns = next(laid.turns for laid in piles if laid.pile.label == label)
            since = turns[number - 1].at + OUTAGE_AFTER_TURN
        else:
            assert outage.began_before_now is not None
            since = now - outage.began_before_now
        silences.append(Silence(since, since + outage.lasted, outage.readings))
    return silences


def _said(
    piles: Sequence[LaidOut], stays: Sequence[Stay], air: Mapping[str, Air], now: dt.datetime, seed: int
) -> list[Spoken]:
    by_label = {laid.pile.label: laid for laid in piles}
    said = [
        said_in(
            by_label[stay.pile],
            stay,
            air[by_label[stay.pile].pile.site],
            now=now,
            rng=_rng(seed, "readings", place),
        )
        for place, stay in enumerate(stays)
    ]
    for place, site in enumerate(SITES, start=len(stays)):
        probe = PROBES[f"{site}-AIR"]
        said.append(said_of_air(probe, air[site], now - _AIR_DAYS * DAY, now, _rng(seed, "readings", place)))
    said.append(_unregistered(by_label["HS-03"], air["HS"], now, _rng(seed, "readings", 2**31)))
    return said


def _unregistered(laid: LaidOut, air: Air, now: dt.datetime, rng: np.random.Generator) -> Spoken:
    """Return what a probe says that somebody pushed into a pile without registering it."""
    stay = Stay(UNREGISTERED, laid.pile.label, "somewhere", 40, now - _UNREGISTERED_DAYS * DAY, None)
    return said_in(laid, stay, air, now=now, rng=rng)


def registered() -> tuple[Probe, ...]:
    """Return the probes that stand in the record."""
    return tuple(probe for probe in PROBES.values() if probe.is_registered)
