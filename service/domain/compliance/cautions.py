"""Dangerous heat, named beside any verdict."""

from collections.abc import Callable
from fractions import Fraction
from functools import partial
from typing import Final, Literal

import numpy as np

from service.domain.compliance.findings import Caution
from service.domain.compliance.history import History
from service.domain.compliance.instants import to_datetime
from service.domain.compliance.series import ACCEPTED, EXCLUDED, Series
from service.domain.compliance.thresholds import lowest_qualifying, per_unit
from service.domain.compliance.words import count
from service.domain.quantities import QualityFlag, Unit, temperature_c
from service.domain.readings.quality import primary
from service.domain.temperatures import celsius

_NO_HEAT: Final = (QualityFlag.FAIL, QualityFlag.MISSING)

Level = Literal["amber", "red", "black"]

# Suggested thresholds, from memory; 77 °C is the 170 °F ceiling of 7 CFR 205.203(c)(2). Local fire rules come first.
LEVELS: Final[tuple[tuple[Level, Fraction, str], ...]] = (
    (
        "black",
        Fraction(90),
        "do not open the pile, air feeds it; keep people off it and call the fire service",
    ),
    ("red", Fraction(77), "never stand or drive on it; keep water and a loader ready, watch for smoke"),
    ("amber", Fraction(70), "watch it daily; a drying pile that grows hotter is the warning sign"),
)


def cautions(history: History, judged: int) -> tuple[Caution, ...]:
    """Return, for each position, the highest level of heat it has reached.

    Parameters
    ----------
    history
        All positions, required or not.
    judged
        Nothing after this instant is looked at [us].
    """
    found = []
    for series in sorted(history.series, key=lambda one: one.position):
        caution = _of(series, judged)
        if caution is not None:
            found.append(caution)
    return tuple(found)


def _of(series: Series, judged: int) -> Caution | None:
    n = int(np.searchsorted(series.observed_at, judged, side="right"))
    value, unit = series.value[:n], series.unit[:n]
    # Not what the evidence leaves out: a stuck probe or a clock that is off may still have seen a fire.
    counts = ~np.isin(primary(series.flag[:n]), _NO_HEAT)
    if series.said is not None:
        counts = (counts | (series.said[:n] == ACCEPTED)) & (series.said[:n] != EXCLUDED)
    counts &= ~np.isnan(value)
    for level, limit, advice in LEVELS:
        limit_in: Callable[[Unit], float] = partial(lowest_qualifying, ">=", limit, Unit.CEL)
        reached = np.flatnonzero(counts & (value >= per_unit(limit_in, unit)))
        if reached.size:
            hottest = int(reached[celsius(value[reached], unit[reached]).argmax()])
            temperature = temperature_c(float(value[hottest]), Unit(int(unit[hottest])))
            detail = (
                f"{temperature:.1f} °C; {count(int(reached.size), 'reading', 'readings')} at or above {limit} °C; "
                f"{advice}. Suggested level; your fire rules come first."
            )
            at = to_datetime(int(series.observed_at[hottest]))
            return Caution(level, series.position, at, temperature, detail)
    return None
