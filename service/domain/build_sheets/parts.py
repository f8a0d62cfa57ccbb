"""What a sheet is made of: layers of whole measures, and each material against the recipe."""

from dataclasses import dataclass

from .layering import Role
from .measures import Measure
from .practice import Handling


@dataclass(frozen=True, slots=True)
class Part:
    """Whole measures of one material in one layer; ``ingredient`` is its place in the recipe."""

    ingredient: int
    name: str
    measure: str
    kind: str
    count: int
    mass_kg: float
    volume_m3: float | None


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer, from the bottom.

    Attributes
    ----------
    number
        From 1 at the bottom.
    role, round
        ``bottom``, ``brown``, ``green`` or ``top``; the round from 1, 0 outside the rounds.
    parts
        What goes in.
    water_l, cans
        Given while it is laid.
    top_pct, top_cm
        How high the pile then stands: % of the mark (of the built height without a place), and [cm]; ``None`` when
        not known.
    thickness_cm
        Of the layer; the layers' sum is the fill mark.
    """

    number: int
    role: Role
    round: int
    parts: tuple[Part, ...]
    water_l: float
    cans: float
    mass_kg: float
    volume_m3: float | None
    thickness_cm: float | None
    top_pct: float | None
    top_cm: float | None


@dataclass(frozen=True, slots=True)
class Load:
    """A material in the whole pile, against the recipe.

    Attributes
    ----------
    ingredient
        Its place in the recipe.
    measure, count, mass_per_measure_kg
        Whole measures.
    planned_kg, loaded_kg, difference_pct
        By the recipe, by whole measures, and the second against the first.
    volume_m3
        Really loaded, loose; ``None`` without a bulk density.
    is_brown, handling
        How it is laid and prepared.
    is_heavy
        One full measure asks more of a person than the lifting limit.
    """

    ingredient: int
    name: str
    category: str | None
    measure: Measure
    count: int
    mass_per_measure_kg: float
    planned_kg: float
    loaded_kg: float
    difference_pct: float
    volume_m3: float | None
    is_brown: bool
    handling: Handling
    is_heavy: bool
