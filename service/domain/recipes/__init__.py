"""Least-cost and hand-made mixes: evaluating and solving."""

from .evaluate import evaluate
from .evaluation import Advice, Evaluation, Missing, Portion
from .figures import Figure, Status
from .ingredient import Ingredient, overlay
from .library import CATEGORIES, Feedstock, find, library, parse
from .reasons import Conflict, Violation
from .request import Amount, Available, Range, Targets
from .solve import NearestMix, Solution, solve

__all__ = [
    "CATEGORIES",
    "Advice",
    "Amount",
    "Available",
    "Conflict",
    "Evaluation",
    "Feedstock",
    "Figure",
    "Ingredient",
    "Missing",
    "NearestMix",
    "Portion",
    "Range",
    "Solution",
    "Status",
    "Targets",
    "Violation",
    "evaluate",
    "find",
    "library",
    "overlay",
    "parse",
    "solve",
]
