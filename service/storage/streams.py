"""How far streams of lines were committed."""

from uuid import UUID

from sqlalchemy.dialects.postgresql import insert
from sqlmodel import Session, col, select

from service.domain.authority import Caller
from service.domain.errors import NotFound
from service.storage.tables import ReadingStreamRow


def find(session: Session, caller: Caller, key: str, *, lock: bool = False) -> ReadingStreamRow:
    """Return how far a stream of this key's own came.

    Raises
    ------
    NotFound
        The key sent no stream of that name.
    """
    row = known(session, caller.organisation_id, caller.credential_id, key, lock=lock)
    if row is None:
        raise NotFound("this key has sent no stream of that name")
    return row


def made(session: Session, caller: Caller, key: str) -> ReadingStreamRow:
    """Return a stream, locked; made unless the same one, sent twice at once, was made in the meantime."""
    values = {"organisation_id": caller.organisation_id, "credential_id": caller.credential_id, "key": key}
    session.execute(insert(ReadingStreamRow).values(**values).on_conflict_do_nothing())
    return find(session, caller, key, lock=True)


def known(
    session: Session, organisation_id: int, credential_id: UUID, key: str, *, lock: bool = False
) -> ReadingStreamRow | None:
    """Return a stream if it is known."""
    statement = select(ReadingStreamRow).where(
        col(ReadingStreamRow.organisation_id) == organisation_id,
        col(ReadingStreamRow.credential_id) == credential_id,
        col(ReadingStreamRow.key) == key,
    )
    return session.exec(statement.with_for_update() if lock else statement).one_or_none()
