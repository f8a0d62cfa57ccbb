"""Where a pile is built, and how high it stands at a part of its volume."""

import math
from dataclasses import dataclass
from typing import Final, Literal

from service.domain.errors import Invalid

Shape = Literal["walls", "ridge"]
"""``walls``: the same footprint at every height (cage, bay, vessel); ``ridge``: a windrow, a parabola in section."""

_RIDGE: Final = 1.5
"""The width of a parabola falls with the square root of what is left of its height."""


@dataclass(frozen=True, slots=True)
class Place:
    """What a pile is to fill.

    Attributes
    ----------
    label
        What the crew calls it; empty when it has no name.
    volume_m3
        Filled to the mark [m3].
    shape
        See ``Shape``.
    height_m
        Of the mark above the ground [m]; ``None`` when nobody measured it.
    """

    label: str
    volume_m3: float
    shape: Shape = "walls"
    height_m: float | None = None

    def height_of(self, part: float) -> float:
        """Return the height, as a part of the full one, at which ``part`` of the volume lies below."""
        return height_part(self.shape, part)

    def below(self, height: float) -> float:
        """Return the part of the volume that lies below ``height``, a part of the full one."""
        return 1 - (1 - min(1.0, height)) ** _RIDGE if self.shape == "ridge" else height


def height_part(shape: Shape, part: float) -> float:
    """Return the part of the height at which a part of the volume is reached; above 1 it goes on at the same rate.

    Parameters
    ----------
    shape
        A ridge on a fixed footprint, in level layers, holds ``1 - (1 - z)^1.5`` of its volume below ``z`` of its
        height.
    part
        0 or more.

    References
    ----------
    [1] On-Farm Composting Handbook, NRAES-54, Rynk et al. 1992: a high windrow is a parabola in section, of area
        2/3 of base times height. From memory.
    """
    if shape == "ridge" and part < 1:
        return float(1 - (1 - part) ** (1 / _RIDGE))
    return part


def place_of(
    label: str,
    kind: str,
    *,
    volume_m3: float | None = None,
    length_m: float | None = None,
    width_m: float | None = None,
    diameter_m: float | None = None,
    height_m: float | None = None,
    pointer: str = "/bay",
) -> Place:
    """Return a place from its volume or its sides.

    Parameters
    ----------
    label, kind
        What it is called; a ``windrow_strip`` is a ridge, every other kind has walls.
    volume_m3
        Filled to the mark [m3].
    length_m, width_m, diameter_m, height_m
        Inside [m]; together they give the volume, a height alone gives the mark.

    Raises
    ------
    Invalid
        Volume and sides together, neither, or one that is not above 0.
    """
    for name, value in (
        ("volume_m3", volume_m3),
        ("length_m", length_m),
        ("width_m", width_m),
        ("diameter_m", diameter_m),
        ("height_m", height_m),
    ):
        if value is not None and not value > 0:
            raise Invalid.field(
                f"{pointer}/{name}", f"{value:g} holds no pile; give more than 0, or leave it out"
            )
    shape: Shape = "ridge" if kind == "windrow_strip" else "walls"
    floor_m2 = None
    if diameter_m is not None and length_m is None and width_m is None:
        floor_m2 = math.pi * diameter_m**2 / 4
    elif length_m is not None and width_m is not None and diameter_m is None:
        floor_m2 = length_m * width_m
    elif not length_m is width_m is diameter_m is None:
        raise Invalid.field(pointer, "give length_m with width_m, or diameter_m alone")
    if (volume_m3 is None) == (floor_m2 is None):
        detail = (
            "give volume_m3 (with height_m for the mark), or the sides: length_m and width_m or diameter_m"
        )
        raise Invalid.field(pointer, detail)
    if floor_m2 is not None:
        if height_m is None:
            raise Invalid.field(f"{pointer}/height_m", "the sides need the height of the mark in m")
        volume_m3 = floor_m2 * height_m * (1 / _RIDGE if shape == "ridge" else 1)
    assert volume_m3 is not None
    return Place(label, volume_m3, shape, height_m)
