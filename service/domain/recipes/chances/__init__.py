"""Mixes of materials whose figures are not known exactly: how likely targets are met, and how to make it likelier."""

from .defaults import methods
from .draws import DEFAULT_DRAWS, LEAST_DRAWS, MOST_DRAWS
from .estimate import Chances, Input, Probability, Quantiles, TargetChance, estimate
from .inputs import Uncertain, material, read_figures
from .robust import MOST_MATERIALS, Nominal, Robust, solve_robustly
from .search import Scenarios
from .spread import POSSIBLE, Shape, Spread, Stated
from .worth import Measurement

__all__ = [
    "DEFAULT_DRAWS",
    "LEAST_DRAWS",
    "MOST_DRAWS",
    "MOST_MATERIALS",
    "POSSIBLE",
    "Chances",
    "Input",
    "Measurement",
    "Nominal",
    "Probability",
    "Quantiles",
    "Robust",
    "Scenarios",
    "Shape",
    "Spread",
    "Stated",
    "TargetChance",
    "Uncertain",
    "estimate",
    "material",
    "methods",
    "read_figures",
    "solve_robustly",
]
