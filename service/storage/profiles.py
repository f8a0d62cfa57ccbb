"""Profiles: how one kind of file or uplink is read."""

from sqlmodel import Session, col, select

from service.storage.records import Page, page
from service.storage.tables import ReadingProfileRow


def by_name(session: Session, organisation_id: int, name: str) -> ReadingProfileRow | None:
    """Return a profile if the organisation has one of that name."""
    statement = select(ReadingProfileRow).where(
        col(ReadingProfileRow.organisation_id) == organisation_id, col(ReadingProfileRow.name) == name
    )
    return session.exec(statement).one_or_none()


def profiles_page(
    session: Session, organisation_id: int, *, limit: int, after: str | None
) -> Page[ReadingProfileRow]:
    """Return the organisation's profiles, oldest first."""
    statement = select(ReadingProfileRow).where(col(ReadingProfileRow.organisation_id) == organisation_id)
    return page(session, statement, [col(ReadingProfileRow.id)], limit=limit, after=after)
