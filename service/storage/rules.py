"""The rules an organisation may be judged by: those shipped, and the newest version of each of its own."""

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from typing import Final

from sqlmodel import Session, col, select

from service.domain.compliance import RULES, Rule, read_rule_document
from service.storage.tables import OwnRuleRow

_READ: Final[dict[str, Rule]] = {}
"""Rules by their version, which is a digest of all they say; reading one anew takes longer than judging by it."""
_MOST_READ: Final = 1000


def book(session: Session, organisation_id: int, *, known_at: datetime | None = None) -> Mapping[str, Rule]:
    """Return every rule of an organisation by its id.

    Parameters
    ----------
    known_at
        The newest version written by then, of a rule written later its first; the newest of all when None.
    """
    statement = (
        select(OwnRuleRow)
        .where(col(OwnRuleRow.organisation_id) == organisation_id)
        .order_by(col(OwnRuleRow.rule), col(OwnRuleRow.number))
    )
    chosen: dict[str, OwnRuleRow] = {}
    for row in session.exec(statement).all():
        if row.rule not in chosen or known_at is None or row.recorded_at <= known_at:
            chosen[row.rule] = row
    own = {rule: rule_of(row) for rule, row in chosen.items()}
    return MappingProxyType({**RULES, **own}) if own else RULES


def written_after(session: Session, organisation_id: int, moment: datetime) -> list[str]:
    """Return the rules of an organisation's own that had no version by an instant."""
    statement = (
        select(OwnRuleRow.rule)
        .where(
            col(OwnRuleRow.organisation_id) == organisation_id,
            col(OwnRuleRow.number) == 1,
            col(OwnRuleRow.recorded_at) > moment,
        )
        .order_by(col(OwnRuleRow.rule))
    )
    return list(session.exec(statement).all())


def rule_of(row: OwnRuleRow) -> Rule:
    """Return a row's rule; it was checked when it was written."""
    rule = _READ.get(row.version)
    if rule is None:
        if len(_READ) >= _MOST_READ:
            _READ.clear()
        rule = _READ[row.version] = read_rule_document(row.document, name=row.rule)
    return rule


def version_of(session: Session, organisation_id: int, rule: str, version: str) -> Rule | None:
    """Return a rule as it was in one version; None if the service and the organisation have none such."""
    if rule in RULES:
        return RULES[rule] if RULES[rule].version == version else None
    statement = select(OwnRuleRow).where(
        col(OwnRuleRow.organisation_id) == organisation_id,
        col(OwnRuleRow.rule) == rule,
        col(OwnRuleRow.version) == version,
    )
    row = session.exec(statement).first()
    return None if row is None else rule_of(row)


def newest(session: Session, organisation_id: int, rule: str) -> OwnRuleRow | None:
    """Return the newest version of an own rule, if there is one."""
    statement = (
        select(OwnRuleRow)
        .where(col(OwnRuleRow.organisation_id) == organisation_id, col(OwnRuleRow.rule) == rule)
        .order_by(col(OwnRuleRow.number).desc())
        .limit(1)
    )
    return session.exec(statement).one_or_none()
