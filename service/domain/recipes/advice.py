"""Plain words on a mix: where it stands against the handbooks, and what could hurt someone."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from .evaluation import Advice, Evaluation
from .figures import CARBON_HIGH_PCT, CARBON_LOW_PCT, plain
from .measures import free_air_space_pct, water_to_reach_kg
from .outlook.advising import advise_on_process

_HANDBOOK: Final = "On-Farm Composting Handbook, NRAES-54, Rynk et al. 1992, second-hand"
_WET_MIX_GOAL_PCT: Final = 60.0
_DRY_MIX_GOAL_PCT: Final = 55.0
_DRY_MATERIAL_PCT: Final = 15.0
_FERTILISER_NITROGEN_PCT: Final = 20.0
"""No plant or animal material of the library holds as much; what does is a fertiliser."""
_SMALL_PILE_M3: Final = 1.0
_FELT_WATER_SHARE: Final = 0.02
_TRACE_PCT: Final = 1e-4
"""A gram in a tonne: round-off of the solver, or nothing to warn of."""


@dataclass(frozen=True, slots=True)
class _Band:
    """A published range: ``low`` to ``high`` works, ``best_low`` to ``best_high`` is preferred."""

    low: float
    best_low: float
    best_high: float
    high: float
    source: str

    def words(self, unit: str) -> str:
        """Write the range and its source."""
        span = (
            f"{plain(self.low)} to {plain(self.high)}{unit}"
            if self.low
            else f"up to {plain(self.high)}{unit}"
        )
        best = f"{plain(self.best_low)} to {plain(self.best_high)}{unit}" if self.best_low else None
        preferred = f", preferred {best or f'below {plain(self.best_high)}{unit}'}"
        return f"{span} works{preferred} ({self.source})"

    def is_within(self, value: float) -> bool:
        """Whether a value works; round-off at an end is not a fault."""
        return self.low * (1 - 1e-9) <= value <= self.high * (1 + 1e-9)


_RATIO: Final = _Band(20, 25, 30, 40, f"{_HANDBOOK}; 25 to 40 is preferred in The Composting Handbook, 2022")
_MOISTURE: Final = _Band(40, 50, 60, 65, _HANDBOOK)
_DENSITY: Final = _Band(0, 0, 653, 712, "Louisiana State University AgCenter: 1100 and 1200 lb/yd3")
_AIR: Final = _Band(
    20,
    35,
    60,
    100,
    "bands quoted second-hand beside Eftoda and McCartney; estimate 100 - 0.09 BD, from memory",
)


def advise(evaluation: Evaluation) -> tuple[Advice, ...]:
    """Say where a mix stands and what to do about it.

    Parameters
    ----------
    evaluation
        The figures of the mix; its own ``advice`` is not read.

    Returns
    -------
    tuple of Advice
        Figures first, then gaps and doubtful figures, then safety.
    """
    return (
        *_on_ratio(evaluation),
        *_on_moisture(evaluation),
        *_on_air(evaluation),
        *_on_density(evaluation),
        *_on_volume(evaluation),
        *advise_on_process(evaluation),
        *_on_gaps(evaluation),
        *_on_figures(evaluation),
        *_on_safety(evaluation),
    )


def _on_ratio(evaluation: Evaluation) -> Iterator[Advice]:
    about, value = "carbon_nitrogen_ratio", evaluation.carbon_nitrogen_ratio
    if evaluation.dry_mass_kg == 0:
        yield Advice(
            about, is_fine=False, text="There is no dry matter in this mix, only water; nothing can rot."
        )
    elif evaluation.nitrogen_kg == 0:
        text = "The mix holds no nitrogen, so C:N has no value; add a green material or a manure."
        yield Advice(about, is_fine=False, text=text)
    elif value is not None:
        band = _RATIO.words("")
        if _RATIO.is_within(value):
            yield Advice(about, is_fine=True, text=f"C:N {plain(value)}: {band}.")
        elif value < _RATIO.low:
            effect = "nitrogen will leave as ammonia and smell; add a brown material: dry leaves, straw, wood chips"
            yield Advice(about, is_fine=False, text=f"C:N {plain(value)} is low: {effect}. {band}.")
        else:
            effect = "it will heat slowly or not at all; add a green material or a manure"
            yield Advice(about, is_fine=False, text=f"C:N {plain(value)} is high: {effect}. {band}.")


def _on_moisture(evaluation: Evaluation) -> Iterator[Advice]:
    about, value = "moisture_pct", evaluation.moisture_pct
    if value is None or not evaluation.dry_mass_kg:
        return
    band = _MOISTURE.words(" %")
    if _MOISTURE.is_within(value):
        text = f"Moisture {plain(value)} %: {band}. A squeezed handful should feel like a wrung-out sponge."
        yield Advice(about, is_fine=True, text=text)
    elif value < _MOISTURE.low:
        litres = plain(water_to_reach_kg(evaluation.mass_kg, value, _DRY_MIX_GOAL_PCT))
        effect = (
            f"rotting slows sharply below 40 % and all but stops below 30 %; {litres} L of water brings 55 %"
        )
        text = f"Moisture {plain(value)} % is low: {effect}. {band}."
        yield Advice(about, is_fine=False, text=text)
    else:
        dry_kg = evaluation.mass_kg * (value - _WET_MIX_GOAL_PCT) / (_WET_MIX_GOAL_PCT - _DRY_MATERIAL_PCT)
        effect = f"air cannot get in and it will smell; {plain(dry_kg)} kg of a material at 15 % brings 60 %"
        text = f"Moisture {plain(value)} % is high: {effect}. {band}."
        yield Advice(about, is_fine=False, text=text)


def _on_air(evaluation: Evaluation) -> Iterator[Advice]:
    about, value = "free_air_space_pct", evaluation.free_air_space_pct
    if value is None:
        return
    band = "35 to 60 % is wanted, 20 % is the floor"
    if value < _AIR.low:
        text = f"Free air space {plain(value)} % is too little: the core will lack air; add chips or straw. {band}"
    elif value < _AIR.best_low:
        text = f"Free air space {plain(value)} % is tight: turn often, or add chips or straw. {band}"
    else:
        text = f"Free air space {plain(value)} %. {band}"
    yield Advice(about, is_fine=value >= _AIR.best_low, text=f"{text} ({_AIR.source}).")


def _on_density(evaluation: Evaluation) -> Iterator[Advice]:
    value = evaluation.bulk_density_kg_m3
    if value is not None and not _DENSITY.is_within(value):
        effect = "heavy; it will settle and shut out air: add chips or straw"
        text = f"Bulk density {plain(value)} kg/m3 is {effect}. {_DENSITY.words(' kg/m3')}."
        yield Advice("bulk_density_kg_m3", is_fine=False, text=text)


def _on_volume(evaluation: Evaluation) -> Iterator[Advice]:
    volume = evaluation.volume_m3
    if volume is None:
        return
    if volume < _SMALL_PILE_M3 * (1 - 1e-9):
        text = (
            f"{plain(volume)} m3 is less than the 1 m3 that a hot pile usually needs to hold its heat (FAO, on-farm"
            " composting methods, second-hand); build bigger, or insulate."
        )
        yield Advice("volume_m3", is_fine=False, text=text)
    water = sum(p.volume_m3 or 0.0 for p in evaluation.ingredients if p.moisture_pct == 100)  # noqa: PLR2004 - all water
    if _FELT_WATER_SHARE * volume < water < volume:
        soaked = volume - water
        air = free_air_space_pct(evaluation.mass_kg / soaked)
        text = (
            f"Water is counted at 1 L per kg. Once it has soaked in, the mix may stand nearer {plain(soaked)} m3 with"
            f" free air space nearer {plain(air)} %."
        )
        yield Advice("volume_m3", is_fine=True, text=text)


def _on_gaps(evaluation: Evaluation) -> Iterator[Advice]:
    for gap in evaluation.missing:
        figure = gap.figure
        if figure == "carbon_pct":
            figure = "carbon (carbon_pct, carbon_nitrogen_ratio or volatile_solids_pct)"
        text = f"{gap.ingredient} has no {figure}, so {', '.join(gap.needed_for)} of the mix cannot be known."
        yield Advice("figures", is_fine=False, text=text)


def _on_figures(evaluation: Evaluation) -> Iterator[Advice]:
    for portion in evaluation.ingredients:
        carbon, nitrogen = portion.carbon_pct, portion.nitrogen_pct or 0.0
        if not carbon or nitrogen > _FERTILISER_NITROGEN_PCT:
            continue
        if carbon > CARBON_HIGH_PCT * (1 + 1e-9):
            doubt = "more than plant matter holds; check that its figures are of one sample and of dry matter"
        elif carbon < CARBON_LOW_PCT * (1 - 1e-9):
            doubt = (
                "true of mineral-rich material only; check that its figures are of dry matter, not as it lies"
            )
        else:
            continue
        text = f"{portion.name}: carbon comes to {plain(carbon)} % of dry matter, {doubt}."
        yield Advice("figures", is_fine=False, text=text)


@dataclass(frozen=True, slots=True)
class _Caution:
    """A warning for some kinds of material, known by category or, failing that, by name."""

    categories: frozenset[str]
    words: re.Pattern[str]
    text: str

    def concerns(self, name: str, category: str | None) -> bool:
        """Whether the caution is due for a material."""
        return category in self.categories or self.words.search(name.lower()) is not None


def _caution(categories: str, words: str, text: str) -> _Caution:
    return _Caution(frozenset(categories.split()), re.compile(rf"\b({words})"), text)


_CAUTIONS: Final = (
    _caution(
        "manure",
        "manure|dung|droppings|guano|chicken litter|poultry litter",
        "Raw manure carries pathogens and weed seeds: gloves, clean hands, and none on food crops before the heat"
        " record of the rule you are under is complete.",
    ),
    _caution(
        "animal-by-product",
        "slaughter|carcass|offal|meat|fish|shrimp|crab|mussel|blood|bone meal|feather",
        "Animal by-products draw vermin and carry pathogens, and most countries license their composting: ask the"
        " local authority before taking any.",
    ),
    _caution(
        "human-waste",
        "sewage|biosolids|night soil|faec|fecal|human|septage|urine",
        "Human waste is under sanitary rules of its own: ask the local authority before composting it or using the"
        " compost, above all on food crops.",
    ),
    _caution(
        "fertiliser",
        "urea|ammonium",
        "Fertiliser nitrogen is released faster than microbes take it: add a half to two thirds of the computed"
        " amount, in several doses, and keep out of the ammonia (Cornell Waste Management Institute).",
    ),
    _caution(
        "",
        "ammonium nitrate",
        "Ammonium nitrate is an oxidiser: never store or premix it with sawdust, straw, oil or other organic matter;"
        " it can burn or explode. Local storage rules apply.",
    ),
    _caution(
        "",
        "(wood )?ash(es)?$|lime$|quicklime|hydrated lime",
        "Ash and lime are caustic and drive off ammonia: gloves, mask, and a few percent at most (common practice, no"
        " source).",
    ),
    _caution(
        "manure straw-hay-silage",
        "manure|hay|straw|grass",
        "Hay, straw, grass and manure can carry persistent herbicides that outlast composting: ask where they come"
        " from, or grow beans in a sample first (Washington State University Whatcom Extension 2011, read).",
    ),
    _caution(
        "straw-hay-silage compost",
        "hay|straw|mould|mold",
        "Dusty or mouldy material sheds spores: wet it before forking and wear a mask (common practice, no source).",
    ),
)


def _on_safety(evaluation: Evaluation) -> Iterator[Advice]:
    due: set[int] = set()
    for portion in evaluation.ingredients:
        if portion.share_of_mass_pct >= _TRACE_PCT:
            due |= _due_for(portion.name, portion.category)
    for place in sorted(due):
        yield Advice("safety", is_fine=False, text=_CAUTIONS[place].text)


@lru_cache(maxsize=4096)
def _due_for(name: str, category: str | None) -> frozenset[int]:
    """Return the places of the cautions due for a material; names come again and again, and patterns are slow."""
    return frozenset(place for place, one in enumerate(_CAUTIONS) if one.concerns(name, category))
