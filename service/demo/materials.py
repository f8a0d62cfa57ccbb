"""Invented feedstocks, the analyses made of them, and the recipes mixed from them. Nothing here was measured."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from service.domain.recipes import Evaluation, Ingredient, evaluate

SOURCE: Final = "invented for the demo"
MIXING_SHRINK_PCT: Final = 15.0
"""What the loose volumes lose when fines fill the voids; simulated."""


@dataclass(frozen=True)
class Analysis:
    """A measurement of a feedstock; ``ago_days`` before the end of the scenario."""

    ago_days: int
    method: str
    figures: Mapping[str, float]
    note: str = "Simulated."


@dataclass(frozen=True)
class Feedstock:
    """A material of the network.

    Attributes
    ----------
    moisture_pct, nitrogen_pct, carbon_nitrogen_ratio, bulk_density_kg_m3
        % of wet mass, % of dry matter, by mass, loose [kg/m3].
    analyses
        Later measurements; the newest figure is in force.
    """

    code: str
    name: str
    category: str
    moisture_pct: float
    nitrogen_pct: float
    carbon_nitrogen_ratio: float
    bulk_density_kg_m3: float
    analyses: tuple[Analysis, ...] = ()


@dataclass(frozen=True)
class Recipe:
    """A mix by loose volume."""

    key: str
    name: str
    parts_m3: Mapping[str, float]
    note: str = field(default="Simulated: invented for the demo.")

    @property
    def loose_m3(self) -> float:
        """Sum of the loose volumes [m3]."""
        return sum(self.parts_m3.values())


_FEEDSTOCKS: Final = (
    Feedstock(
        "terrace-grass",
        "Terrace grass, fresh",
        "yard",
        78.0,
        2.4,
        18.0,
        290.0,
        (
            Analysis(
                150,
                "oven 105 °C, Dumas",
                {"moisture_pct": 76.0, "nitrogen_pct": 2.6, "carbon_nitrogen_ratio": 17.0},
            ),
        ),
    ),
    Feedstock("stable-bedding", "Stable bedding, horse on straw", "manure", 66.0, 1.4, 28.0, 440.0),
    Feedstock("orchard-prunings", "Orchard prunings, shredded", "yard", 42.0, 0.75, 66.0, 260.0),
    Feedstock("olive-leaf", "Olive leaf and twig", "yard", 40.0, 1.1, 44.0, 210.0),
    Feedstock("street-leaves", "Street leaves, vacuumed", "yard", 46.0, 0.9, 54.0, 220.0),
    Feedstock("plot-greens", "Plot greens and kitchen scraps", "food-scraps", 74.0, 2.6, 17.0, 540.0),
    Feedstock(
        "spent-grain",
        "Brewery spent grain",
        "crop-processing",
        77.0,
        3.9,
        13.0,
        620.0,
        (Analysis(96, "oven 105 °C", {"moisture_pct": 75.5}, "Simulated; nitrogen was not measured."),),
    ),
    Feedstock("yard-chip", "Wood chip, mixed", "paper-wood", 42.0, 0.4, 120.0, 290.0),
    Feedstock("tomato-haulm", "Tomato haulm, chopped", "crop-residue", 80.0, 2.4, 16.0, 350.0),
    Feedstock("reed-straw", "Reed straw", "straw-hay-silage", 14.0, 0.6, 75.0, 90.0),
    Feedstock("hen-litter", "Hen litter", "manure", 35.0, 3.6, 12.0, 450.0),
    Feedstock("mare-manure", "Mare manure with peat", "manure", 66.0, 1.5, 28.0, 460.0),
)
FEEDSTOCKS: Final[Mapping[str, Feedstock]] = MappingProxyType({one.code: one for one in _FEEDSTOCKS})

_RECIPES: Final = (
    Recipe(
        "terrace",
        "Terrace mix",
        {"terrace-grass": 0.9, "stable-bedding": 1.2, "orchard-prunings": 0.9, "olive-leaf": 0.3},
    ),
    Recipe(
        "yard", "Yard mix", {"street-leaves": 4.0, "plot-greens": 3.0, "spent-grain": 0.5, "yard-chip": 1.5}
    ),
    Recipe(
        "hot-grain",
        "Grain and greens, rich",
        {"spent-grain": 1.0, "plot-greens": 1.2, "yard-chip": 1.6, "street-leaves": 1.2},
    ),
    Recipe(
        "glass",
        "Glasshouse mix",
        {"tomato-haulm": 2.6, "reed-straw": 2.6, "hen-litter": 0.5, "mare-manure": 3.2},
    ),
)
RECIPES: Final[Mapping[str, Recipe]] = MappingProxyType({one.key: one for one in _RECIPES})


def figures(recipe: Recipe) -> Evaluation:
    """Evaluate a recipe by its feedstocks' own figures, mixed."""
    ingredients = [
        Ingredient(
            name=stock.name,
            moisture_pct=stock.moisture_pct,
            nitrogen_pct=stock.nitrogen_pct,
            carbon_nitrogen_ratio=stock.carbon_nitrogen_ratio,
            bulk_density_kg_m3=stock.bulk_density_kg_m3,
            volume_m3=volume_m3,
        )
        for code, volume_m3 in recipe.parts_m3.items()
        for stock in [FEEDSTOCKS[code]]
    ]
    return evaluate(ingredients, mixing_shrink_pct=MIXING_SHRINK_PCT)
