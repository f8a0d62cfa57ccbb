"""What a laboratory found in a pile, and other figures measured at it."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

from service.domain.errors import FieldError


@dataclass(frozen=True, slots=True)
class Sample:
    """One sample.

    Attributes
    ----------
    taken_at
        Aware time.
    figures
        By name, unit included, for example ``fecal_coliform_mpn_g``; a result below detection is given as the figure
        that proves it, such as 0.
    """

    taken_at: datetime
    figures: Mapping[str, float]

    def __post_init__(self) -> None:
        object.__setattr__(self, "figures", MappingProxyType(dict(self.figures)))


def wrong_figures(pointer: str, figures: Mapping[str, float]) -> Iterator[FieldError]:
    """Name the figures that are no numbers or lie below 0."""
    for name, value in figures.items():
        if not (math.isfinite(value) and value >= 0):
            yield FieldError(
                f"{pointer}/{name}", f"{value} is not a figure of {name}; give 0 or more, or leave it out"
            )
