"""A lot of finished compost as it was measured."""

from dataclasses import dataclass, replace
from typing import Final

from service.domain.errors import Invalid
from service.domain.published import plain

_SAME_DENSITY: Final = 0.1
"""A mass and a volume weighed and paced out agree with a bucket's bulk density this closely."""
_DENSITIES_KG_M3: Final = (10.0, 5000.0)
"""What a mass and a volume may make; beyond, one of them is in another unit."""
_LEAST: Final = 1e-6
"""A milligram, a millilitre, a hundredth of a milligram in a kilogram: what is less is a slip of the keyboard."""


@dataclass(frozen=True, slots=True)
class Lot:
    """A lot and its analysis; everything may be unknown.

    Attributes
    ----------
    mass_kg, volume_m3
        Wet mass and volume of the lot.
    moisture_pct
        % of wet mass.
    nitrogen_pct, phosphorus_pct, potassium_pct, carbon_pct, ash_pct
        % of dry matter; phosphorus and potassium as the elements.
    carbon_nitrogen_ratio
        By mass; ``None``: from carbon and nitrogen.
    bulk_density_kg_m3
        Wet.
    """

    mass_kg: float | None = None
    volume_m3: float | None = None
    moisture_pct: float | None = None
    nitrogen_pct: float | None = None
    phosphorus_pct: float | None = None
    potassium_pct: float | None = None
    carbon_pct: float | None = None
    carbon_nitrogen_ratio: float | None = None
    bulk_density_kg_m3: float | None = None
    ash_pct: float | None = None

    @property
    def dry_share(self) -> float | None:
        """Dry matter, kg per kg wet."""
        return None if self.moisture_pct is None else 1 - self.moisture_pct / 100

    @property
    def ratio(self) -> float | None:
        """C:N as measured, else carbon over nitrogen."""
        if self.carbon_nitrogen_ratio is not None or self.carbon_pct is None or not self.nitrogen_pct:
            return self.carbon_nitrogen_ratio
        return self.carbon_pct / self.nitrogen_pct

    def completed(self) -> "Lot":
        """Return the lot with mass, volume and bulk density worked out from any two of them.

        Raises
        ------
        Invalid
            When all three are given and disagree by more than a tenth, when mass and volume belong to no compost,
            when C:N stands beside carbon and nitrogen, or carbon and ash are more than all dry matter; when a figure
            is too small to have been measured.
        """
        self._refuse_slips()
        if (self.carbon_pct or 0) + (self.ash_pct or 0) > 100:  # noqa: PLR2004 - per cent
            raise Invalid.field(
                "/ash_pct",
                f"{plain(self.ash_pct or 0)} % of ash and {plain(self.carbon_pct or 0)} % of carbon are more than there"
                " is; give both in % of dry matter",
            )
        if None not in (self.carbon_nitrogen_ratio, self.carbon_pct, self.nitrogen_pct):
            raise Invalid.field(
                "/carbon_nitrogen_ratio",
                "C:N is given beside carbon_pct and nitrogen_pct; give two of the three",
            )
        return self._sized()

    def _refuse_slips(self) -> None:
        for name in ("mass_kg", "volume_m3", "nitrogen_pct"):
            value: float | None = getattr(self, name)
            if value is not None and 0 < value < _LEAST:
                raise Invalid.field(
                    f"/{name}", f"{plain(value)} is too little to have been measured; check it"
                )
        low, high = _DENSITIES_KG_M3
        if self.bulk_density_kg_m3 is not None and not low <= self.bulk_density_kg_m3 <= high:
            raise Invalid.field(
                "/bulk_density_kg_m3",
                f"{plain(self.bulk_density_kg_m3)} is not between {plain(low)} and {plain(high)} kg/m3 (lb/yd3 times"
                " 0.5933)",
            )

    def _sized(self) -> "Lot":
        mass, volume, density = self.mass_kg, self.volume_m3, self.bulk_density_kg_m3
        if mass is not None and volume is not None:
            made = mass / volume
            if not _DENSITIES_KG_M3[0] <= made <= _DENSITIES_KG_M3[1]:
                raise Invalid.field(
                    "/volume_m3",
                    f"{plain(mass)} kg in {plain(volume)} m3 make {plain(made)} kg/m3, which no compost weighs; give"
                    " the mass in kg and the volume in m3",
                )
            if density is not None and abs(made - density) > _SAME_DENSITY * density:
                raise Invalid.field(
                    "/bulk_density_kg_m3",
                    f"{plain(mass)} kg in {plain(volume)} m3 make {plain(made)} kg/m3, not {plain(density)}; leave out"
                    " the one you trust least",
                )
            return replace(self, bulk_density_kg_m3=made)
        if density is None:
            return self
        return replace(
            self,
            mass_kg=volume * density if mass is None and volume is not None else mass,
            volume_m3=mass / density if volume is None and mass is not None else volume,
        )
