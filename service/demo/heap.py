"""A simulated pile: what it is made of, what is done to it, and the heat curve that comes of it."""

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.demo.climate import Air

SHELL_M: Final = 0.15
"""Thickness of the shell; simulated, chosen so the curves look right."""
WINDROW_M2_PER_M3: Final = 1.5
_HEAP_FACES: Final = 5
_SPREAD: Final = 1.6
"""How much wider and lower a pile is set out to cure; simulated, chosen so the curves look right."""
_EVEN_FROM_CM: Final = 22.0
"""Depth from which the core is taken as even; simulated, chosen so the curves look right."""


@dataclass(frozen=True)
class Heap:
    """A pile as it is built.

    Attributes
    ----------
    volume_m3
        Loose, as built [m3].
    form
        ``heap``: a cube on the ground, five faces in the air; ``windrow``: long, 1.5 m high.
    carbon_nitrogen_ratio, moisture_pct, bulk_density_kg_m3
        Of the mix.
    material_c
        Temperature of what was loaded [Cel].
    fast_share, locked_share
        Of the biodegradable solids: what goes in days, and what only turning lays open.
    thermal_shift_c
        How much hotter than usual its microbes still work [Cel].
    is_spread
        Set out low and wide to cure.
    """

    volume_m3: float
    form: Literal["heap", "windrow"] = "heap"
    carbon_nitrogen_ratio: float = 28.0
    moisture_pct: float = 60.0
    bulk_density_kg_m3: float = 450.0
    material_c: float = 15.0
    fast_share: float = 0.25
    locked_share: float = 0.30
    thermal_shift_c: float = 0.0
    is_spread: bool = False

    @property
    def surface_m2(self) -> float:
        """Surface in the air [m2]."""
        spread = _SPREAD if self.is_spread else 1.0
        if self.form == "windrow":
            return spread * WINDROW_M2_PER_M3 * self.volume_m3
        return spread * _HEAP_FACES * math.pow(self.volume_m3, 2 / 3)

    @property
    def core_share(self) -> float:
        """Share of the volume that lies deeper than the shell."""
        if self.form == "windrow":
            return 1 - WINDROW_M2_PER_M3 * SHELL_M
        thin = SHELL_M / math.pow(self.volume_m3, 1 / 3)
        return (1 - 2 * thin) ** 2 * (1 - thin)

    @property
    def height_m(self) -> float:
        """Height [m]."""
        tall = 1.5 if self.form == "windrow" else math.pow(self.volume_m3, 1 / 3)
        return tall / _SPREAD if self.is_spread else tall


@dataclass(frozen=True)
class Working:
    """Something done to a pile that its temperature feels.

    ``turn`` mixes it whole, ``water`` wets it, ``spread`` mixes it and sets it out low and wide to cure.
    """

    at: datetime
    kind: Literal["turn", "water", "spread"]
    water_l: float = 0.0


class Zone(NamedTuple):
    """Core or shell at one instant, or its change in a day.

    Dry matter stands by how fast it goes, ``ash_kg`` being what stays; ``activity`` is the standing crop of microbes,
    0 to 1.
    """

    temperature_c: float
    fast_kg: float
    slow_kg: float
    locked_kg: float
    ash_kg: float
    water_kg: float
    activity: float

    @property
    def dry_kg(self) -> float:
        """Dry matter [kg]."""
        return self.fast_kg + self.slow_kg + self.locked_kg + self.ash_kg

    def part(self, share: float) -> "Zone":
        """Return a share of it, as warm and as active."""
        return self._replace(
            fast_kg=share * self.fast_kg,
            slow_kg=share * self.slow_kg,
            locked_kg=share * self.locked_kg,
            ash_kg=share * self.ash_kg,
            water_kg=share * self.water_kg,
        )


@dataclass(frozen=True, eq=False)
class Curve:
    """The heat of a pile from its build on; each working gives two points at one instant.

    Attributes
    ----------
    hours
        ``(n,)`` since 1970-01-01T00:00Z, not descending.
    core_c, shell_c
        ``(n,)`` mean temperatures of the zones [Cel].
    volume_m3
        ``(n,)`` [m3].
    """

    hours: NDArray[np.float64]
    core_c: NDArray[np.float64]
    shell_c: NDArray[np.float64]
    volume_m3: NDArray[np.float64]

    def at_depth(self, hours: NDArray[np.float64], depth_cm: float, air: Air) -> NDArray[np.float64]:
        """Return the temperature a probe meets at a depth below the surface [Cel].

        Straight lines between the skin, the middle of the shell and the even core: simulated.
        """
        core = np.interp(hours, self.hours, self.core_c)
        if depth_cm >= _EVEN_FROM_CM:
            return core
        shell = np.interp(hours, self.hours, self.shell_c)
        middle_cm = 100 * SHELL_M / 2
        if depth_cm >= middle_cm:
            return shell + (core - shell) * (depth_cm - middle_cm) / (_EVEN_FROM_CM - middle_cm)
        skin = 0.7 * air.at(hours) + 0.3 * shell
        return skin + (shell - skin) * depth_cm / middle_cm
