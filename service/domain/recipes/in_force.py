"""Laying figures over one another, the better known over the less, and keeping where each came from."""

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from types import MappingProxyType
from typing import Any, Final

from .feedstock import FIGURES
from .ingredient import Ingredient, overlay
from .origin import GIVEN, Origin, weakest

_PARTS: Final[Mapping[str, tuple[str, ...]]] = {
    "carbon_pct": ("nitrogen_pct", "carbon_nitrogen_ratio"),
    "nitrogen_pct": ("carbon_pct", "carbon_nitrogen_ratio"),
    "carbon_nitrogen_ratio": ("carbon_pct", "nitrogen_pct"),
}
_HOW: Final = {
    "nitrogen_pct": "carbon / C:N",
    "carbon_pct": "nitrogen times C:N, or volatile solids / 1.8",
    "carbon_nitrogen_ratio": "carbon / nitrogen",
}
_DERIVED_OF_GIVEN: Final = {
    name: Origin("derived", GIVEN.source, GIVEN.status, note=how) for name, how in _HOW.items()
}


def figures_of(ingredient: Ingredient) -> dict[str, float]:
    """Return every figure an ingredient has, the third of carbon, nitrogen and C:N among them."""
    known = {name: getattr(ingredient, name) for name in FIGURES}
    known["nitrogen_pct"] = ingredient.nitrogen_of_dry_pct
    known["carbon_pct"] = ingredient.carbon_of_dry_pct
    known["carbon_nitrogen_ratio"] = ingredient.ratio
    return {name: value for name, value in known.items() if value is not None}


def lay(
    under: Ingredient, figures: Mapping[str, float | str], origin: Mapping[str, Origin] | Origin
) -> Ingredient:
    """Put better known figures over an ingredient's own and say where each now comes from.

    Parameters
    ----------
    under
        With its origins.
    figures
        Fields of :class:`Ingredient` that are known; see :func:`overlay` for how carbon behaves.
    origin
        Of all of them, or of each by its name.

    Returns
    -------
    Ingredient
        A figure that follows from one of these and an older one is ``derived`` from both.
    """
    if not figures:
        return under
    merged = overlay(under, **figures)
    before, origins = figures_of(under), dict[str, Origin]()
    left: list[str] = []
    for name, value in figures_of(merged).items():
        if name in figures:
            origins[name] = origin if isinstance(origin, Origin) else origin[name]
        elif name in under.origins and before.get(name) == value:
            origins[name] = under.origins[name]
        elif name in _PARTS:
            left.append(name)
    # of the three, at most one follows from the other two; carbon first, for the others may follow from it
    for name in sorted(left, key=tuple(_PARTS).index):
        origins[name] = _derived(name, origins, under.origins)
    return replace(merged, origins=origins)


@cache
def _origins_of_given(names: frozenset[str], *, has_nitrogen: bool) -> Mapping[str, Origin]:
    """Return where the figures of a material given by these figures alone come from; there are few such sets."""
    figures = dict.fromkeys(names, 1.0) | ({} if has_nitrogen else {"nitrogen_pct": 0.0})
    return MappingProxyType(lay(Ingredient(""), figures, GIVEN).origins)


def of_figures(
    name: str, figures: Mapping[str, Any], *, mass_kg: float | None = None, volume_m3: float | None = None
) -> Ingredient:
    """Return a material given by figures alone, not yet checked: as laying them over nothing, but quicker.

    Parameters
    ----------
    name
        What the crew calls it.
    figures
        Fields of :class:`Ingredient` that are known.
    mass_kg, volume_m3
        How much of it, where that is known.
    """
    origins = _origins_of_given(frozenset(figures), has_nitrogen=figures.get("nitrogen_pct") != 0)
    return Ingredient(name, **figures, mass_kg=mass_kg, volume_m3=volume_m3, origins=origins)


def _derived(name: str, over: Mapping[str, Origin], under: Mapping[str, Origin]) -> Origin:
    parts = [found for part in _PARTS[name] if (found := over.get(part) or under.get(part)) is not None]
    if name == "carbon_pct" and len(parts) < len(_PARTS[name]) and "volatile_solids_pct" in over:
        parts = [over["volatile_solids_pct"]]
    if not parts or all(part is GIVEN for part in parts):
        return _DERIVED_OF_GIVEN[name]
    sources = "; ".join(dict.fromkeys(part.source for part in parts))
    return Origin("derived", sources, weakest(part.status for part in parts), note=_HOW[name])
