"""Time asked at a temperature by an equation ``D = numerator / 10^(slope t)``.

References
----------
[1] 40 CFR 503.32(a)(3), Alternative 1 (from memory; the same table was read in 15A NCAC 02T .1106 and in
    327 IAC 6.1-4-13). Not open to compost there: shown for information only.
"""

import math
from typing import Final

SOLID_NUMERATOR: Final = 131_700_000.0
"""Sewage sludge of 7 % total solids or more [1]."""
LIQUID_NUMERATOR: Final = 50_070_000.0
"""Less than 7 % total solids, at least 30 minutes [1]."""
SLOPE_PER_C: Final = 0.14


def days_asked(numerator: float, slope_per_c: float, temperature_c: float) -> float:
    """Return the time asked at a temperature [d]."""
    return float(numerator / 10 ** (slope_per_c * temperature_c))


def temperature_asked_c(numerator: float, slope_per_c: float, days: float) -> float:
    """Return the temperature at which a time is asked [Cel]."""
    return math.log10(numerator / days) / slope_per_c
