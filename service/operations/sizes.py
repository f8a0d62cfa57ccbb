"""Whether a site's piles are built to their full size: chart, drift and what the newest one lost."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final
from uuid import UUID

from service.domain.piles import Event, built_height_m, built_volume, in_force, of_kind
from service.domain.readings.quality import ReadSeries, celsius
from service.domain.sizes import MOST_PILES, Basis, Built, Chart, Drift, HeatCost, drift, heat_cost
from service.storage.sizes import BuiltPiles
from service.storage.tables import BayRow, PileRow

NO_AIR: Final = "the air's temperature at this site is not known; ask with ambient_c, or send it from a probe"
OUT_OF_BOUNDS: Final = (
    "outside what the heat balance holds for: 0.3 to 40 m3 as built and as designed, 2 to 40 Cel air"
)
_LEAST_AIR: Final = 4
_STANDING: Final[frozenset[Basis]] = frozenset({"measured", "height"})


@dataclass(frozen=True)
class LeftOut:
    """A pile that is not in the chart, and why."""

    pile_id: UUID
    label: str
    reason: str


@dataclass(frozen=True)
class Sizes:
    """The finding for a site or one of its crews."""

    piles: Sequence[Built]
    chart: Chart | None
    drift: Drift
    left_out: Sequence[LeftOut] = ()
    cautions: Sequence[str] = field(default=())


def sizes_of(found: BuiltPiles) -> tuple[list[Built], list[LeftOut]]:
    """Return the size of each pile that can be told, and the others with what is missing."""
    piles: list[Built] = []
    others: list[LeftOut] = []
    for pile in found.piles:
        bay = None if pile.bay_id is None else found.bays.get(pile.bay_id)
        made = _built(pile, bay, found.events.get(pile.id, ()))
        if isinstance(made, Built):
            piles.append(made)
        else:
            others.append(LeftOut(pile.id, pile.label, made))
    return piles, others


def _built(pile: PileRow, bay: BayRow | None, recorded: Sequence[Event]) -> Built | str:
    design = pile.design_volume_m3 or (None if bay is None else bay.volume_m3)
    if design is None:
        return "no design volume; set the pile's design_volume_m3 or its bay"
    events = in_force(recorded)
    told = _told(pile, bay, events, design)
    if told is None or pile.built_at is None:
        return (
            "its size as built is not known; tell the volume, or the height with a design height, within a day of the"
            " build, or the volume of every load"
        )
    crews = frozenset(
        one.crew for one in of_kind(events, "load") if one.crew is not None and one.at <= pile.built_at
    )
    return Built(pile.id, pile.label, pile.built_at, told[0], design, told[1], crews)


def _told(
    pile: PileRow, bay: BayRow | None, events: Sequence[Event], design_m3: float
) -> tuple[float, Basis] | None:
    """Return the volume as built and what it rests on: measured before height before loads."""
    volume = built_volume(events, pile.built_at)
    if volume is not None and volume.basis == "measured":
        return volume.volume_m3, "measured"
    height = built_height_m(events, pile.built_at)
    design_height = pile.design_height_m or (None if bay is None else bay.height_m)
    if height is not None and design_height is not None:
        return design_m3 * height / design_height, "height"
    return None if volume is None else (volume.volume_m3, "loads")


def judge(piles: Sequence[Built], others: Sequence[LeftOut], *, crew: str | None) -> Sizes:
    """Chart the newest piles, of one crew if asked, that were measured in one way.

    Sums of loads stand apart from heaps measured standing: a heap settles into its own gaps, so that a change of the
    way of measuring would look like a drift. The way with more piles is charted, of as many the standing heaps.
    """
    asked = [one for one in piles if crew is None or crew in one.crews]
    ways = Counter(one.basis in _STANDING for one in asked)
    is_standing = ways[True] >= ways[False]
    fitting = [one for one in asked if (one.basis in _STANDING) == is_standing]
    charted = fitting[-MOST_PILES:]
    made, found = drift(charted)
    kept = {one.pile_id for one in charted}
    left_out = [
        LeftOut(one.pile_id, one.label, _why_not(one, fitting)) for one in asked if one.pile_id not in kept
    ]
    return Sizes(
        charted, made, found, [*left_out, *others], _cautions(charted, made, is_standing=is_standing)
    )


def _why_not(one: Built, fitting: Sequence[Built]) -> str:
    if one in fitting:
        return f"older than the newest {MOST_PILES}"
    return "measured in another way than most, and not comparable with them"


def _cautions(charted: Sequence[Built], made: Chart | None, *, is_standing: bool) -> list[str]:
    said = []
    if charted and not is_standing:
        said.append(
            "Sizes are sums of loads, which overstate a heap that settles; tell its height when it is built."
        )
    if made is not None and made.is_provisional:
        said.append(f"{len(charted)} piles: the limits are provisional and will move with the next ones.")
    return said


def crews_of(piles: Sequence[Built]) -> dict[str, Drift]:
    """Return each crew's finding, by name; a pile counts for every crew that loaded it."""
    names = sorted(set[str]().union(*(one.crews for one in piles)))
    return {name: judge(piles, (), crew=name).drift for name in names}


@dataclass(frozen=True)
class Newest:
    """The newest pile and what its size costs; ``cost`` None with a reason."""

    pile: Built
    ambient_c: float | None
    ambient_from: str | None
    cost: HeatCost | None
    because: str | None


def newest_of(pile: Built, air: ReadSeries | None, given_c: float | None) -> Newest:
    """Say what the newest pile loses by its size; touches no record."""
    ambient, origin = given_c, "as asked" if given_c is not None else None
    if ambient is None and air is not None and air.value.size >= _LEAST_AIR:
        ambient, origin = float(celsius(air.value, air.unit).mean()), "measured at the site"
    if ambient is None:
        return Newest(pile, None, None, None, NO_AIR)
    cost = heat_cost(pile.built_m3, pile.design_m3, ambient)
    return Newest(pile, ambient, origin, cost, OUT_OF_BOUNDS if cost is None else None)
