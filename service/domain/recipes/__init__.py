"""Least-cost and hand-made mixes: evaluating and solving."""

from .evaluate import evaluate
from .evaluation import Advice, Evaluation, Missing, Portion
from .figures import Figure, Status
from .ingredient import Ingredient, overlay
from .library import CATEGORIES, Feedstock, find, library, parse
from .outlook.surroundings import Surroundings
from .reasons import Conflict, Violation
from .request import Amount, Available, Choice, Measure, Range, Targets
from .solution import Alternative, Cure, Load, NearestMix, Rounding, Solution
from .solve import solve

__all__ = [
    "CATEGORIES",
    "Advice",
    "Alternative",
    "Amount",
    "Available",
    "Choice",
    "Conflict",
    "Cure",
    "Evaluation",
    "Feedstock",
    "Figure",
    "Ingredient",
    "Load",
    "Measure",
    "Missing",
    "NearestMix",
    "Portion",
    "Range",
    "Rounding",
    "Solution",
    "Status",
    "Surroundings",
    "Targets",
    "Violation",
    "evaluate",
    "find",
    "library",
    "overlay",
    "parse",
    "solve",
]
