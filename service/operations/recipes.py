"""What a caller can change of recipes."""

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Invalid
from service.domain.recipes import Ingredient, evaluate, find, overlay
from service.operations.feedstocks import FIGURES, in_force
from service.storage import feedstocks as stored
from service.storage import records
from service.storage.recipes import ingredients_of
from service.storage.tables import AnalysisRow, FeedstockRow, RecipeRow


def resolve(
    session: Session, caller: Caller, ingredients: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Fill in the figures of ingredients that name a feedstock, and say where each figure comes from.

    Parameters
    ----------
    ingredients
        Each with ``feedstock`` (a code) or a ``name``, figures of its own, and an amount.

    Raises
    ------
    Invalid
        A code is neither the organisation's nor the library's.
    """
    codes = [one["feedstock"] for one in ingredients if one.get("feedstock")]
    own = stored.by_codes(session, caller.organisation_id, codes)
    analyses = stored.analyses_of(session, caller.organisation_id, [row.id for row in own.values()])
    return [_filled(one, f"/ingredients/{place}", own, analyses) for place, one in enumerate(ingredients)]


def _filled(
    one: Mapping[str, Any],
    pointer: str,
    own: Mapping[str, FeedstockRow],
    analyses: Mapping[UUID, list[AnalysisRow]],
) -> dict[str, Any]:
    given = {name: one[name] for name in FIGURES if one.get(name) is not None}
    code, name, category = one.get("feedstock"), one.get("name"), None
    base, origin = Ingredient(name=name or ""), dict[str, str]()
    if code is not None and code in own:
        row = own[code]
        known, origin = in_force(row, analyses.get(row.id, []))
        base = Ingredient(name=row.name, category=row.category, **known)
    elif code is not None:
        base = find(code, f"{pointer}/feedstock").ingredient()
        origin = {figure: "shipped library" for figure in FIGURES if getattr(base, figure) is not None}
    name, category = name or base.name, base.category
    if not name:
        raise Invalid.field(f"{pointer}/name", "an ingredient needs a name, or a feedstock code")
    merged = overlay(base, **given)
    figures = {figure: value for figure in FIGURES if (value := getattr(merged, figure)) is not None}
    sources = {
        figure: "given in the recipe"
        if figure in given
        else origin.get(figure, "carbon kept beside the nitrogen given")
        for figure in figures
    }
    amount = {n: one[n] for n in ("mass_kg", "volume_m3") if one.get(n) is not None}
    return {"name": name, "category": category, "feedstock": code, **figures, **amount, "sources": sources}


def create_recipe(session: Session, caller: Caller, values: Mapping[str, Any]) -> RecipeRow:
    """Write a recipe with the figures its feedstocks have today.

    Raises
    ------
    Invalid
        A feedstock is unknown, or the mix cannot be evaluated.
    """
    caller.must_be_organisation_wide("recipes")
    kept = resolve(session, caller, values["ingredients"])
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
