"""What a mix will do: the figures of an evaluation beside its balances, each known or with a reason why not."""

from dataclasses import replace
from typing import TypeVar

from service.domain.published import Unknown
from service.domain.recipes.evaluation import Evaluation
from service.domain.recipes.ingredient import Ingredient

from .energy import EnergyBudget, energy_budget
from .nitrogen_loss import nitrogen_loss
from .oxygen import OxygenDemand, first_week_oxygen
from .settling import Settling, air_space, settle
from .shrink import expected_shrink
from .size import pile_size
from .solids import Present, Solids, biodegradable_ratio, solids_of
from .surroundings import Surroundings

_T = TypeVar("_T")


def with_outlook(
    evaluation: Evaluation, present: Present, *, mixing_shrink_pct: float | None, surroundings: Surroundings
) -> Evaluation:
    """Add to an evaluation what the mix will do.

    Parameters
    ----------
    evaluation
        With its balances; nothing else of it is read.
    present
        Ingredients and their wet masses [kg], each above 0.
    mixing_shrink_pct
        As measured; ``None``: assumed by texture.
    surroundings
        Air, climate, decay, pH, bay.

    Returns
    -------
    Evaluation
        With ``reasons`` for whatever stays ``None``.
    """
    reasons: list[Unknown] = []

    def known(found: _T | Unknown) -> _T | None:
        if isinstance(found, Unknown):
            reasons.append(found)
            return None
        return found

    solids = known(_solids(present))
    settling = known(_settling(evaluation, present, mixing_shrink_pct))
    settled = None if settling is None else settling.volume_m3.value
    reachable = known(biodegradable_ratio(present, evaluation.nitrogen_kg))
    dry, density = evaluation.dry_mass_kg, evaluation.bulk_density_kg_m3
    organic = None if solids is None or not dry else 100 * solids.volatile_kg / dry
    return replace(
        evaluation,
        biodegradable_carbon_nitrogen_ratio=reachable,
        volatile_solids_kg=None if solids is None else solids.volatile_kg,
        volatile_solids_pct=organic,
        volatile_solids_from_carbon=None if solids is None else solids.is_from_carbon,
        biodegradable_solids_kg=None if solids is None else solids.biodegradable_kg.value,
        settled_volume_m3=settled,
        settling=settling,
        air_space=None
        if density is None or settling is None
        else air_space(density, settling.bulk_density_kg_m3, evaluation.moisture_pct, organic),
        energy=known(_energy(evaluation, solids)),
        first_week_oxygen=known(_oxygen(solids, surroundings.decay)),
        nitrogen_loss=known(
            nitrogen_loss(
                evaluation.carbon_nitrogen_ratio,
                reachable,
                evaluation.nitrogen_kg,
                surroundings.ph,
                evaluation.ingredients,
            )
        ),
        shrink=expected_shrink(evaluation.mass_kg, settled),
        pile_size=known(pile_size(settled, solids, surroundings)),
        reasons=tuple(reasons),
    )


def _solids(present: Present) -> Solids | Unknown:
    found = solids_of(present)
    if found is not None:
        return found
    lacking = ", ".join(dict.fromkeys(i.name for i, _ in present if _hides_solids(i)))
    remedy = "give moisture_pct, and volatile_solids_pct or carbon"
    return Unknown("volatile_solids_kg", f"the volatile solids of {lacking} are not known; {remedy}")


def _hides_solids(ingredient: Ingredient) -> bool:
    if ingredient.is_all_water:
        return False
    return ingredient.moisture_pct is None or ingredient.volatile_solids_of_dry_pct is None


def _settling(evaluation: Evaluation, present: Present, given_pct: float | None) -> Settling | Unknown:
    if evaluation.volume_m3 is None:
        return Unknown("settled_volume_m3", "the bulk density of an ingredient is not known; see missing")
    return settle(present, evaluation.mass_kg, evaluation.volume_m3, given_pct)


def _energy(evaluation: Evaluation, solids: Solids | None) -> EnergyBudget | Unknown:
    dry = evaluation.dry_mass_kg
    if solids is None or dry is None:
        return Unknown("energy", "the volatile solids of the mix are not known")
    return energy_budget(evaluation.mass_kg - dry, solids)


def _oxygen(solids: Solids | None, decay: str | None) -> OxygenDemand | Unknown:
    if solids is None:
        return Unknown("first_week_oxygen", "the volatile solids of the mix are not known")
    return first_week_oxygen(solids, decay)
