"""The rules an organisation may be judged by: those shipped, and the newest version of each of its own."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from sqlmodel import Session, col, select

from service.domain.compliance import RULES, Rule, read_rule_document
from service.storage.tables import OwnRuleRow

_READ: Final[dict[str, Rule]] = {}
"""Rules by their version, which is a digest of all they say; reading one anew takes longer than judging by it."""
_MOST_READ: Final = 1000


def book(session: Session, organisation_id: int) -> Mapping[str, Rule]:
    """Return every rule of an organisation by its id."""
    statement = (
        select(OwnRuleRow)
        .where(col(OwnRuleRow.organisation_id) == organisation_id)
        .order_by(col(OwnRuleRow.rule), col(OwnRuleRow.number))
    )
    newest_of = {row.rule: row for row in session.exec(statement).all()}
    own = {rule: rule_of(row) for rule, row in newest_of.items()}
    return MappingProxyType({**RULES, **own}) if own else RULES


def rule_of(row: OwnRuleRow) -> Rule:
    """Return a row's rule; it was checked when it was written."""
    rule = _READ.get(row.version)
    if rule is None:
        if len(_READ) >= _MOST_READ:
            _READ.clear()
        rule = _READ[row.version] = read_rule_document(row.document, name=row.rule)
    return rule


def newest(session: Session, organisation_id: int, rule: str) -> OwnRuleRow | None:
    """Return the newest version of an own rule, if there is one."""
    statement = (
        select(OwnRuleRow)
        .where(col(OwnRuleRow.organisation_id) == organisation_id, col(OwnRuleRow.rule) == rule)
        .order_by(col(OwnRuleRow.number).desc())
        .limit(1)
    )
    return session.exec(statement).one_or_none()
