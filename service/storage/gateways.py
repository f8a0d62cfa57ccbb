"""Gateways as the broker names them; what they tell of themselves, and what of it nobody could read, put down."""

from uuid import UUID

from sqlalchemy.dialects.postgresql import insert
from sqlmodel import Session, col, select

from service.storage.tables import GatewayRow, GatewayStateRow, OrganisationRow, QuarantinedMessageRow


def organisation_exists(session: Session, organisation_id: int) -> bool:
    """Return whether the organisation the transaction is in is there at all."""
    statement = select(OrganisationRow.organisation_id).where(
        col(OrganisationRow.organisation_id) == organisation_id
    )
    return session.exec(statement).one_or_none() is not None


def named(session: Session, organisation_id: int, name: str) -> GatewayRow | None:
    """Return a gateway by its id or, failing that, by its name."""
    ours = select(GatewayRow).where(col(GatewayRow.organisation_id) == organisation_id)
    try:
        gateway_id = UUID(name)
    except ValueError:
        found = None
    else:
        found = session.exec(ours.where(col(GatewayRow.id) == gateway_id)).one_or_none()
    return found or session.exec(ours.where(col(GatewayRow.name) == name)).one_or_none()


def put_state(session: Session, row: GatewayStateRow) -> None:
    """Keep what a gateway last told of itself, unless something later is kept already."""
    values = row.model_dump()
    statement = insert(GatewayStateRow).values(**values)
    session.execute(
        statement.on_conflict_do_update(
            index_elements=["organisation_id", "gateway_id"],
            set_={name: statement.excluded[name] for name in values},
            where=col(GatewayStateRow.told_at) <= statement.excluded.told_at,
        )
    )


def put_quarantined(session: Session, row: QuarantinedMessageRow) -> None:
    """Keep a message that could not be read; one that is kept already stays as it is."""
    session.execute(insert(QuarantinedMessageRow).values(**row.model_dump()).on_conflict_do_nothing())
