"""What may be asked of the solver: materials at hand, targets, an amount, and how to choose among the answers."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from .ingredient import Ingredient
from .quotients import QUOTIENTS

WATER: Final = Ingredient("water", moisture_pct=100.0, bulk_density_kg_m3=1000.0)
"""What ``allow_water`` adds: 1 kg is 1 L, and it costs nothing."""

Preference = Literal["cost", "spoilage", "middle"]
PREFERENCES: Final[tuple[Preference, ...]] = ("cost", "spoilage", "middle")

WHOLE_SURPLUS_PCT: Final = 5.0
"""Whole barrows seldom make an amount exactly; they may make this much more of it, and never less, unless the caller
says otherwise. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Range:
    """From ``min`` to ``max``; either may be open."""

    min: float | None = None
    max: float | None = None


@dataclass(frozen=True, slots=True)
class Targets:
    """What the mix must be; ``None`` asks nothing of a figure.

    Attributes
    ----------
    carbon_nitrogen_ratio
        By mass, above 0.
    moisture_pct
        % of wet mass.
    free_air_space_pct
        % of volume, as estimated from bulk density.
    bulk_density_kg_m3
        Wet and loose.
    volatile_solids_pct, nitrogen_pct
        % of dry matter.
    biodegradable_carbon_nitrogen_ratio
        C:N with the carbon that lignin shields left out; every material needs its lignin.
    energy_cal_per_g_water
        Heat that can be released, cal per g of water; above 700 is enough, below 600 is not.
    """

    carbon_nitrogen_ratio: Range | None = None
    moisture_pct: Range | None = None
    free_air_space_pct: Range | None = None
    bulk_density_kg_m3: Range | None = None
    volatile_solids_pct: Range | None = None
    nitrogen_pct: Range | None = None
    biodegradable_carbon_nitrogen_ratio: Range | None = None
    energy_cal_per_g_water: Range | None = None

    def given(self) -> Iterator[tuple[str, Range]]:
        """Yield the targets that ask something, by name."""
        for name in QUOTIENTS:
            asked: Range | None = getattr(self, name)
            if asked is not None:
                yield name, asked


@dataclass(frozen=True, slots=True)
class Amount:
    """How much to make.

    Attributes
    ----------
    volume_m3, mass_kg
        Of the whole: exactly one, unless ``measures`` is given. The volume is the sum of the loose volumes, less
        what is lost on mixing.
    of
        One ingredient, whose mass ``mass_kg`` then is.
    measures
        With ``of``: how many of that ingredient's own measure, instead of its mass.
    surplus_pct
        How much more than that may be made; never less. 0, or :data:`WHOLE_SURPLUS_PCT` with whole measures, when
        ``None``.
    """

    volume_m3: float | None = None
    mass_kg: float | None = None
    of: str | None = None
    measures: float | None = None
    surplus_pct: float | None = None


@dataclass(frozen=True, slots=True)
class Measure:
    """A vessel a crew measures with: exactly one of its loose ``volume_l`` and the ``mass_kg`` it brings."""

    name: str
    volume_l: float | None = None
    mass_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Available:
    """A material at hand.

    Attributes
    ----------
    ingredient
        Without an amount.
    min_kg, max_kg
        At least and at most this much goes in; ``None`` for no such bound.
    cost_per_kg
        Of wet mass; ``None`` when not known, which is not the same as free. Below 0 when one is paid to take it.
    min_share_of_mass_pct, max_share_of_mass_pct
        Of the wet mass of the mix, added water included.
    min_share_of_volume_pct, max_share_of_volume_pct
        Of the summed loose volumes, added water included.
    measure, whole
        What it is measured with, and whether only full measures go in.
    spoils_in_days
        When it is past use, from now; 0 when it should go today. Only the order counts.
    """

    ingredient: Ingredient
    min_kg: float | None = None
    max_kg: float | None = None
    cost_per_kg: float | None = None
    min_share_of_mass_pct: float | None = None
    max_share_of_mass_pct: float | None = None
    min_share_of_volume_pct: float | None = None
    max_share_of_volume_pct: float | None = None
    measure: Measure | None = None
    whole: bool = False
    spoils_in_days: float | None = None

    @property
    def name(self) -> str:
        """The ingredient's."""
        return self.ingredient.name

    @property
    def least_kg(self) -> float:
        """The lower bound, 0 when none is given."""
        return self.min_kg or 0.0

    @property
    def measure_kg(self) -> float | None:
        """What one measure of it weighs; ``None`` without a measure, or without the bulk density that it needs."""
        if self.measure is None:
            return None
        if self.measure.mass_kg is not None:
            return self.measure.mass_kg
        density = self.ingredient.bulk_density_kg_m3
        return None if density is None else (self.measure.volume_l or 0.0) * density / 1000


SHARES: Final = ("share_of_mass_pct", "share_of_volume_pct")
"""Shares of one material that a request may bound, as ``min_`` and ``max_`` fields of :class:`Available`."""


@dataclass(frozen=True, slots=True)
class Choice:
    """How to choose among the mixes that meet a request, and what else to tell.

    Attributes
    ----------
    prefer
        What comes first; ``None``: cost where there are prices, else spoilage where there are dates, else the
        middles of the ranges.
    alternatives
        How many other mixes, about as good, to tell.
    within_pct
        What "about as good" means: so much worse by what comes first.
    mixing_shrink_pct
        Volume lost when fines fill the voids, % of the summed loose volumes, as measured, and held to be the same for
        any mix; volume, bulk density and free air space are then of the settled mix, else of the loose.
    may_buy
        What could be bought when no mix exists; ``None`` for what is commonly to be had.
    """

    prefer: Preference | None = None
    alternatives: int = 0
    within_pct: float = 5.0
    mixing_shrink_pct: float | None = None
    may_buy: tuple[Available, ...] | None = None


@dataclass(frozen=True, slots=True)
class Request:
    """All that is asked at once."""

    available: tuple[Available, ...]
    targets: Targets
    amount: Amount
    allow_water: bool = False
    choice: Choice = Choice()
