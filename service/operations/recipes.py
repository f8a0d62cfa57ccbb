"""What a caller can change of recipes, and the materials that a mix names by code."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from functools import cache
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Invalid
from service.domain.recipes import Ingredient, evaluate, find, library
from service.domain.recipes.in_force import lay, of_figures
from service.domain.recipes.origin import GIVEN
from service.operations import sites
from service.operations.feedstocks import FIELDS, in_words, known_of
from service.storage import feedstocks as stored
from service.storage import records
from service.storage.recipes import ingredients_of
from service.storage.tables import RecipeRow


@dataclass(frozen=True)
class OwnMaterials:
    """The organisation's own feedstocks among the codes of a mix.

    Attributes
    ----------
    known
        By code, with the figures in force.
    elsewhere
        Codes that only another site has.
    """

    known: Mapping[str, Ingredient] = field(default_factory=dict)
    elsewhere: frozenset[str] = frozenset()


NOTHING_OWN: Final = OwnMaterials()


def own_materials(
    session: Session,
    caller: Caller,
    codes: Iterable[str],
    *,
    site_id: UUID | None = None,
    on: date | None = None,
) -> OwnMaterials:
    """Read the organisation's own feedstocks with their figures in force.

    Parameters
    ----------
    codes
        As the mix names them; those of the library that the organisation has no feedstock for cost nothing more.
    site_id
        Whose own feedstocks and analyses count too; the key's own site when it is limited to one.
    on
        The day; today when left out.

    Raises
    ------
    Invalid
        No such site, or not one the caller may reach.
    """
    if site_id is not None:
        sites.must_be_own_site(session, caller, site_id)
    at = site_id or caller.site_id
    rows = stored.by_codes(session, caller.organisation_id, sorted(set(codes)))
    here = {code: row for code, row in rows.items() if row.site_id in (None, at)}
    if not here:
        return OwnMaterials({}, frozenset(rows))
    analyses = stored.valid_analyses(
        session, caller.organisation_id, [row.id for row in here.values()], site_id=at, on=on
    )
    known = {code: known_of(row, analyses.get(row.id, [])) for code, row in here.items()}
    return OwnMaterials(known, frozenset(rows) - frozenset(here))


@cache
def _shipped(code: str) -> Ingredient:
    return library()[code].ingredient()


def material_of(code: str, pointer: str, own: OwnMaterials = NOTHING_OWN) -> Ingredient:
    """Return the material of a code: the organisation's own, else the library's.

    Raises
    ------
    Invalid
        It is neither's, or another site's alone.
    """
    if code in own.known:
        return own.known[code]
    if code in library():
        return _shipped(code)
    if code in own.elsewhere:
        detail = f"'{code}' belongs to one site alone; name that site as site_id, or use another feedstock"
        raise Invalid.field(pointer, detail)
    return find(code, pointer).ingredient()


def ingredient_of(
    figures: Mapping[str, float | str],
    pointer: str,
    own: OwnMaterials = NOTHING_OWN,
    *,
    name: str | None = None,
    code: str | None = None,
    mass_kg: float | None = None,
    volume_m3: float | None = None,
) -> Ingredient:
    """Return a material with the figures given laid over those of its feedstock, each with its origin.

    Raises
    ------
    Invalid
        It has neither a name nor a known code.
    """
    if code is None and name is None:
        raise Invalid.field(f"{pointer}/name", "an ingredient needs a name, or a feedstock code")
    if code is None:
        return of_figures(name or "", figures, mass_kg=mass_kg, volume_m3=volume_m3)
    under = material_of(code, f"{pointer}/feedstock", own)
    laid = lay(under, figures, GIVEN)
    return replace(laid, name=name or under.name, mass_kg=mass_kg, volume_m3=volume_m3)


def resolve(
    session: Session, caller: Caller, ingredients: Sequence[Mapping[str, Any]], *, site_id: UUID | None = None
) -> list[dict[str, Any]]:
    """Fill in the figures of ingredients that name a feedstock, and say where each figure comes from.

    Parameters
    ----------
    ingredients
        Each with ``feedstock`` (a code) or a ``name``, figures of its own, and an amount.
    site_id
        Whose own feedstocks and analyses count too.

    Raises
    ------
    Invalid
        A code is neither the organisation's nor the library's.
    """
    codes = [one["feedstock"] for one in ingredients if one.get("feedstock")]
    own = own_materials(session, caller, codes, site_id=site_id)
    return [_kept(one, f"/ingredients/{place}", own) for place, one in enumerate(ingredients)]


def _kept(one: Mapping[str, Any], pointer: str, own: OwnMaterials) -> dict[str, Any]:
    """Return an ingredient as a recipe keeps it: what it was then, whatever is measured later."""
    given = {name: one[name] for name in FIELDS if one.get(name) is not None}
    code = one.get("feedstock")
    filled = ingredient_of(given, pointer, own, name=one.get("name"), code=code)
    figures = {name: value for name in FIELDS if (value := getattr(filled, name)) is not None}
    return {
        "name": filled.name,
        "category": filled.category,
        "feedstock": code,
        **figures,
        **{name: one[name] for name in ("mass_kg", "volume_m3") if one.get(name) is not None},
        "sources": {name: in_words(filled.origins[name]) for name in figures if name in filled.origins},
        "origins": {name: asdict(origin) for name, origin in filled.origins.items()},
    }


def create_recipe(session: Session, caller: Caller, values: Mapping[str, Any]) -> RecipeRow:
    """Write a recipe with the figures its feedstocks have today.

    Raises
    ------
    Invalid
        A feedstock is unknown, or the mix cannot be evaluated.
    """
    caller.must_be_organisation_wide("recipes")
    kept = resolve(session, caller, values["ingredients"], site_id=values.get("site_id"))
    evaluate(ingredients_of(kept))
    return records.add(
        session,
        RecipeRow(
            organisation_id=caller.organisation_id,
            name=values["name"],
            note=values.get("note"),
            ingredients=kept,
        ),
    )


def change_recipe(
    session: Session, caller: Caller, recipe_id: UUID, version: int, changes: Mapping[str, Any]
) -> RecipeRow:
    """Rename a recipe or change its note; its figures stay, for piles stand on them."""
    caller.must_be_organisation_wide("recipes")
    row = records.find(session, RecipeRow, caller.organisation_id, recipe_id, lock=True)
    return records.change(session, row, version, changes)
