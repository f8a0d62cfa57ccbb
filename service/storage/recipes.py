"""Recipes, listed and read back."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlmodel import Session, col, select

from service.domain.recipes import Ingredient
from service.storage.records import Page, page
from service.storage.tables import RecipeRow


def recipes_page(session: Session, organisation_id: int, *, limit: int, after: str | None) -> Page[RecipeRow]:
    """Return the organisation's recipes."""
    statement = select(RecipeRow).where(col(RecipeRow.organisation_id) == organisation_id)
    return page(session, statement, [col(RecipeRow.id)], limit=limit, after=after)


def ingredients_of(kept: Sequence[Mapping[str, Any]]) -> list[Ingredient]:
    """Return a kept recipe's ingredients as the domain's, with the figures they were written with."""
    return [
        Ingredient(**{name: value for name, value in one.items() if name not in {"feedstock", "sources"}})
        for one in kept
    ]
