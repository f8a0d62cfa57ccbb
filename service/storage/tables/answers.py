"""Answers kept so that a creating call may be repeated with the same ``Idempotency-Key``."""

from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import LargeBinary
from sqlmodel import Field, SQLModel

from service.storage.tables.columns import document, recorded_now, words


class IdempotentAnswerRow(SQLModel, table=True):
    """What a creating call answered the first time."""

    __tablename__ = "idempotent_answer"

    organisation_id: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    credential_id: UUID = Field(primary_key=True)
    operation: str = words(primary_key=True)
    key: str = words(primary_key=True)
    request_digest: bytes = Field(sa_type=LargeBinary)
    status: int | None = None
    headers: dict[str, str] | None = document(default=None)
    body: Any = document(default=None, nullable=True)
    created_at: datetime = recorded_now()
