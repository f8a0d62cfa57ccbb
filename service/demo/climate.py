"""Air temperature at an invented site: season, day and weather. Simulated; the constants are chosen, not measured."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_HOUR: Final = timedelta(hours=1)
_YEAR_H: Final = 365.2425 * 24
_WARMEST_DAY: Final = 205.0
"""Day of the year with the highest mean on northern land, late July; common practice, no source."""
_WARMEST_HOUR: Final = 15.0
_WEATHER_H: Final = 60.0
"""How long a spell of weather lasts [h]; simulated, chosen so the curves look right."""


@dataclass(frozen=True)
class Climate:
    """A site's air over the year.

    Attributes
    ----------
    mean_c
        Annual mean [Cel].
    season_c, day_c
        Half the swing between the seasons, and between night and afternoon [Cel].
    weather_c
        Standard deviation of the weather about both [Cel].
    solar_offset_h
        Local solar time less UTC [h].
    floor_c
        Lowest air temperature a heated or closed house lets through [Cel]; None in the open.
    """

    mean_c: float
    season_c: float
    day_c: float
    weather_c: float
    solar_offset_h: float
    floor_c: float | None = None


@dataclass(frozen=True, eq=False)
class Air:
    """Hourly air temperature.

    Attributes
    ----------
    first_hour
        Hours since 1970-01-01T00:00Z of the first value.
    temperature_c
        ``(n,)`` one value an hour [Cel].
    """

    first_hour: int
    temperature_c: NDArray[np.float64]

    def at(self, hours: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the temperature at hours since 1970-01-01T00:00Z [Cel], interpolated."""
        grid = self.first_hour + np.arange(len(self.temperature_c))
        return np.interp(hours, grid, self.temperature_c)

    def now(self, hour: float) -> float:
        """Return the temperature at one hour [Cel]; the nearest end outside the series."""
        place = min(max(hour - self.first_hour, 0.0), len(self.temperature_c) - 1.0)
        whole = min(int(place), len(self.temperature_c) - 2)
        before, after = float(self.temperature_c[whole]), float(self.temperature_c[whole + 1])
        return before + (after - before) * (place - whole)


def hours_of(moment: datetime) -> float:
    """Return hours since 1970-01-01T00:00Z."""
    return (moment - _EPOCH) / _HOUR


def air_of(climate: Climate, since: datetime, until: datetime, rng: np.random.Generator) -> Air:
    """Simulate the air of a site.

    Parameters
    ----------
    since, until
        Aware instants; the series covers both.
    rng
        Of the site; the same one gives the same weather.

    Returns
    -------
    Air
        Season and day as cosines, weather as a first-order autoregression. Simulated.
    """
    first = math.floor(hours_of(since))
    hour = np.arange(first, math.ceil(hours_of(until)) + 2, dtype=np.float64)
    january_h = hours_of(datetime(since.year, 1, 1, tzinfo=UTC))
    season = np.cos(2 * np.pi * (hour - january_h - _WARMEST_DAY * 24) / _YEAR_H)
    day = np.cos(2 * np.pi * (hour + climate.solar_offset_h - _WARMEST_HOUR) / 24)
    keep = math.exp(-1 / _WEATHER_H)
    shocks = rng.normal(0, climate.weather_c * math.sqrt(1 - keep**2), len(hour))
    weather = np.empty(len(hour))
    standing = rng.normal(0, climate.weather_c)
    for place, shock in enumerate(shocks):
        standing = keep * standing + shock
        weather[place] = standing
    air = climate.mean_c + climate.season_c * season + climate.day_c * day + weather
    return Air(first, air if climate.floor_c is None else np.maximum(air, climate.floor_c))
