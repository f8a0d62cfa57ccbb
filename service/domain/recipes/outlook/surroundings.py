"""What is known of a mix beside its materials."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is known of a mix beside its materials; everything may be ``None``.

    Attributes
    ----------
    ambient_c
        Mean air temperature of the first weeks [Cel]; wins over ``climate``.
    climate
        ``tropical``, ``temperate``, ``cool`` or ``cold``.
    decay
        How quick the materials are: ``slow`` (leafy, woody), ``medium`` or ``fast`` (grass, food).
    ph
        Of the mix.
    bay_volume_m3
        What the bay holds; stands in for the volume of the mix where that is unknown.
    """

    ambient_c: float | None = None
    climate: str | None = None
    decay: str | None = None
    ph: float | None = None
    bay_volume_m3: float | None = None


NOTHING_KNOWN: Final = Surroundings()
