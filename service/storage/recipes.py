"""Recipes, listed and read back."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from sqlmodel import Session, col, select

from service.domain.recipes import Ingredient
from service.domain.recipes.origin import Origin
from service.storage.records import Page, page
from service.storage.tables import RecipeRow

_BESIDE_FIGURES: Final = frozenset({"feedstock", "sources", "origins"})


def recipes_page(session: Session, organisation_id: int, *, limit: int, after: str | None) -> Page[RecipeRow]:
    """Return the organisation's recipes."""
    statement = select(RecipeRow).where(col(RecipeRow.organisation_id) == organisation_id)
    return page(session, statement, [col(RecipeRow.id)], limit=limit, after=after)


def ingredients_of(kept: Sequence[Mapping[str, Any]]) -> list[Ingredient]:
    """Return a kept recipe's ingredients as the domain's, with the figures they were written with."""
    return [
        Ingredient(
            **{name: value for name, value in one.items() if name not in _BESIDE_FIGURES},
            origins=_origins(one),
        )
        for one in kept
    ]


def _origins(one: Mapping[str, Any]) -> dict[str, Origin]:
    """Return where each figure came from; recipes kept before the whole of it was kept tell it in words alone."""
    if "origins" in one:
        return {name: Origin(**told) for name, told in one["origins"].items()}
    return {name: Origin("recipe", words, "given") for name, words in (one.get("sources") or {}).items()}
