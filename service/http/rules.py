"""The rules piles are judged by: those shipped, and an organisation's own."""

from typing import Any, Literal

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from pydantic import Field, RootModel

from service.domain.authority import Caller
from service.domain.compliance import RULES, Rule
from service.domain.errors import Invalid, NotFound
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import CreateOnce, PageOut
from service.http.values import Out, shown_as
from service.operations import rules as own_rules
from service.storage import rules

router = APIRouter(tags=["compliance"])


class RuleOut(Out):
    """A published time-temperature rule as it is encoded here."""

    id: str
    title: str
    jurisdiction: str
    methods: list[str]
    phrase: str
    citation: str
    text_as_of: str
    text_status: Literal["read", "second-hand", "unverified"]
    version: str
    duties: list[str]


@router.get("/rules", response_model=PageOut[RuleOut])
def list_rules(caller: CanRead, database: Database) -> object:
    """List the rules, those shipped and the newest version of the organisation's own; all fit on one page."""
    with database.begin(caller.organisation_id) as session:
        book = rules.book(session, caller.organisation_id)
    return {"items": [_rule_out(rule) for rule in book.values()], "next": None}


@router.get("/rules/{rule_id}", response_model=RuleOut)
def get_rule(rule_id: str, caller: CanRead, database: Database) -> object:
    """Return one rule."""
    with database.begin(caller.organisation_id) as session:
        book = rules.book(session, caller.organisation_id)
    if rule_id not in book:
        raise NotFound("no rule with this id; GET /v1/rules lists them")
    return _rule_out(book[rule_id])


class RuleDocument(RootModel[dict[str, Any]]):
    """A rule in the form of the shipped ones: id, title, phrase, citation, text_status, holds, turns, duties ..."""

    model_config = shown_as(
        {
            "id": "permit-yard-3",
            "title": "Permit of yard 3, critical limits",
            "jurisdiction": "site",
            "methods": ["any"],
            "phrase": "60 °C or more for two days in every part of the pile",
            "citation": "Permit 2026-17, condition 4",
            "text_source": "The permit itself",
            "text_as_of": "2026-05-04",
            "text_status": "read",
            "holds": [
                {
                    "name": "60 °C for 2 days",
                    "operator": ">=",
                    "threshold": 60,
                    "unit": "Cel",
                    "duration_h": 48,
                    "continuity": "consecutive",
                    "max_gap_h": 24,
                }
            ],
        }
    )


class OwnRuleOut(RuleOut):
    """A rule just written; an earlier version stays on file for the verdicts that rest on it."""

    number: int = Field(description="Counted from 1.")


@router.post("/rules", status_code=201, response_model=OwnRuleOut)
def create_rule(body: RuleDocument, caller: CanWrite, database: Database, once: CreateOnce) -> JSONResponse:
    """Write a rule of the organisation's own, or a new version of it: a permit's limits, a validated site plan."""

    def make() -> tuple[OwnRuleOut, dict[str, str]]:
        row = own_rules.write_rule(session, caller, body.root)
        shown = _rule_out(rules.rule_of(row)) | {"number": row.number}
        return OwnRuleOut.model_validate(shown), {"Location": f"/v1/rules/{row.rule}"}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


def _rule_out(rule: Rule) -> dict[str, object]:
    return {
        **{name: getattr(rule, name) for name in RuleOut.model_fields if name != "duties"},
        "duties": [duty.name for duty in rule.duties],
    }


def rule_named(rule_id: str, caller: Caller, database: Database) -> Rule:
    """Return a rule by its id for an answer that touches no record: a shipped one needs no look at the organisation's.

    Raises
    ------
    Invalid
        There is no such rule for this organisation.
    """
    if rule_id in RULES:
        return RULES[rule_id]
    with database.begin(caller.organisation_id) as session:
        book = rules.book(session, caller.organisation_id)
    if rule_id not in book:
        raise no_such_rule(rule_id)
    return book[rule_id]


def no_such_rule(rule_id: str) -> Invalid:
    """Return the refusal of an unknown rule."""
    return Invalid.field("/rule", f"{rule_id} is not a rule of this service; GET /v1/rules lists them")
