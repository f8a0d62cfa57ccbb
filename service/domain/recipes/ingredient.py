"""One material of a mix, as its figures stand: unknown stays ``None`` and is never taken for 0."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from service.domain.errors import FieldError, Invalid

from .figures import (
    CARBON_OF_VOLATILE_SOLIDS,
    DENSITY,
    MASS,
    MOISTURE,
    NITROGEN,
    PERCENT_OF_DRY,
    RATIO,
    VOLUME,
    faults,
    plain,
)

CARBON_FORMS: Final = ("carbon_pct", "carbon_nitrogen_ratio", "volatile_solids_pct")
_ALL_WATER_PCT: Final = 100.0


@dataclass(frozen=True, slots=True)
class Ingredient:
    """A material and, for evaluating, how much of it.

    Attributes
    ----------
    name
        What the crew calls it.
    moisture_pct
        Water, % of wet mass. At 100 there is no dry matter, so no figure of it is needed.
    nitrogen_pct
        % of dry matter; 0 is a figure (wood ash, gypsum).
    carbon_pct, carbon_nitrogen_ratio, volatile_solids_pct
        At most one. Carbon is given in % of dry matter, or as nitrogen times the ratio, or as volatile solids
        (% of dry matter) / 1.8.
    bulk_density_kg_m3
        Wet mass of a loose cubic metre.
    mass_kg, volume_m3
        Wet mass, or loose volume (which needs ``bulk_density_kg_m3``). Exactly one for evaluating, none for
        solving.
    category
        The library's category, which decides the cautions given; ``None`` when unknown.
    """

    name: str
    moisture_pct: float | None = None
    nitrogen_pct: float | None = None
    carbon_pct: float | None = None
    carbon_nitrogen_ratio: float | None = None
    volatile_solids_pct: float | None = None
    bulk_density_kg_m3: float | None = None
    mass_kg: float | None = None
    volume_m3: float | None = None
    category: str | None = None

    @property
    def is_all_water(self) -> bool:
        """Whether it holds no dry matter."""
        return self.moisture_pct == _ALL_WATER_PCT

    @property
    def dry_share(self) -> float | None:
        """Dry matter, kg per kg wet."""
        return None if self.moisture_pct is None else 1 - self.moisture_pct / 100

    @property
    def carbon_of_dry_pct(self) -> float | None:
        """Carbon, % of dry matter, from whichever form was given."""
        if self.carbon_pct is not None:
            return self.carbon_pct
        if self.volatile_solids_pct is not None:
            return self.volatile_solids_pct * CARBON_OF_VOLATILE_SOLIDS
        if self.carbon_nitrogen_ratio is not None and self.nitrogen_pct is not None:
            return self.carbon_nitrogen_ratio * self.nitrogen_pct
        return None

    @property
    def ratio(self) -> float | None:
        """C:N by mass; ``None`` when unknown or when there is no nitrogen to divide by."""
        if self.carbon_nitrogen_ratio is not None:
            return self.carbon_nitrogen_ratio
        carbon = self.carbon_of_dry_pct
        return carbon / self.nitrogen_pct if carbon is not None and self.nitrogen_pct else None

    @property
    def nitrogen_share(self) -> float | None:
        """Nitrogen, kg per kg wet."""
        return self._wet_share(self.nitrogen_pct)

    @property
    def carbon_share(self) -> float | None:
        """Carbon, kg per kg wet."""
        return self._wet_share(self.carbon_of_dry_pct)

    def _wet_share(self, of_dry_pct: float | None) -> float | None:
        if self.is_all_water:
            return 0.0
        dry = self.dry_share
        return None if dry is None or of_dry_pct is None else dry * of_dry_pct / 100


def overlay(ingredient: Ingredient, **measured: float | None) -> Ingredient:
    """Put measured figures over an ingredient's own.

    A carbon form replaces whichever form was there. Nitrogen alone keeps the *carbon* content, which varies less
    between samples than C:N does: keeping a handbook ratio beside a measured nitrogen would invent carbon.

    Parameters
    ----------
    ingredient
        Usually a row of the library.
    **measured
        Fields of :class:`Ingredient`; ``None`` leaves the field as it is.

    Returns
    -------
    Ingredient
        Not yet checked; evaluating or solving checks it.
    """
    given: dict[str, Any] = {field: value for field, value in measured.items() if value is not None}
    kept = None if any(form in given for form in CARBON_FORMS) else ingredient.carbon_of_dry_pct
    if kept is None and not any(form in given for form in CARBON_FORMS):
        return replace(ingredient, **given)
    if kept is None or "nitrogen_pct" in given:
        ingredient = replace(
            ingredient, carbon_pct=kept, carbon_nitrogen_ratio=None, volatile_solids_pct=None
        )
    return replace(ingredient, **given)


def check_figures(ingredient: Ingredient, pointer: str) -> list[FieldError]:
    """Find what is wrong with the figures of one ingredient, amounts aside.

    Parameters
    ----------
    ingredient
        As given.
    pointer
        Where it stands in the request, for example ``/ingredients/0``.

    Returns
    -------
    list of FieldError
        Empty when every figure is possible.
    """
    errors: list[FieldError] = []
    if not ingredient.name.strip():
        errors.append(FieldError(f"{pointer}/name", "the name is empty; give the material a name"))
    errors += faults(f"{pointer}/moisture_pct", ingredient.moisture_pct, MOISTURE)
    errors += faults(f"{pointer}/nitrogen_pct", ingredient.nitrogen_pct, NITROGEN)
    errors += faults(f"{pointer}/carbon_pct", ingredient.carbon_pct, PERCENT_OF_DRY)
    errors += faults(f"{pointer}/volatile_solids_pct", ingredient.volatile_solids_pct, PERCENT_OF_DRY)
    errors += faults(f"{pointer}/carbon_nitrogen_ratio", ingredient.carbon_nitrogen_ratio, RATIO)
    errors += faults(f"{pointer}/bulk_density_kg_m3", ingredient.bulk_density_kg_m3, DENSITY)
    return errors or _check_carbon(ingredient, pointer)


def _check_carbon(ingredient: Ingredient, pointer: str) -> list[FieldError]:
    """Check the figures against one another, each being possible by itself."""
    forms = [form for form in CARBON_FORMS if getattr(ingredient, form) is not None]
    if len(forms) > 1:
        detail = f"carbon is given as {' and '.join(forms)}; give exactly one of them"
        return [FieldError(f"{pointer}/{forms[1]}", detail)]
    carbon, nitrogen = ingredient.carbon_of_dry_pct, ingredient.nitrogen_pct
    if ingredient.carbon_nitrogen_ratio is not None and nitrogen == 0:
        detail = "a ratio to no nitrogen is undefined (nitrogen_pct is 0); give carbon_pct instead"
        return [FieldError(f"{pointer}/carbon_nitrogen_ratio", detail)]
    if carbon is not None and nitrogen is not None and carbon + nitrogen > 100 * (1 + 1e-12):
        detail = (
            f"carbon {plain(carbon)} % and nitrogen {plain(nitrogen)} % are more than the whole dry matter; the"
            " figures come from different samples, or one is not of dry matter: keep the C:N and give carbon_pct"
            " (wood about 49), or measure"
        )
        return [FieldError(f"{pointer}/{forms[0]}", detail)]
    return []


def check_amount(ingredient: Ingredient, pointer: str) -> list[FieldError]:
    """Find what is wrong with the amount of one ingredient of a mix to evaluate."""
    if ingredient.mass_kg is None and ingredient.volume_m3 is None:
        return [FieldError(pointer, f"{ingredient.name} has no amount; give mass_kg or volume_m3")]
    if ingredient.mass_kg is not None and ingredient.volume_m3 is not None:
        detail = "mass_kg and volume_m3 are both given; give exactly one"
        return [FieldError(f"{pointer}/volume_m3", detail)]
    if ingredient.volume_m3 is not None and ingredient.bulk_density_kg_m3 is None:
        detail = "a volume needs the bulk density to become a mass; weigh a bucket of it, or give mass_kg"
        return [FieldError(f"{pointer}/bulk_density_kg_m3", detail)]
    return [
        *faults(f"{pointer}/mass_kg", ingredient.mass_kg, MASS),
        *faults(f"{pointer}/volume_m3", ingredient.volume_m3, VOLUME),
    ]


def refuse_faults(errors: Sequence[FieldError]) -> None:
    """Raise all faults at once, so that the caller mends them in one go.

    Raises
    ------
    Invalid
        When there is any.
    """
    if errors:
        raise Invalid(*errors)
