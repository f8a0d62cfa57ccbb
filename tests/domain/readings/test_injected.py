"""Spikes put into simulated piles: how many are found, and how many sound readings are blamed.

The piles are invented: they heat to a plateau that decays over weeks, fall by 15 to 30 Cel at each turn, recover in
a day or two, and are read with an error of half a degree. The bounds are what the rules reach on them, rounded
towards the worse side; rules alone are known to miss what a pile could have done by itself.
"""

import numpy as np
import pytest

from service.domain.readings import quality
from tests.domain.readings.making import a_series, us

SPIKES = 50
OBJECTIONS = int(quality.Test.SPIKE | quality.Test.RATE_OF_CHANGE | quality.Test.GROSS_RANGE)


def a_pile(rng, days, turns):
    """Temperature at each of ``days`` [Cel], by steps of a quarter hour."""
    plateau, fade, pace = rng.uniform(58, 68), rng.uniform(25, 45), rng.uniform(0.6, 1.1)
    fine = np.arange(0, days[-1] + 0.02, 1 / 96)
    told, now = np.empty(fine.size), 18.0
    turned = {round(t * 96) for t in turns}
    for step, day in enumerate(fine):
        if step in turned:
            now = max(20.0, now - rng.uniform(15, 30))
        now += (20 + (plateau - 20) * np.exp(-max(0.0, day - 6) / fade) - now) / 96 / pace
        told[step] = now
    return np.interp(days, fine, told) + rng.normal(0, 0.5, days.size)


def a_season(seed, step_h, *, recorded=1.0, first_day=0.0):
    """Return 12 piles read about every ``step_h`` over some 130 readings each, and the turns on record of each."""
    rng = np.random.default_rng(seed)
    season = []
    for _ in range(12):
        days = np.arange(130) * step_h / 24
        days = days + rng.uniform(-0.04, 0.04, days.size) * min(step_h, 12) / 6
        days = np.sort(np.abs(days)) + first_day
        turns = np.arange(5.3, days[-1], rng.choice([3, 4, 7]))
        kept = turns[rng.uniform(size=turns.size) < recorded]
        season.append((days, np.round(a_pile(rng, days, turns), 1), [us(t) for t in kept]))
    return season


def found_in(season, seed):
    """Return how many of the spikes put in are objected to, how many sound readings are, and how many there are."""
    rng = np.random.default_rng(seed)
    hits = blamed = sound = 0
    share = np.array_split(np.arange(SPIKES), len(season))
    for (days, told, turns), part in zip(season, share, strict=True):
        put = np.sort(rng.choice(np.arange(1, days.size // 3), part.size, replace=False)) * 3
        spiked = told.copy()
        spiked[put] += rng.choice([-1, 1], part.size) * rng.uniform(10, 30, part.size)
        flag = quality.assess(a_series(days, np.round(spiked, 1)), turns=turns).flag
        objected = (flag & OBJECTIONS) != 0
        hits += int(objected[put].sum())
        blamed += int(objected.sum() - objected[put].sum())
        sound += int(days.size - put.size)
    return hits, blamed, sound


@pytest.mark.parametrize(
    ("step_h", "recorded", "least_hits", "most_blamed"),
    [
        (1, 1.0, 48, 0.002),
        (6, 1.0, 42, 0.005),
        # Read once a day a pile can do most of it by itself.
        (24, 1.0, 15, 0.004),
        # A fifth of the turns was not recorded: the cold readings after those are asked about, and they should be.
        (6, 0.8, 42, 0.02),
        (24, 0.8, 15, 0.01),
    ],
)
def test_fifty_spikes(step_h, recorded, least_hits, most_blamed):
    results = [found_in(a_season(seed, step_h, recorded=recorded), seed + 100) for seed in range(3)]
    for hits, blamed, sound in results:
        assert sound == 12 * 130 - SPIKES
        assert hits >= least_hits
        assert blamed <= most_blamed * sound


@pytest.mark.parametrize(("step_h", "first_day"), [(1, 0.0), (6, 0.0), (24, 0.0), (24, 0.35)])
def test_an_unrecorded_turn_never_costs_evidence(step_h, first_day):
    """The cold readings after a turn nobody recorded stay in the evidence: leaving them out favours the pile."""
    spikes = 0
    for days, told, _ in a_season(11, step_h, first_day=first_day):
        flag = quality.assess(a_series(days, told), turns=()).flag
        out = ~quality.counts_as_evidence(flag)
        assert not out.any(), (days[out], told[out])
        spikes += int(np.count_nonzero(flag & int(quality.Test.SPIKE)))
    # Read once a day a turn can look like a spike; it is then no more than suspect.
    assert (spikes > 0) == (step_h == 24)
