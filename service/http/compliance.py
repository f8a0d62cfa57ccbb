"""Verdicts: on readings that are sent along, and on a pile's own record."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated
from uuid import UUID
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.compliance import History, Reading, Rule, Verdict, judge, judge_each, series_of
from service.domain.errors import FieldError, Invalid
from service.domain.quantities import Unit
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, Limit, PageOut
from service.http.rules import no_such_rule, rule_named
from service.http.values import (
    Amount,
    Code,
    Flag,
    In,
    Instant,
    Name,
    Number,
    Out,
    Positive,
    ZoneName,
    shown_as,
)
from service.http.verdicts import Interpretation, IssuedVerdictOut, VerdictOut
from service.operations import piles, verdicts
from service.storage import piles as stored
from service.storage.histories import history_of
from service.storage.verdicts import verdicts_page

router = APIRouter(tags=["compliance"])

Temperature = Annotated[Number, Field(ge=-500, le=5000)]


class CheckedReadingIn(In):
    """One temperature reading, in the unit it was recorded in: exactly one of the two figures."""

    position: Name
    observed_at: Instant
    temperature_c: Temperature | None = None
    temperature_f: Temperature | None = Field(
        default=None, description="Compared in [degF], without rounding."
    )


class CheckIn(In):
    """A rule and what was recorded of one pile."""

    model_config = shown_as(
        {
            "rule": "us-nop-windrow",
            "time_zone": "America/Chicago",
            "readings": [
                {"position": "core-1", "observed_at": "2026-05-04T09:00:00-05:00", "temperature_c": 57.2},
                {"position": "core-1", "observed_at": "2026-05-05T09:00:00-05:00", "temperature_f": 136.4},
            ],
            "turns": ["2026-05-04T09:00:00-05:00"],
            "initial_carbon_nitrogen_ratio": 29.4,
            "cured_days": None,
            "judged_at": "2026-05-05T10:00:00-05:00",
        }
    )

    rule: Code
    time_zone: ZoneName
    readings: list[CheckedReadingIn] = Field(max_length=200_000)
    turns: list[Instant] = Field(default_factory=list, max_length=2000)
    restarts: list[Instant] = Field(
        default_factory=list,
        max_length=2000,
        description="When fresh material was added; counts start again.",
    )
    initial_carbon_nitrogen_ratio: Positive | None = None
    cured_days: Amount | None = None
    duties_recorded: list[Name] = Field(default_factory=list, max_length=100)
    closed: Flag = Field(default=False, description="The process has ended; no more heat can come.")
    averaged_by: Name | None = Field(
        default=None,
        description="The plan or authority that lets the mean of all positions govern; the verdict names it. The "
        "coldest position governs when null.",
    )
    interpretation: Interpretation = "inspector"
    judged_at: Instant | None = Field(
        default=None, description="Now when null; later evidence is not looked at."
    )


@router.post("/compliance/check", response_model=VerdictOut)
def check_compliance(body: CheckIn, caller: CanRead, database: Database) -> Verdict:
    """Judge readings that are sent along; touches no record, but for a rule of one's own."""
    rule = rule_named(body.rule, caller, database)
    history = History(
        series=series_of(_readings(body.readings)),
        turns=tuple(body.turns),
        restarts=tuple(body.restarts),
        initial_carbon_nitrogen_ratio=body.initial_carbon_nitrogen_ratio,
        cured_days=body.cured_days,
        duties_recorded=frozenset(body.duties_recorded),
        closed=body.closed,
        averaged_by=body.averaged_by,
    )
    return judge(
        rule,
        history,
        judged_at=body.judged_at or datetime.now(UTC),
        time_zone=ZoneInfo(body.time_zone),
        interpretation=body.interpretation,
    )


def _rule(book: Mapping[str, Rule], rule_id: str) -> Rule:
    if rule_id not in book:
        raise no_such_rule(rule_id)
    return book[rule_id]


def _readings(items: list[CheckedReadingIn]) -> list[Reading]:
    wrong = [
        FieldError(f"/readings/{place}", "give exactly one of temperature_c and temperature_f")
        for place, item in enumerate(items)
        if (item.temperature_c is None) == (item.temperature_f is None)
    ]
    if wrong:
        raise Invalid(*wrong)
    return [
        Reading(item.position, item.observed_at, item.temperature_c, Unit.CEL)
        if item.temperature_c is not None
        else Reading(item.position, item.observed_at, item.temperature_f or 0.0, Unit.DEG_F)
        for item in items
    ]


class ComplianceOut(Out):
    """A pile's standing under each of its rules, worked out now."""

    pile_id: UUID
    items: list[VerdictOut]
    caveats: list[str] = Field(
        description="Of an answer as_of an instant: facts that were changed after they were first recorded and are"
        " taken as they stand today, for no history of them is kept."
    )


RuleQuery = Annotated[Code | None, Query(description="Only this rule; the pile's own rules when absent.")]


@router.get("/piles/{pile_id}/compliance", response_model=ComplianceOut)
def get_compliance(
    pile_id: UUID,
    caller: CanRead,
    database: Database,
    rule: RuleQuery = None,
    interpretation: Interpretation = "inspector",
    as_of: Annotated[
        Instant | None,
        Query(description="Judge at this instant on what was on record by then; now when absent."),
    ] = None,
) -> object:
    """Judge a pile on what is on record now, or was at an instant; nothing is written."""
    now = datetime.now(UTC)
    if as_of is not None and as_of > now:
        raise Invalid.field(
            "/as_of", "lies in the future; nobody knows yet, leave it out for what is known now"
        )
    with database.begin(caller.organisation_id) as session:
        loaded = stored.load(session, piles.pile_of(session, caller, pile_id), known_at=as_of)
    now = as_of or now
    wanted = loaded.pile.rules if rule is None else [rule]
    chosen = [_rule(loaded.book, one) for one in wanted]
    history = history_of(loaded, now=now)
    zone = ZoneInfo(loaded.site.time_zone)
    return {
        "pile_id": pile_id,
        "caveats": list(loaded.caveats),
        "items": judge_each(chosen, history, judged_at=now, time_zone=zone, interpretation=interpretation),
    }


class VerdictIn(In):
    """A verdict to issue."""

    rule: Code
    interpretation: Interpretation = "inspector"


@router.post("/piles/{pile_id}/verdicts", status_code=201, response_model=IssuedVerdictOut)
def issue_verdict(
    pile_id: UUID, body: VerdictIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Issue a verdict: judged now, and kept on file with the digest of the readings it saw."""
    now = datetime.now(UTC)
    with database.begin(caller.organisation_id) as session:
        loaded = stored.load(session, piles.pile_of(session, caller, pile_id), known_at=now)
    rule = _rule(loaded.book, body.rule)
    verdict = judge(
        rule,
        history_of(loaded, now=now),
        judged_at=now,
        time_zone=ZoneInfo(loaded.site.time_zone),
        interpretation=body.interpretation,
    )

    def make() -> tuple[IssuedVerdictOut, dict[str, str]]:
        row = verdicts.issue(session, caller, pile_id, verdict, known_at=now)
        return IssuedVerdictOut.model_validate(row), {}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/piles/{pile_id}/verdicts", response_model=PageOut[IssuedVerdictOut])
def list_verdicts(
    pile_id: UUID, caller: CanRead, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List the verdicts issued on a pile, oldest first; an earlier one stays beside its successors."""
    with database.begin(caller.organisation_id) as session:
        piles.pile_of(session, caller, pile_id)
        return verdicts_page(session, caller.organisation_id, pile_id, limit=limit, after=after)
