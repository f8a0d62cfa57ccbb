"""All tests over the readings of a pile, once its other readings, its turns and its air are known."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from service.domain.quantities import QualityFlag, Quantity
from service.domain.readings.quality.arrival import flag_by_value
from service.domain.readings.quality.change import rate_of_change, spike
from service.domain.readings.quality.columns import ReadSeries, Track, track
from service.domain.readings.quality.flags import Flags, Test, combine, raised
from service.domain.readings.quality.near_air import near_ambient
from service.domain.readings.quality.neighbours import apart_from_neighbours
from service.domain.readings.quality.stillness import flat_line
from service.domain.readings.quality.turning import Turns
from service.domain.readings.quality.units import unit_doubtful


@dataclass(frozen=True, eq=False)
class Assessment:
    """What the tests say of a series.

    Attributes
    ----------
    flag
        ``(n,)`` one per reading, in the order of the series: never fewer, and never better than on arrival.
    """

    flag: Flags

    @cached_property
    def objections(self) -> Mapping[str, int]:
        """To how many readings each test objects, by name; tests that object to none are left out."""
        counts = {test.label: int(np.count_nonzero(self.flag & int(test))) for test in Test}
        return {name: count for name, count in counts.items() if count}


def assess(
    series: ReadSeries,
    *,
    turns: Turns = (),
    air: ReadSeries | None = None,
    neighbours: Sequence[ReadSeries] = (),
) -> Assessment:
    """Assess the readings of one position.

    Parameters
    ----------
    series
        In any order, with the flags stored on arrival.
    turns
        Instants of turns [us since 1970-01-01T00:00Z], in any order.
    air
        Air temperature at the site; without it no reading is near it.
    neighbours
        The other positions of the pile; those of about the same depth are compared.
    """
    return assess_pile((series, *neighbours), turns=turns, air=air, only=1)[0]


def assess_pile(
    positions: Sequence[ReadSeries],
    *,
    turns: Turns = (),
    air: ReadSeries | None = None,
    only: int | None = None,
) -> tuple[Assessment, ...]:
    """Assess every position of a pile, or only the first few, in one go; each is prepared once."""
    by_value = [_by_value(one, Quantity.TEMPERATURE) for one in positions]
    tracks = [track(one, flag) for one, flag in zip(positions, by_value, strict=True)]
    air_track = None if air is None else track(air, air.flag)
    found = []
    for place, readings in enumerate(tracks[:only]):
        others = [*tracks[:place], *tracks[place + 1 :]]
        flag = by_value[place].copy()
        flag[readings.places] = combine(
            flag[readings.places], *_in_context(readings, turns, air_track, others)
        )
        found.append(Assessment(flag))
    return tuple(found)


def _by_value(series: ReadSeries, quantity: Quantity) -> Flags:
    """Return the stored flags with what the number alone says: rows from before the bits gain their names."""
    same = np.full(series.value.shape, int(quantity), np.int16)
    return combine(series.flag, flag_by_value(same, series.unit, series.value))


def _in_context(readings: Track, turns: Turns, air: Track | None, others: Sequence[Track]) -> list[Flags]:
    suspect, fails = spike(readings, turns)
    found = [
        (unit_doubtful(readings, turns), Test.UNIT_DOUBTFUL, QualityFlag.SUSPECT),
        (suspect, Test.SPIKE, QualityFlag.SUSPECT),
        (fails, Test.SPIKE, QualityFlag.FAIL),
        (rate_of_change(readings, turns), Test.RATE_OF_CHANGE, QualityFlag.SUSPECT),
        (flat_line(readings), Test.FLAT_LINE, QualityFlag.SUSPECT),
    ]
    if air is not None:
        found.append((near_ambient(readings, air), Test.NEAR_AMBIENT, QualityFlag.SUSPECT))
    if others:
        apart = apart_from_neighbours(readings, others, turns)
        found.append((apart, Test.NEIGHBOURS, QualityFlag.SUSPECT))
    return [raised(objects, test, worth) for objects, test, worth in found if objects.any()]
