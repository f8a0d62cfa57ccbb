"""Volatile solids of a mix, and the part of them that microbes can take."""

from collections.abc import Sequence
from dataclasses import dataclass

from service.domain.published import Estimate, Unknown
from service.domain.recipes.ingredient import Ingredient
from service.domain.recipes.measures import biodegradable_fraction

from .process import PROCESS

Present = Sequence[tuple[Ingredient, float]]
"""Ingredients with their wet mass in kg, each above 0."""


@dataclass(frozen=True, slots=True)
class Solids:
    """Volatile solids of a mix.

    Attributes
    ----------
    volatile_kg
        Volatile solids.
    is_from_carbon
        For some ingredient they follow from its carbon (times 1.8) rather than from a burned sample.
    biodegradable_kg
        What microbes can take of them, with its range.
    is_assumed
        For some ingredient no Van Soest lignin is known and the usual share was taken.
    """

    volatile_kg: float
    is_from_carbon: bool
    biodegradable_kg: Estimate
    is_assumed: bool


def solids_of(present: Present) -> Solids | None:
    """Sum volatile and biodegradable solids.

    Parameters
    ----------
    present
        Ingredients and their wet masses [kg].

    Returns
    -------
    Solids or None
        ``None`` when an ingredient with dry matter lacks its moisture, or tells neither volatile solids nor carbon.

    References
    ----------
    [1] Adams et al. 1951, as given by the Cornell Waste Management Institute: carbon is volatile solids / 1.8.
    [2] Chandler et al. 1980, see :func:`service.domain.recipes.measures.biodegradable_fraction`.
    """
    usual = PROCESS["biodegradable_share"]
    volatile = value = low = high = 0.0
    is_from_carbon = is_assumed = False
    for ingredient, mass in present:
        if ingredient.is_all_water:
            continue
        dry, of_dry = ingredient.dry_share, ingredient.volatile_solids_of_dry_pct
        if dry is None or of_dry is None:
            return None
        kg = mass * dry * of_dry / 100
        volatile += kg
        is_from_carbon |= ingredient.volatile_solids_pct is None and kg > 0
        share = reachable_share(ingredient)
        is_assumed |= share is None and kg > 0
        value += kg * (usual.value if share is None else share)
        low += kg * (usual.least if share is None else share)
        high += kg * (usual.most if share is None else share)
    return Solids(volatile, is_from_carbon, Estimate(value, low, high), is_assumed)


def reachable_share(ingredient: Ingredient) -> float | None:
    """Return the share of a material's volatile solids that microbes can take; ``None`` without Van Soest lignin."""
    lignin, of_dry = ingredient.lignin_pct, ingredient.volatile_solids_of_dry_pct
    if lignin is None or ingredient.lignin_method != "van_soest" or not of_dry or lignin > of_dry:
        return None
    return biodegradable_fraction(100 * lignin / of_dry)


def biodegradable_ratio(present: Present, nitrogen_kg: float | None) -> float | Unknown:
    """Return carbon that microbes can take over all nitrogen, or why it is not known.

    Parameters
    ----------
    present
        Ingredients and their wet masses [kg].
    nitrogen_kg
        Of the mix, taken as fully available.

    Returns
    -------
    float or Unknown
        By mass. Every material that holds carbon needs its lignin by the Van Soest method: the line was fitted to
        that, and Klason lignin, which is higher, would make straw look like wood.

    References
    ----------
    [1] Chandler et al. 1980, Biotechnology and Bioengineering Symposium 10. From memory. Fitted to long anaerobic
        digestion: compare mixes with it, do not take it as absolute.
    """
    carbon = 0.0
    for ingredient, mass in present:
        share = ingredient.carbon_share
        if share is None:
            return _unknown(f"the carbon or the moisture of {ingredient.name} is not known")
        if share == 0:
            continue
        reachable = reachable_share(ingredient)
        if reachable is None:
            return _unknown(_why_no_lignin(ingredient))
        carbon += mass * share * reachable
    if not nitrogen_kg:
        return _unknown(
            "the nitrogen of the mix is not known" if nitrogen_kg is None else "the mix holds no nitrogen"
        )
    return carbon / nitrogen_kg


def _unknown(because: str) -> Unknown:
    return Unknown("biodegradable_carbon_nitrogen_ratio", because)


def _why_no_lignin(ingredient: Ingredient) -> str:
    remedy = "the Chandler line fits lignin by the Van Soest method only (fibre analysis, ADL)"
    if ingredient.lignin_pct is None:
        return f"the lignin of {ingredient.name} is not known; {remedy}"
    if ingredient.lignin_method is None:
        return f"how the lignin of {ingredient.name} was determined is not known; {remedy}"
    if ingredient.lignin_method == "klason":
        return f"the lignin of {ingredient.name} is Klason lignin, which is higher; {remedy}"
    return f"the lignin of {ingredient.name} is more than its volatile solids; check both figures"
