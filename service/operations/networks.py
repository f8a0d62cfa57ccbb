"""Plans of several sites made together, with the orders they share."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Conflict, FieldError, Invalid, NotFound
from service.domain.lines.allotting import SharedOrder
from service.domain.lines.document import plain
from service.domain.lines.sharing import HOW_SHARED, NetworkPlan, SiteLine, refuse_network, shared_name
from service.domain.lines.watching import Watch
from service.operations import plans
from service.operations.plans import Search
from service.storage import plans as stored
from service.storage.jobs import defer
from service.storage.plans import OVER
from service.storage.tables import LinePlanRow
from service.storage.tables.columns import new_id

TASK: Final = "plan_network"


def ask_network(
    session: Session, caller: Caller, asked: Mapping[str, Any], *, now: datetime
) -> Sequence[LinePlanRow]:
    """Ask for plans of several sites with the orders they share; one job makes them all.

    Raises
    ------
    Invalid
        A site is named twice, or what is asked for does not fit; pointers begin with ``/sites/i``.
    NotFound
        No such site for this key.
    """
    network_id = new_id()
    rows, errors = [], []
    seen: set[UUID] = set()
    for index, one in enumerate(asked["sites"]):
        if one["site_id"] in seen:
            errors.append(
                FieldError(f"/sites/{index}/site_id", f"{one['site_id']} stands twice; name it once")
            )
            continue
        seen.add(one["site_id"])
        try:
            row = plans.ask_plan(session, caller, one["site_id"], one, now=now, network_id=network_id)
        except Invalid as error:
            errors += [FieldError(f"/sites/{index}{fault.pointer}", fault.detail) for fault in error.errors]
            continue
        row.asked = {**row.asked, "shared": plain(asked["shared_orders"]), "within_s": asked["within_s"]}
        rows.append(row)
    if errors:
        raise Invalid(*errors)
    session.flush()
    searches = [plans.search_of(session, row, now=now) for row in rows]
    lines = [SiteLine(str(one.site_id), one.composed.request) for one in searches]
    refuse_network(lines, shared_of(rows[0]))
    ask_to_search(session, rows[0].organisation_id, network_id)
    return rows


def ask_to_search(session: Session, organisation_id: int, network_id: UUID) -> None:
    """Ask for the job; one waiting is enough."""
    name = f"{TASK}:{network_id}"
    defer(session, TASK, once=name, lock=name, organisation_id=organisation_id, network_id=str(network_id))


def shared_of(row: LinePlanRow) -> list[SharedOrder]:
    """Return the orders the sites of a network share."""
    return [
        SharedOrder(
            one["name"],
            one["grade"],
            one["volume_m3"],
            date.fromisoformat(one["by"]),
            None if one["site_ids"] is None else frozenset(map(str, one["site_ids"])),
        )
        for one in row.asked["shared"]
    ]


def plans_of(session: Session, caller: Caller, network_id: UUID) -> Sequence[LinePlanRow]:
    """Return the plans that were made together.

    Raises
    ------
    NotFound
        There are none for this key.
    """
    rows = stored.of_network(session, caller.organisation_id, network_id)
    if not rows or any(caller.site_id not in {None, row.site_id} for row in rows):
        raise NotFound("no plans with this id")
    return rows


def cancel_network(
    session: Session, caller: Caller, network_id: UUID, *, now: datetime
) -> Sequence[LinePlanRow]:
    """End plans that are searched for together.

    Raises
    ------
    Conflict
        They are over already.
    """
    rows = plans_of(session, caller, network_id)
    if all(row.state in OVER for row in rows):
        raise Conflict("the plans are over already; there is nothing left to cancel")
    for row in rows:
        if row.state not in OVER:
            plans.cancel_plan(session, caller, row.site_id, row.id, now=now)
    return rows


@dataclass(frozen=True)
class Together:
    """What the job of a network works with."""

    searches: Sequence[Search]
    shared: Sequence[SharedOrder]
    within_s: float
    watches: Mapping[UUID, Watch]

    @property
    def sites(self) -> list[SiteLine]:
        """The lines to plan, each named by its site's id."""
        return [
            SiteLine(str(one.site_id), one.composed.request, self.watches[one.plan_id], one.begun)
            for one in self.searches
        ]


def start(session: Session, organisation_id: int, network_id: UUID, *, now: datetime) -> Together | None:
    """Begin to search, or begin again; None when there is nothing left to do."""
    rows = [row for row in stored.of_network(session, organisation_id, network_id) if row.state not in OVER]
    started = [plans.start(session, organisation_id, row.id, now=now) for row in rows]
    searches = [one for one in started if one is not None]
    if not searches:
        return None
    watches = {one.plan_id: Watch() for one in searches}
    return Together(searches, shared_of(rows[0]), rows[0].asked["within_s"], watches)


def finish(
    session: Session, organisation_id: int, together: Together, made: NetworkPlan, *, now: datetime
) -> None:
    """Keep each site's plan with what all of them come to, and put them into force."""
    by_name = {one.name: one for one in together.shared}
    told = {
        "parts": plain(made.parts),
        "unmet_m3": dict(made.unmet_m3),
        "unmet_at_least_m3": made.unmet_at_least_m3,
        "gap_pct": made.gap_pct,
        "unmet_gap_pct": made.unmet_gap_pct,
        "took_s": made.took_s,
        "how": HOW_SHARED,
    }
    for one in together.searches:
        site = str(one.site_id)
        orders = [
            {
                "name": shared_name(part.order),
                "grade": by_name[part.order].grade,
                "volume_m3": part.volume_m3,
                "by": by_name[part.order].by.isoformat(),
            }
            for part in made.parts
            if part.site == site
        ]
        plan = made.plans[site]
        plans.finish(session, organisation_id, one, plan, now=now, network=told | {"orders": orders})
