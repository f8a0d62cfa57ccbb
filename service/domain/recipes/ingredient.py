"""One material of a mix, as its figures stand: unknown stays ``None`` and is never taken for 0."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
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
from .origin import Origin

CARBON_FORMS: Final = ("carbon_pct", "carbon_nitrogen_ratio", "volatile_solids_pct")
"""What tells carbon: the first two exclude each other; volatile solids may stand beside either."""
LIGNIN_METHODS: Final = ("van_soest", "klason")
"""How lignin was determined; Klason lignin is higher, and the two are never mixed."""
_ALL_WATER_PCT: Final = 100.0
_SAME_RATIO: Final = 0.02
"""Figures printed to two digits agree this closely."""


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
    carbon_pct, carbon_nitrogen_ratio
        At most one. Carbon is given in % of dry matter, or as nitrogen times the ratio.
    volatile_solids_pct
        % of dry matter. Tells carbon (volatile solids / 1.8) where neither of the two above does.
    bulk_density_kg_m3
        Wet mass of a loose cubic metre.
    mass_kg, volume_m3
        Wet mass, or loose volume (which needs ``bulk_density_kg_m3``). Exactly one for evaluating, none for
        solving.
    category
        The library's category, which decides the cautions given; ``None`` when unknown.
    lignin_pct, lignin_method
        % of dry matter, and how it was determined: one of :data:`LIGNIN_METHODS`, ``None`` when not told.
    phosphorus_pct, potassium_pct
        The elements, % of dry matter.
    origins
        Where each figure came from, by its name; empty when nobody told.
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
    lignin_pct: float | None = None
    lignin_method: str | None = None
    phosphorus_pct: float | None = None
    potassium_pct: float | None = None
    origins: Mapping[str, Origin] = field(default_factory=dict, compare=False)

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
        """Carbon, % of dry matter: as given, else nitrogen times C:N, else volatile solids / 1.8."""
        if self.carbon_pct is not None:
            return self.carbon_pct
        if self.carbon_nitrogen_ratio is not None and self.nitrogen_pct is not None:
            return self.carbon_nitrogen_ratio * self.nitrogen_pct
        if self.volatile_solids_pct is not None:
            return self.volatile_solids_pct * CARBON_OF_VOLATILE_SOLIDS
        return None

    @property
    def volatile_solids_of_dry_pct(self) -> float | None:
        """Volatile solids, % of dry matter: as given, else carbon times 1.8, which cannot pass 100."""
        if self.volatile_solids_pct is not None:
            return self.volatile_solids_pct
        carbon = self.carbon_of_dry_pct
        return None if carbon is None else min(100.0, carbon / CARBON_OF_VOLATILE_SOLIDS)

    @property
    def nitrogen_of_dry_pct(self) -> float | None:
        """Nitrogen, % of dry matter: as given, else carbon over C:N."""
        if self.nitrogen_pct is not None or self.carbon_nitrogen_ratio is None:
            return self.nitrogen_pct
        carbon = self.carbon_of_dry_pct
        return None if carbon is None else carbon / self.carbon_nitrogen_ratio

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
        return self._wet_share(self.nitrogen_of_dry_pct)

    @property
    def carbon_share(self) -> float | None:
        """Carbon, kg per kg wet."""
        return self._wet_share(self.carbon_of_dry_pct)

    def _wet_share(self, of_dry_pct: float | None) -> float | None:
        if self.is_all_water:
            return 0.0
        dry = self.dry_share
        return None if dry is None or of_dry_pct is None else dry * of_dry_pct / 100


def overlay(ingredient: Ingredient, **measured: float | str | None) -> Ingredient:
    """Put measured figures over an ingredient's own.

    A carbon form replaces whichever told carbon before; volatile solids that were there stay beside it unless they
    are now less than the carbon they hold. Nitrogen alone keeps the *carbon* content, which varies less between
    samples than C:N does: keeping a handbook ratio beside a measured nitrogen would invent carbon. A measured
    lignin drops the method of the old one.

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
    given: dict[str, Any] = {name: value for name, value in measured.items() if value is not None}
    if "lignin_pct" in given:
        ingredient = replace(ingredient, lignin_method=None)
    if any(form in given for form in CARBON_FORMS):
        ingredient = replace(ingredient, carbon_pct=None, carbon_nitrogen_ratio=None)
    elif "nitrogen_pct" in given and (kept := ingredient.carbon_of_dry_pct) is not None:
        ingredient = replace(ingredient, carbon_pct=kept, carbon_nitrogen_ratio=None)
    merged = replace(ingredient, **given)
    if "volatile_solids_pct" not in given and _more_carbon_than_volatile_solids(merged):
        return replace(merged, volatile_solids_pct=None)
    return merged


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
    errors += faults(f"{pointer}/lignin_pct", ingredient.lignin_pct, PERCENT_OF_DRY)
    errors += faults(f"{pointer}/phosphorus_pct", ingredient.phosphorus_pct, PERCENT_OF_DRY)
    errors += faults(f"{pointer}/potassium_pct", ingredient.potassium_pct, PERCENT_OF_DRY)
    return errors or _check_carbon(ingredient, pointer) or _check_lignin(ingredient, pointer)


def _check_carbon(ingredient: Ingredient, pointer: str) -> list[FieldError]:
    """Check the figures against one another, each being possible by itself."""
    if ingredient.carbon_pct is not None and ingredient.carbon_nitrogen_ratio is not None:
        return [FieldError(f"{pointer}/carbon_nitrogen_ratio", _two_tell_carbon(ingredient))]
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
        told = next(form for form in CARBON_FORMS if getattr(ingredient, form) is not None)
        return [FieldError(f"{pointer}/{told}", detail)]
    if _more_carbon_than_volatile_solids(ingredient):
        detail = (
            f"{plain(ingredient.volatile_solids_pct or 0)} % of volatile solids cannot hold {plain(carbon or 0)} % of"
            " carbon, which is about 55 % of them; one is not of dry matter, or they come from different samples:"
            " leave out the one you trust less"
        )
        return [FieldError(f"{pointer}/volatile_solids_pct", detail)]
    return []


def _two_tell_carbon(ingredient: Ingredient) -> str:
    """Say why carbon beside C:N is refused even when they agree: which one was measured cannot be told."""
    carbon, ratio = ingredient.carbon_pct or 0, ingredient.carbon_nitrogen_ratio or 1
    remedy = "carbon is given as carbon_pct and carbon_nitrogen_ratio; give exactly one of them"
    if not ingredient.nitrogen_pct:
        return f"{remedy}, with nitrogen_pct: {plain(carbon)} % and {plain(ratio)} make {plain(carbon / ratio)} %"
    made = carbon / ingredient.nitrogen_pct
    verdict = "agrees with" if abs(made - ratio) <= _SAME_RATIO * ratio else "contradicts"
    return (
        f"{remedy}: {plain(carbon)} % of carbon and {plain(ingredient.nitrogen_pct)} % of nitrogen make C:N"
        f" {plain(made)}, which {verdict} the {plain(ratio)} given"
    )


def _more_carbon_than_volatile_solids(ingredient: Ingredient) -> bool:
    solids, carbon = ingredient.volatile_solids_pct, ingredient.carbon_of_dry_pct
    return solids is not None and carbon is not None and carbon > solids * (1 + 1e-12)


def _check_lignin(ingredient: Ingredient, pointer: str) -> list[FieldError]:
    lignin, method, solids = ingredient.lignin_pct, ingredient.lignin_method, ingredient.volatile_solids_pct
    if method is not None and method not in LIGNIN_METHODS:
        detail = f"'{method[:40]}' is not one of {', '.join(LIGNIN_METHODS)}; leave it out when not known"
        return [FieldError(f"{pointer}/lignin_method", detail)]
    if method is not None and lignin is None:
        return [FieldError(f"{pointer}/lignin_method", "a method without lignin_pct; give the figure too")]
    if lignin is not None and solids is not None and lignin > solids:
        detail = (
            f"{plain(lignin)} % of lignin is more than the {plain(solids)} % of volatile solids it is part of; give"
            " both in % of dry matter"
        )
        return [FieldError(f"{pointer}/lignin_pct", detail)]
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
