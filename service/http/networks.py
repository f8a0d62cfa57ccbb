"""Plans of several sites made together, with the orders they share."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from pydantic import Field

from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import CreateOnce
from service.http.line_models import OrderIn, PlanAskIn
from service.http.plans import PlanSummaryOut, summary
from service.http.values import In, Number, Out, shown_as
from service.operations import networks
from service.storage.tables import LinePlanRow

router = APIRouter(tags=["schedules"])


class SharedOrderIn(OrderIn):
    """A volume that several sites may make together."""

    site_ids: list[UUID] | None = Field(
        default=None, max_length=200, description="Those that may; all of the sites when null."
    )


class SiteOfNetworkIn(PlanAskIn):
    """One site, with what is wished of its line alone; ``within_s`` is that of the whole."""

    site_id: UUID


class NetworkIn(In):
    """Sites to be planned together."""

    model_config = shown_as(
        {
            "sites": [
                {
                    "site_id": "01890a5d-ac96-774b-bcce-b302099a8057",
                    "days": 120,
                    "pattern_code": "week-then-mon-wed-fri",
                    "piles": [{"name": "spring", "count": 6, "volume_m3": 1.5, "is_spare": True}],
                }
            ],
            "shared_orders": [{"name": "market garden", "volume_m3": 3, "by": "2126-06-01"}],
            "within_s": 30,
        }
    )

    sites: list[SiteOfNetworkIn] = Field(min_length=1, max_length=50)
    shared_orders: list[SharedOrderIn] = Field(default_factory=list, max_length=200)
    within_s: Annotated[Number, Field(gt=0, le=3600)] = Field(
        default=60.0, description="How long the search may take for all sites together."
    )


class OrderPartOut(Out):
    """What a site makes of a shared order in time."""

    order: str
    site: UUID
    volume_m3: float


class NetworkOut(Out):
    """Plans made together: how far they are and, once they are done, who makes what."""

    id: UUID
    state: Literal["waiting", "running", "done", "cancelled", "failed"]
    progress_pct: float
    gap_pct: float | None = Field(description="The largest of the sites' gaps.")
    sites: list[PlanSummaryOut]
    parts: list[OrderPartOut] | None
    unmet_m3: dict[str, float] | None = Field(description="By shared order, what no site has ready in time.")
    unmet_at_least_m3: float | None = Field(description="What no plan could avoid.")
    unmet_gap_pct: float | None = Field(
        description="What is unmet beyond that, % of what is wanted: how far off the sharing can be."
    )
    took_s: float | None
    how: str | None = Field(description="How the shared orders were given to the sites.")


_ORDER = ("running", "waiting", "failed", "cancelled", "done")
"""The state of the whole is the first of these that one of its plans has."""


def _shown(rows: Sequence[LinePlanRow]) -> NetworkOut:
    told = next((row.answer["network"] for row in rows if row.answer and row.answer.get("network")), None)
    gaps = [row.gap_pct for row in rows if row.gap_pct is not None]
    states = {row.state for row in rows}
    figures = ("parts", "unmet_m3", "unmet_at_least_m3", "unmet_gap_pct", "took_s", "how")
    return NetworkOut.model_validate(
        {
            "id": rows[0].network_id,
            "state": next(state for state in _ORDER if state in states),
            "progress_pct": min(row.progress_pct for row in rows),
            "gap_pct": max(gaps, default=None),
            "sites": [summary(row) for row in rows],
            **{name: None if told is None else told[name] for name in figures},
        }
    )


@router.post("/plans", status_code=202, response_model=NetworkOut)
def create_network_plan(
    body: NetworkIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Ask for plans of several sites with the orders they share; ``Location`` says how far they are.

    Who makes what is decided above the sites, from a sketch of each; then each line is planned by itself, two at a
    time. The answer's ``how`` says it in full.
    """

    def make() -> tuple[NetworkOut, dict[str, str]]:
        rows = networks.ask_network(session, caller, body.model_dump(), now=datetime.now(UTC))
        return _shown(rows), {"Location": f"/v1/plans/{rows[0].network_id}"}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make, status=202)


@router.get("/plans/{network_id}", response_model=NetworkOut)
def get_network_plan(network_id: UUID, caller: CanRead, database: Database) -> object:
    """Return how far plans made together are and, once they are done, who makes what."""
    with database.begin(caller.organisation_id) as session:
        return _shown(networks.plans_of(session, caller, network_id))


@router.post("/plans/{network_id}/cancel", response_model=NetworkOut)
def cancel_network_plan(network_id: UUID, caller: CanWrite, database: Database) -> object:
    """End plans that are searched for together; the sites' schedules stay as they are."""
    with database.begin(caller.organisation_id) as session:
        return _shown(networks.cancel_network(session, caller, network_id, now=datetime.now(UTC)))
