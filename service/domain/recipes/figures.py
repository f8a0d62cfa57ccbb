"""What a figure of a material may be, and the words for it when it is not."""

import math
from dataclasses import dataclass
from typing import Final

from service.domain.errors import FieldError
from service.domain.published import Figure, Status, plain

__all__ = [
    "CARBON_HIGH_PCT",
    "CARBON_LOW_PCT",
    "CARBON_OF_VOLATILE_SOLIDS",
    "DENSITY",
    "MASS",
    "MOISTURE",
    "NITROGEN",
    "PERCENT_OF_DRY",
    "RATIO",
    "VOLUME",
    "Bounds",
    "Figure",
    "Status",
    "faults",
    "plain",
]

CARBON_OF_VOLATILE_SOLIDS: Final = 1 / 1.8
"""Carbon is volatile solids / 1.8 (Adams et al. 1951, as given by the Cornell Waste Management Institute)."""

CARBON_HIGH_PCT: Final = 60.0
"""No common plant or animal material holds more carbon in its dry matter; a higher product of nitrogen and C:N
says that the two figures come from different samples. Common practice, no source."""

CARBON_LOW_PCT: Final = 25.0
"""An organic material of low ash holds at least this much carbon. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a number may be, and the words for it when it is not."""

    low: float
    high: float
    remedy: str
    is_zero_allowed: bool = False
    """Zero is allowed although ``low`` is above it."""

    def fault(self, value: float) -> str | None:
        """Return what is wrong with a value, or ``None``."""
        if not math.isfinite(value):
            return f"{value} is not a number one can weigh or measure; {self.remedy}"
        if self.low <= value <= self.high or (self.is_zero_allowed and value == 0):
            return None
        return f"{plain(value)} is not between {plain(self.low)} and {plain(self.high)}; {self.remedy}"


MASS: Final = Bounds(1e-9, 1e9, "give the mass in kg, 0 or more", is_zero_allowed=True)
VOLUME: Final = Bounds(1e-9, 1e6, "give the loose volume in m3, 0 or more", is_zero_allowed=True)
PERCENT_OF_DRY: Final = Bounds(0, 100, "give it as a percentage of dry matter")
NITROGEN: Final = Bounds(
    1e-6, 100, "give nitrogen as a percentage of dry matter, 0 if none", is_zero_allowed=True
)
MOISTURE: Final = Bounds(0, 100, "give water as a percentage of the wet mass")
RATIO: Final = Bounds(
    1e-3, 1e5, "give carbon divided by nitrogen, above 0; for a material without carbon give carbon_pct 0"
)
DENSITY: Final = Bounds(1, 5000, "give the loose bulk density in kg/m3 (lb/yd3 times 0.5933)")


def faults(pointer: str, value: float | None, bounds: Bounds) -> list[FieldError]:
    """Check one optional number; unknown (``None``) is never a fault."""
    if value is None:
        return []
    fault = bounds.fault(value)
    return [] if fault is None else [FieldError(pointer, fault)]
