"""What a caller can change of a site's plans: ask for one, have one mended, cancel; and how a job answers.

A plan goes ``waiting -> running -> done | cancelled | failed``. A job that is begun again takes the search up where the
best plan so far stands; only one that ends as ``done`` changes the schedule.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller, Scope
from service.domain.errors import Conflict, FieldError, Invalid, NotFound
from service.domain.lines.answer import LinePlan
from service.domain.lines.checking import refuse_what_does_not_fit
from service.domain.lines.document import kept_plan, kept_so_far, plain, read_so_far
from service.domain.lines.request import Promise
from service.domain.lines.watching import Begun, Sighting
from service.operations import stock_answers
from service.operations.calendar_starts import calendars_follow
from service.operations.line_requests import Composed, compose, happened
from service.operations.line_stock import arrivals_of
from service.operations.plan_tasks import Issued, TaskToKeep, issue_plan
from service.operations.plan_wishes import settled
from service.operations.reliability import reliability
from service.operations.sites import site_of
from service.operations.turning_sooner import turned_sooner
from service.storage import plans as stored
from service.storage import records
from service.storage.jobs import defer
from service.storage.lines import LineFacts, line_facts
from service.storage.plans import OVER, tasks_of
from service.storage.sites import lock_site
from service.storage.tables import LinePlanRow

__all__ = ["Issued", "TaskToKeep", "issue_plan", "tasks_of"]

TASK: Final = "plan_line"
REPAIR_S: Final = 1.2
"""Seconds a repair is given; with loading and writing it is there in two."""


def ask_plan(
    session: Session,
    caller: Caller,
    site_id: UUID,
    asked: Mapping[str, Any],
    *,
    now: datetime,
    network_id: UUID | None = None,
) -> LinePlanRow:
    """Ask for a plan of a site's line; the job commits with it unless a network's job does the work.

    Raises
    ------
    Invalid
        What is asked for does not fit, or cannot be planned from as things stand.
    """
    site_of(session, caller, site_id)
    facts = line_facts(session, caller.organisation_id, site_id, now=now)
    wish = settled(session, caller, facts, asked)
    refuse_what_does_not_fit(composed(session, caller.organisation_id, wish, facts, now=now).request)
    row = records.add(
        session,
        LinePlanRow(
            organisation_id=caller.organisation_id,
            site_id=site_id,
            asked={"wish": wish},
            network_id=network_id,
            created_at=now,
        ),
    )
    if network_id is None:
        ask_to_search(session, row)
    return row


def ask_repair(
    session: Session,
    organisation_id: int,
    site_id: UUID,
    because: str,
    *,
    now: datetime,
    more: Mapping[str, Any] | None = None,
) -> LinePlanRow | None:
    """Ask that the plan in force be mended, in the transaction that makes it necessary; None where there is none.

    One that waits already looks at the record when it runs, and takes this reason with it.

    Parameters
    ----------
    more
        Orders and arrivals beside those of the plan before.
    """
    in_force = stored.plan_in_force(session, organisation_id, site_id)
    if in_force is None:
        return None
    to_come = stored.plan_to_come(session, organisation_id, site_id)
    if to_come is not None and to_come.state == "waiting" and to_come.follows_id and not more:
        row = stored.find_plan(session, organisation_id, site_id, to_come.id, lock=True)
        if row.state == "waiting":
            row.because = _joined(row.because, because)
            return row
    wish = {**in_force.asked["wish"], "is_repair": True}
    for name in ("orders", "arrivals"):
        wish[name] = [*wish[name], *((more or {}).get(name) or ())]
    row = records.add(
        session,
        LinePlanRow(
            organisation_id=organisation_id,
            site_id=site_id,
            asked={"wish": wish},
            follows_id=in_force.id,
            because=because,
            created_at=now,
        ),
    )
    ask_to_search(session, row)
    return row


def _joined(before: str | None, because: str) -> str:
    parts = [] if before is None else before.split("; ")
    return "; ".join(dict.fromkeys([*parts, because]))


def must_repair(
    session: Session,
    caller: Caller,
    site_id: UUID,
    because: str | None,
    more: Mapping[str, Any],
    *,
    now: datetime,
) -> LinePlanRow:
    """Ask for a repair because a caller wants one.

    Raises
    ------
    Conflict
        The site has no plan yet.
    Invalid
        The orders or arrivals do not fit.
    """
    site_of(session, caller, site_id)
    in_force = stored.plan_in_force(session, caller.organisation_id, site_id)
    if in_force is None:
        raise Conflict(f"the site has no plan to mend; ask for one with POST /v1/sites/{site_id}/plans")
    _must_fit_beside(session, caller, in_force, more, now)
    row = ask_repair(
        session,
        caller.organisation_id,
        site_id,
        because or "asked for",
        now=now,
        more=more if any(more.values()) else None,
    )
    assert row is not None, "there is a plan in force"
    return row


def _must_fit_beside(
    session: Session, caller: Caller, in_force: LinePlanRow, more: Mapping[str, Any], now: datetime
) -> None:
    """Refuse orders and arrivals that do not fit, alone or beside those of the plan before."""
    known = {one["name"] for one in in_force.asked["wish"]["orders"]}
    twice = [
        FieldError(
            f"/orders/{place}/name", f"order '{one['name']}' is in the plan already; name it otherwise"
        )
        for place, one in enumerate(more.get("orders") or ())
        if one["name"] in known
    ]
    if twice:
        raise Invalid(*twice)
    alone = {
        **in_force.asked["wish"],
        "orders": more.get("orders") or [],
        "arrivals": more.get("arrivals") or [],
    }
    facts = line_facts(session, caller.organisation_id, in_force.site_id, now=now)
    piles = [{**one, "latest": None} for one in alone["piles"]]
    made = composed(session, caller.organisation_id, {**alone, "piles": piles}, facts, now=now)
    refuse_what_does_not_fit(made.request)


def composed(
    session: Session,
    organisation_id: int,
    wish: Mapping[str, Any],
    facts: LineFacts,
    *,
    now: datetime,
    soon: Mapping[str, str] | None = None,
) -> Composed:
    """Return a site's request as things stand."""
    site_id = facts.site.id
    reader = Caller(organisation_id, site_id, frozenset({Scope.READ}))
    books, zone = stock_answers.books(session, reader, site_id)
    last = date.fromisoformat(wish["last"])
    if wish["reliability"] is None:
        kept = reliability(session, organisation_id, site_id, now=now)
        wish = {**wish, "reliability": kept}
    return compose(wish, facts, arrivals_of(wish, books, today=facts.today, last=last, zone=zone), soon=soon)


def ask_to_search(session: Session, row: LinePlanRow) -> None:
    """Ask for the job; one waiting is enough, and no two work on one site."""
    defer(
        session,
        TASK,
        once=f"{TASK}:{row.id}",
        lock=f"{TASK}:{row.site_id}",
        organisation_id=row.organisation_id,
        plan_id=str(row.id),
    )


def cancel_plan(
    session: Session, caller: Caller, site_id: UUID, plan_id: UUID, *, now: datetime
) -> LinePlanRow:
    """End a plan that is searched for; the job sees so within a second, and the schedule stays as it is.

    Raises
    ------
    Conflict
        It is over already.
    """
    site_of(session, caller, site_id)
    row = stored.find_plan(session, caller.organisation_id, site_id, plan_id, lock=True)
    if row.state in OVER:
        raise Conflict(f"the plan is {row.state} already; there is nothing left to cancel")
    row.is_cancel_asked = True
    if row.state == "waiting":
        row.state, row.ended_at = "cancelled", now
    session.flush()
    return row


@dataclass(frozen=True)
class Search:
    """What a job works with: the request, what crews were told, and where a search before it stood."""

    plan_id: UUID
    site_id: UUID
    composed: Composed
    told: Mapping[str, Promise] | None
    begun: Mapping[str, Begun]
    within_s: float
    facts: LineFacts


def start(session: Session, organisation_id: int, plan_id: UUID, *, now: datetime) -> Search | None:
    """Begin to search, or take a search up again; None when there is nothing left to do.

    Raises
    ------
    Invalid
        The site cannot be planned as it stands now.
    """
    try:
        row = stored.find_plan(session, organisation_id, None, plan_id, lock=True)
    except NotFound:
        return None
    if row.state in OVER:
        return None
    search = search_of(session, row, now=now)
    made = search.composed
    row.state = "running"
    row.asked = {**row.asked, "facts": plain(made.request), "notes": list(made.notes)}
    session.flush()
    return search


def search_of(session: Session, row: LinePlanRow, *, now: datetime) -> Search:
    """Return what a search for a plan works with, as things stand."""
    facts = line_facts(session, row.organisation_id, row.site_id, now=now)
    wish = row.asked["wish"]
    soon = turned_sooner(session, facts, now=now)
    return Search(
        row.id,
        row.site_id,
        composed(session, row.organisation_id, wish, facts, now=now, soon=soon),
        _told(session, row, facts) if row.follows_id else None,
        read_so_far(row.answer),
        REPAIR_S if row.follows_id else wish["within_s"],
        facts,
    )


def _told(session: Session, row: LinePlanRow, facts: LineFacts) -> dict[str, Promise]:
    """Return the dates crews know: those of the tasks in force that are still to come."""
    tasks = [
        one
        for one in tasks_of(session, row.organisation_id, row.site_id, facts.today, date.max)
        if one.state == "planned"
    ]
    builds = {one.pile: one.on_date for one in tasks if one.task == "build"}
    turns: dict[str, list[date]] = {}
    for one in tasks:
        if one.task == "turn":
            turns.setdefault(one.pile, []).append(one.on_date)
    built = {label: there.built_on for label, there in facts.piles.items() if there.built_on is not None}
    return {
        pile: Promise(on, tuple(sorted(turns.get(pile, ()))))
        for pile in dict.fromkeys([*builds, *turns])
        if (on := built.get(pile) or builds.get(pile)) is not None
    }


def note_progress(
    session: Session, organisation_id: int, plan_id: UUID, seen: Sighting, progress_pct: float
) -> bool:
    """Keep how far a search is; answers whether it is to go on."""
    row = stored.find_plan(session, organisation_id, None, plan_id, lock=True)
    if row.state != "running":
        return False
    row.progress_pct = max(row.progress_pct, progress_pct)
    if seen.so_far:
        row.gap_pct, row.answer = seen.gap_pct, kept_so_far(seen)
    session.flush()
    return not row.is_cancel_asked


def finish(
    session: Session,
    organisation_id: int,
    search: Search,
    plan: LinePlan,
    *,
    now: datetime,
    network: Mapping[str, Any] | None = None,
) -> LinePlanRow:
    """Keep a plan's answer and put it into force, unless it was cancelled or a newer one is in force already."""
    row = stored.find_plan(session, organisation_id, None, search.plan_id, lock=True)
    if row.state in OVER:
        return row
    kept = kept_plan(plan, search.composed.crews)
    kept |= {"notes": list(search.composed.notes)}
    row.answer = kept if network is None else kept | {"network": dict(network)}
    row.progress_pct, row.gap_pct, row.ended_at = 100.0, plan.gap_pct, now
    newer = stored.plan_in_force(session, organisation_id, row.site_id)
    if network is not None:
        # Its parts of shared orders are the site's own from now on: a repair keeps them.
        row.asked = {
            **row.asked,
            "wish": {**row.asked["wish"], "orders": [*row.asked["wish"]["orders"], *network["orders"]]},
        }
    if row.is_cancel_asked:
        row.state = "cancelled"
    elif newer is not None and newer.created_at > row.created_at:
        row.state, row.problem = "cancelled", "a plan that was asked for later is in force already"
    else:
        row.state = "done"
        _put_into_force(session, row, search, plan, kept["tasks"], now)
    session.flush()
    return row


def _put_into_force(
    session: Session,
    row: LinePlanRow,
    search: Search,
    plan: LinePlan,
    kept: Sequence[Mapping[str, Any]],
    now: datetime,
) -> None:
    tasks = [
        TaskToKeep(
            one.pile, one.task, one.number, one.date, one.bay, one.to_bay, one.minutes, one.day_of_pile, one.reason,
            shared["crews"][0]["crew"] if shared["crews"] else None,
        )
        for one, shared in zip(plan.tasks, kept, strict=True)
    ]  # fmt: skip
    site = lock_site(session, row.organisation_id, row.site_id)
    with calendars_follow(session, site, now=now):
        issue_plan(
            session,
            row.organisation_id,
            row.site_id,
            row.id,
            tasks,
            today=search.facts.today,
            now=now,
            pile_ids={label: there.row.id for label, there in search.facts.piles.items()},
            happened=frozenset(happened(search.facts)),
        )


def fail(session: Session, organisation_id: int, plan_id: UUID, problem: str, *, now: datetime) -> None:
    """End a plan that cannot be made."""
    row = stored.find_plan(session, organisation_id, None, plan_id, lock=True)
    if row.state not in OVER:
        row.state, row.problem, row.ended_at = "failed", problem, now
        session.flush()


def ask_again(session: Session, organisation_id: int, *, before: datetime) -> set[UUID]:
    """Ask for the job of each plan whose signal may be lost; return the networks whose own are."""
    lost = stored.unanswered(session, organisation_id, before=before)
    for row in lost:
        if row.network_id is None:
            ask_to_search(session, row)
    return {row.network_id for row in lost if row.network_id is not None}
