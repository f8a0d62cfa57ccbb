"""Rules of an organisation's own: written once a version, never edited."""

from collections.abc import Mapping
from typing import Any

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.compliance import RULES, read_rule_document
from service.domain.errors import Conflict
from service.operations.reopening import LONG_PAST, reopen
from service.storage import records, rules
from service.storage.tables import OwnRuleRow


def write_rule(session: Session, caller: Caller, document: Mapping[str, Any]) -> OwnRuleRow:
    """Write a rule, or a new version of one; the same text again gives the version there is.

    Raises
    ------
    Invalid
        The document does not fit; names key and reason.
    Conflict
        The id is that of a shipped rule.
    NotAllowed
        The key is for one site only.
    """
    caller.must_be_organisation_wide("rules")
    rule = read_rule_document(document)
    if rule.id in RULES:
        raise Conflict(f"{rule.id} is a rule this service ships, and its text is fixed; choose another id")
    standing = rules.newest(session, caller.organisation_id, rule.id)
    if standing is not None and standing.version == rule.version:
        return standing
    row = OwnRuleRow(
        organisation_id=caller.organisation_id,
        rule=rule.id,
        number=1 if standing is None else standing.number + 1,
        version=rule.version,
        document=dict(document),
        recorded_by=caller.credential_id,
    )
    added = records.add(session, row)
    reopen(session, caller.organisation_id, LONG_PAST)
    return added
