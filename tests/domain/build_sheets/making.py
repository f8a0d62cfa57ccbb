"""Mixes, measures and places to build with; figures of materials are invented, only their sums are tested."""

from typing import Any

from service.domain.build_sheets import BuildRequest, Measure, Place, Wanted
from service.domain.recipes import Ingredient

BARROW = Measure("barrow", "barrow", volume_l=80)
BUCKET = Measure("bucket", "bucket", volume_l=12)
FORK = Measure("fork", "fork", mass_kg=3)
SCALE = Measure("scale", "scale", mass_kg=1)
CAN = Measure("can", "can", volume_l=9)
CAGE = Place("Cage 1", 1.2, "walls", 1.2)


def wanted(name: str, volume_m3: float, *figures: float, measure: str | None = None, **more: Any) -> Wanted:
    """Return a material by moisture, nitrogen, C:N and bulk density."""
    moisture, nitrogen, ratio, density = figures
    ingredient = Ingredient(
        name,
        moisture_pct=moisture,
        nitrogen_pct=nitrogen,
        carbon_nitrogen_ratio=ratio,
        bulk_density_kg_m3=density,
        volume_m3=volume_m3,
        **more,
    )
    return Wanted(ingredient, measure)


STRAW = wanted("wheat straw", 0.5, 12, 0.5, 80, 60, category="straw-hay-silage")
CHIPS = wanted("wood chips", 0.3, 35, 0.3, 150, 280)
GRASS = wanted("grass clippings", 0.25, 78, 3.0, 17, 300)
MANURE = wanted("horse manure", 0.35, 65, 1.6, 30, 450, category="manure")
MIX = (STRAW, CHIPS, GRASS, MANURE)


def request(*mix: Wanted, measures: tuple[Measure, ...] = (BARROW, BUCKET, CAN), **more: Any) -> BuildRequest:
    return BuildRequest("test mix", mix or MIX, measures, **({"place": CAGE} | more))
