"""What solving answers."""

from dataclasses import dataclass
from typing import Literal

from .evaluation import Evaluation
from .reasons import Conflict, Violation

CureKind = Literal["relax", "raise_stock", "lower_minimum", "change_amount", "buy", "part_measures"]


@dataclass(frozen=True, slots=True)
class Load:
    """One ingredient in the crew's own measure.

    Attributes
    ----------
    ingredient
        Its name.
    measure
        The measure's name.
    count
        How many; a whole number when ``is_whole``.
    is_whole
        Only full measures were asked for.
    measure_kg, measure_l
        What one of them weighs and holds; litres are unknown without a bulk density.
    """

    ingredient: str
    measure: str
    count: float
    is_whole: bool
    measure_kg: float
    measure_l: float | None


@dataclass(frozen=True, slots=True)
class NearestMix:
    """The mix of least violation.

    Attributes
    ----------
    recipe
        The mix.
    water_l
        Of it, water added.
    violations
        The limits it misses, and by how much.
    loads
        As in :class:`Solution`.
    """

    recipe: Evaluation
    water_l: float
    violations: tuple[Violation, ...]
    loads: tuple[Load, ...] = ()


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another mix that meets the request, about as good as the first.

    Attributes
    ----------
    recipe, water_l, cost, loads
        As in :class:`Solution`.
    differs
        In words, from the recipe offered first.
    moved_kg
        What would be exchanged: half the sum of the differences of the masses.
    """

    recipe: Evaluation
    water_l: float
    cost: float | None
    differs: str
    moved_kg: float
    loads: tuple[Load, ...] = ()


@dataclass(frozen=True, slots=True)
class Rounding:
    """What whole measures cost beside any mass.

    Attributes
    ----------
    unrounded
        The mix chosen in the same way if parts of a measure could go in.
    cost_more
        Of the whole mix, in the caller's money; ``None`` without prices or without a whole mix.
    words
        The difference in words.
    """

    unrounded: Evaluation
    cost_more: float | None
    words: str


@dataclass(frozen=True, slots=True)
class Cure:
    """One change that would make the request solvable; it was tried.

    Attributes
    ----------
    kind
        ``relax`` a target or a share, ``raise_stock``, ``lower_minimum``, ``change_amount``, ``buy`` a material that
        is not on the list, or let one go in by ``part_measures``.
    what
        The target, the ingredient, or what to buy.
    limit
        Which end of a target is relaxed.
    feedstock
        Code of the shipped library of what to buy, when it is from there.
    pointer
        RFC 6901, to what is changed in the request; ``None`` for something to buy.
    to
        The new value there; the mass in kg of what to buy.
    change_pct
        How large a change: of the value asked, or of the mass of the mix.
    cost
        Of the cheapest mix after it; ``None`` where a price is not known.
    words
        What to do.
    """

    kind: CureKind
    what: str
    limit: Literal["min", "max"] | None
    feedstock: str | None
    pointer: str | None
    to: float | None
    change_pct: float
    cost: float | None
    words: str


@dataclass(frozen=True, slots=True)
class Solution:
    """The answer of solving.

    Attributes
    ----------
    state
        ``solved``, or ``infeasible`` when no mix meets the request.
    recipe
        The mix; ``None`` when infeasible.
    water_l
        Water added, 1 kg to the litre; ``None`` when infeasible.
    cost
        Of the recipe, in the caller's money; ``None`` without prices or when infeasible.
    objective
        By what this mix was chosen among those that meet the request.
    conflicts
        When infeasible, the smallest set of demands that cannot be kept together.
    nearest
        When infeasible, the mix that misses least; ``None`` when not even one can be named.
    loads
        The recipe in measures, for the ingredients that have one.
    rounding
        What whole measures cost; ``None`` unless they were asked for and a mix in parts exists.
    alternatives
        Other mixes about as good.
    alternatives_note
        Why these, or why no more; empty when none were asked for.
    cures
        When infeasible, single changes that would help, the cheapest first, else the smallest.
    """

    state: Literal["solved", "infeasible"]
    recipe: Evaluation | None
    water_l: float | None
    cost: float | None
    objective: str
    conflicts: tuple[Conflict, ...] = ()
    nearest: NearestMix | None = None
    loads: tuple[Load, ...] = ()
    rounding: Rounding | None = None
    alternatives: tuple[Alternative, ...] = ()
    alternatives_note: str = ""
    cures: tuple[Cure, ...] = ()
