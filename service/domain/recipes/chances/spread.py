"""A figure that is not known exactly: its distribution, as a person states it and as it is drawn from."""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from service.domain.errors import FieldError
from service.domain.recipes.figures import (
    DENSITY,
    MASS,
    MOISTURE,
    NITROGEN,
    PERCENT_OF_DRY,
    RATIO,
    VOLUME,
    Bounds,
    faults,
    plain,
)

from .defaults import methods

Array = NDArray[np.float64]

SIGMAS: Final = float(ndtri(0.975))
"""A plus_minus holds 95 of 100 cases: it is this many standard deviations."""

POSSIBLE: Final = {
    "moisture_pct": MOISTURE,
    "nitrogen_pct": NITROGEN,
    "carbon_pct": PERCENT_OF_DRY,
    "carbon_nitrogen_ratio": RATIO,
    "volatile_solids_pct": PERCENT_OF_DRY,
    "bulk_density_kg_m3": DENSITY,
    "mass_kg": MASS,
    "volume_m3": VOLUME,
}
"""The figures that may be uncertain, and what each may be; a distribution is cut off there."""


class Shape(StrEnum):
    """How a figure is distributed."""

    EXACT = "exact"
    NORMAL = "normal"
    UNIFORM = "uniform"
    TRIANGULAR = "triangular"


@dataclass(frozen=True, slots=True)
class Spread:
    """A distribution.

    Attributes
    ----------
    shape
        ``normal``, ``uniform``, ``triangular`` with its peak at ``value``, or ``exact``.
    value
        The figure to reckon with when only one number can be used.
    low, high
        The ends, of a normal distribution those that hold 95 of 100 cases.
    floor, ceiling
        What is possible at all; the distribution is cut off there and what remains is scaled up to 1.
    origin
        Where it comes from, in words.
    """

    shape: Shape
    value: float
    low: float
    high: float
    floor: float
    ceiling: float
    origin: str

    @property
    def is_exact(self) -> bool:
        """Whether there is nothing to draw."""
        return self.shape is Shape.EXACT

    @property
    def deviation(self) -> float:
        """Standard deviation, of a normal distribution before it is cut off."""
        low, high, value = self.low, self.high, self.value
        match self.shape:
            case Shape.EXACT:
                return 0.0
            case Shape.NORMAL:
                return (high - low) / 2 / SIGMAS
            case Shape.UNIFORM:
                return (high - low) / math.sqrt(12)
            case Shape.TRIANGULAR:
                return math.sqrt(((high - low) ** 2 - (value - low) * (high - value)) / 18)

    def at(self, part: Array) -> Array:
        """Return the value that a part of all cases lies below.

        Parameters
        ----------
        part
            Above 0 and below 1.

        Returns
        -------
        array
            In the figure's own unit, never outside ``floor`` to ``ceiling``.
        """
        low, high, value = self.low, self.high, self.value
        match self.shape:
            case Shape.EXACT:
                return np.full_like(part, value)
            case Shape.NORMAL:
                least = ndtr((self.floor - value) / self.deviation)
                most = ndtr((self.ceiling - value) / self.deviation)
                drawn = value + self.deviation * ndtri(least + part * (most - least))
            case Shape.UNIFORM:
                drawn = low + part * (high - low)
            case _:
                rising = low + np.sqrt(part * (high - low) * (value - low))
                falling = high - np.sqrt((1 - part) * (high - low) * (high - value))
                drawn = np.where(part * (high - low) < value - low, rising, falling)
        return np.clip(drawn, self.floor, self.ceiling)


def spread(figure: str, shape: Shape, value: float, low: float, high: float, origin: str) -> Spread:
    """Return a distribution of a figure, cut off at what the figure may be; of no width it is exact."""
    bounds = POSSIBLE[figure]
    floor = 0.0 if bounds.is_zero_allowed else bounds.low
    kept = shape if low < high else Shape.EXACT
    return Spread(kept, value, low, high, floor, bounds.high, origin)


@dataclass(frozen=True, slots=True)
class Stated:
    """A figure as a person gives it.

    Attributes
    ----------
    value
        Alone it is exact; with ``plus_minus`` or ``method`` the middle; with ``low`` and ``high`` the peak.
    plus_minus
        Half width that holds 95 of 100 cases.
    low, high
        The range; without ``value`` anything in it is as likely.
    method
        How it was measured, by a name of ``spreads.toml``; it brings its own ``plus_minus``.
    """

    value: float | None = None
    plus_minus: float | None = None
    low: float | None = None
    high: float | None = None
    method: str | None = None

    def faults(self, figure: str, pointer: str) -> list[FieldError]:
        """Find what is wrong with it.

        Parameters
        ----------
        figure
            A key of :data:`POSSIBLE`.
        pointer
            Where it stands in the request.

        Returns
        -------
        list of FieldError
            Empty when it can be drawn from.
        """
        bounds = POSSIBLE[figure]
        found = [
            *faults(f"{pointer}/value", self.value, bounds),
            *faults(f"{pointer}/low", self.low, bounds),
            *faults(f"{pointer}/high", self.high, bounds),
        ]
        return found or self._contradictions(figure, pointer, bounds)

    def _contradictions(self, figure: str, pointer: str, bounds: Bounds) -> list[FieldError]:
        """Hold the parts against one another, each being possible by itself."""
        ways = {"low and high": self.low, "plus_minus": self.plus_minus, "method": self.method}
        told = [name for name, given in ways.items() if given is not None]
        detail, place = None, pointer
        if (self.low is None) != (self.high is None):
            detail = "low and high go together; give both, or value with plus_minus"
        elif len(told) > 1:
            detail = f"{' and '.join(told)} are given; give one of them"
        elif self.low is None and self.value is None:
            detail = "no number is given; give value, or low and high"
        elif (fault := self._fault_of_range()) is not None:
            place, detail = f"{pointer}/{fault[0]}", fault[1]
        elif self.plus_minus is not None and not 0 <= self.plus_minus <= bounds.high:
            place = f"{pointer}/plus_minus"
            detail = (
                f"{plain(self.plus_minus)} is no width; give half of what holds 95 of 100 cases, 0 or more"
            )
        elif self.method is not None and figure not in getattr(methods().get(self.method), "figures", {}):
            place = f"{pointer}/method"
            fitting = [name for name, one in methods().items() if figure in one.figures]
            remedy = f"give {' or '.join(fitting)}" if fitting else "give plus_minus"
            detail = f"'{self.method[:40]}' does not measure {figure}; {remedy}"
        return [] if detail is None else [FieldError(place, detail)]

    def _fault_of_range(self) -> tuple[str, str] | None:
        low, high, value = self.low, self.high, self.value
        if low is None or high is None:
            return None
        if low > high:
            return "low", f"{plain(low)} is above high, {plain(high)}; swap them"
        if value is not None and not low <= value <= high:
            return (
                "value",
                f"{plain(value)} is not between low {plain(low)} and high {plain(high)}; widen the range",
            )
        return None

    def spread(self, figure: str) -> Spread:
        """Return the distribution of a faultless figure."""
        if self.low is not None and self.high is not None:
            if self.value is None:
                middle = (self.low + self.high) / 2
                return spread(figure, Shape.UNIFORM, middle, self.low, self.high, "given")
            return spread(figure, Shape.TRIANGULAR, self.value, self.low, self.high, "given")
        value, width = self.value or 0.0, self.plus_minus or 0.0
        origin = "given" if width else "given, taken as exact"
        if self.method is not None:
            way = methods()[self.method]
            width, origin = way.figures[figure].width(value), f"given, by {self.method} ({way.credit})"
        return spread(figure, Shape.NORMAL, value, value - width, value + width, origin)
