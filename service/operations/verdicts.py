"""Issuing verdicts: once issued, a verdict stays on file."""

import dataclasses
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.compliance import Verdict
from service.operations import piles
from service.storage import records
from service.storage.tables import VerdictRow

ENGINE_VERSION: Final = "1"
"""Raised whenever the same rule over the same readings could give another verdict."""


def issue(session: Session, caller: Caller, pile_id: UUID, verdict: Verdict) -> VerdictRow:
    """Put a verdict on file, whole."""
    pile = piles.pile_of(session, caller, pile_id)
    return records.add(
        session,
        VerdictRow(
            organisation_id=caller.organisation_id,
            pile_id=pile.id,
            rule=verdict.rule.id,
            rule_version=verdict.rule.version,
            interpretation=verdict.interpretation,
            state=verdict.state,
            readings_digest=verdict.readings_digest,
            engine_version=ENGINE_VERSION,
            judged_at=verdict.judged_at,
            body=as_document(verdict),
        ),
    )


def as_document(value: Any) -> Any:  # noqa: ANN401 - walks any domain value
    """Return a domain value as JSON values: instants as RFC 3339, dataclasses as objects."""
    if dataclasses.is_dataclass(value):
        return {
            field.name.rstrip("_"): as_document(getattr(value, field.name))
            for field in dataclasses.fields(value)
        }
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(name): as_document(one) for name, one in value.items()}
    if isinstance(value, tuple | list):
        return [as_document(one) for one in value]
    return value
