"""Recipes, listed."""

from sqlmodel import Session, col, select

from service.storage.records import Page, page
from service.storage.tables import RecipeRow


def recipes_page(session: Session, organisation_id: int, *, limit: int, after: str | None) -> Page[RecipeRow]:
    """Return the organisation's recipes."""
    statement = select(RecipeRow).where(col(RecipeRow.organisation_id) == organisation_id)
    return page(session, statement, [col(RecipeRow.id)], limit=limit, after=after)
