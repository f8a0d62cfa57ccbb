"""Stock at a site: what came in, went out and was counted; balances; whether there is enough for the next pile."""

from datetime import UTC, datetime
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse
from pydantic import Field

from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, Limit, PageOut
from service.http.feedstocks import Density
from service.http.values import (
    Day,
    FeedstockCode,
    In,
    Instant,
    Note,
    Number,
    Out,
    shown_as,
)
from service.operations import stock_answers as answers
from service.operations import stocks
from service.operations.sites import site_of
from service.storage import stocks as stored

router = APIRouter(tags=["stock"])

Mass = Annotated[Number, Field(ge=0, le=1e8, description="Wet mass [kg].")]
Volume = Annotated[Number, Field(ge=0, le=1e6, description="Loose volume [m3].")]
Cost = Annotated[Number, Field(ge=0, le=1e9)]
Unit = Literal["kg", "m3"]


class MovedIn(In):
    """What every entry about an amount tells: a mass, or a loose volume with a density that is known or told."""

    feedstock: FeedstockCode = Field(description="The organisation's own code, or one of the library.")
    at: Instant = Field(description="When it happened, at most ten minutes ahead.")
    mass_kg: Mass | None = None
    volume_m3: Volume | None = None
    bulk_density_kg_m3: Density | None = Field(
        default=None, description="Of this material; the feedstock's newest figure when left out."
    )
    note: Note | None = None


class DeliveryIn(MovedIn):
    """Material came in, or came back unused (``return``)."""

    model_config = shown_as(
        {
            "kind": "delivery",
            "feedstock": "horse-manure",
            "at": "2026-05-04T09:00:00-05:00",
            "mass_kg": 800,
            "cost": 40,
        }
    )

    kind: Literal["delivery", "return"]
    spoils_on: Day | None = Field(default=None, description="The day from which it is not fit for a pile.")
    cost: Cost | None = Field(default=None, description="Of all of it, in the organisation's own currency.")


class TakingIn(MovedIn):
    """Material went out: used for something that is no load of a pile here, lost, or spoiled."""

    kind: Literal["use", "loss", "spoilage"]


class CountIn(MovedIn):
    """What is there was measured: from here on the book says the same."""

    kind: Literal["count"]


class WithdrawIn(In):
    """An entry was a mistake; it stays on record and counts no longer."""

    kind: Literal["withdraw"]
    withdraws: UUID
    at: Instant
    note: Note = Field(min_length=1, description="Why.")


MovementIn = Annotated[DeliveryIn | TakingIn | CountIn | WithdrawIn, Field(discriminator="kind")]


class MovementOut(Out):
    """An entry as it is on record."""

    id: UUID
    site_id: UUID
    feedstock: str
    kind: Literal["delivery", "return", "use", "loss", "spoilage", "count", "withdraw"]
    at: Instant
    amount: float = Field(description="In the unit of the book.")
    mass_kg: float | None = Field(description="As told.")
    volume_m3: float | None = Field(description="As told.")
    density_kg_m3: float | None = Field(description="The density used.")
    density_source: str | None
    spoils_on: Day | None
    cost: float | None
    note: str | None
    pile_event_id: UUID | None = Field(description="The load that took it.")
    withdraws: UUID | None
    short: float = Field(description="By how much it was more than the book had when it was written.")
    balance_after: float
    recorded_at: Instant


class LotOut(Out):
    """What is left of a delivery, taking it that what spoils first and is oldest is used first."""

    movement_id: UUID
    at: Instant
    left: float
    spoils_on: Day | None
    is_delivered: bool = Field(description="False for what a count found: nobody knows since when.")


class BalanceOut(Out):
    """What there is of a feedstock; null where it takes a density nobody knows."""

    feedstock: str
    name: str
    unit: Unit = Field(description="What the book is kept in.")
    mass_kg: float | None
    volume_m3: float | None
    density_kg_m3: float | None
    density_source: str | None
    oldest_delivery_at: Instant | None
    spoils_next_on: Day | None
    spoiled: float = Field(description="Part of the balance no longer fit today, in the book's unit.")
    cost_per_kg: float | None
    lots: list[LotOut] = Field(description="The one to use first stands first.")


class DiscrepancyOut(Out):
    """Where book and yard disagree."""

    feedstock: str
    kind: Literal["short", "count"]
    movement_id: UUID
    at: Instant
    unit: Unit
    amount: float
    text: str


class StockOut(Out):
    """A site's stock."""

    site_id: UUID
    now: Instant
    items: list[BalanceOut]
    discrepancies: list[DiscrepancyOut]


class ItemOutlookOut(Out):
    """One feedstock's part of the answer [kg]; null is unknown."""

    feedstock: str | None
    name: str
    unit: Unit
    needed: float
    at_hand: float | None = Field(description="Fit for use on the day asked about.")
    spoiled_by_then: float
    missing: float | None
    verdict: Literal["enough", "likely", "possible", "unlikely", "unknown"]
    text: str
    arrives_low: float | None = Field(description="Comes by the day with a chance of 90 % or more.")
    arrives_likely: float | None
    arrives_high: float | None = Field(description="With a chance of 10 % or more.")
    probability: float | None = Field(description="That it suffices, if deliveries go on as of late.")
    enough_early: Day | None
    enough_likely: Day | None
    enough_late: Day | None
    last_year: float | None = Field(description="What came in the same days 52 weeks before.")


class OutlookOut(Out):
    """Whether there will be enough for the next pile."""

    recipe_id: UUID
    on: Day
    today: Day
    verdict: Literal["enough", "likely", "possible", "unlikely", "unknown"]
    items: list[ItemOutlookOut]
    cautions: list[str]


@router.post("/sites/{site_id}/stock/movements", status_code=201, response_model=MovementOut)
def create_movement(
    site_id: UUID, body: MovementIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Record what came in, went out or was counted; nothing on record is changed."""

    def make() -> tuple[MovementOut, dict[str, str]]:
        row = stocks.record_movement(session, caller, site_id, body.model_dump(), now=datetime.now(UTC))
        return MovementOut.model_validate(answers.shown_movement(row)), {}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/sites/{site_id}/stock/movements", response_model=PageOut[MovementOut])
def list_movements(
    site_id: UUID,
    caller: CanRead,
    database: Database,
    feedstock: Annotated[FeedstockCode | None, Query(description="Only this feedstock's.")] = None,
    limit: Limit = 100,
    after: After = None,
) -> object:
    """List a site's movements in the order they were recorded."""
    with database.begin(caller.organisation_id) as session:
        site_of(session, caller, site_id)
        found = stored.movements_page(
            session, caller.organisation_id, site_id, feedstock, limit=limit, after=after
        )
    return {"items": [answers.shown_movement(row) for row in found.items], "next": found.next}


@router.get("/sites/{site_id}/stock", response_model=StockOut)
def get_stock(site_id: UUID, caller: CanRead, database: Database) -> object:
    """Return what there is of each feedstock, and where the book and the yard disagree."""
    now = datetime.now(UTC)
    with database.begin(caller.organisation_id) as session:
        books, zone = answers.books(session, caller, site_id)
    told = [answers.held(book, today=now.astimezone(zone).date()) for book in books]
    return {
        "site_id": site_id,
        "now": now,
        "items": [found for found, _ in told],
        "discrepancies": [one for _, gaps in told for one in gaps],
    }


@router.get("/sites/{site_id}/stock/outlook", response_model=OutlookOut)
def get_stock_outlook(
    site_id: UUID,
    caller: CanRead,
    database: Database,
    recipe_id: Annotated[UUID, Query(description="What the pile is to be made of.")],
    on: Annotated[Day, Query(description="The day it is to be built, in the site's zone.")],
    volume_m3: Annotated[
        float | None,
        Query(
            gt=0,
            le=1e6,
            allow_inf_nan=False,
            description="Scale the recipe to this loose volume [m3]; as written when left out.",
        ),
    ] = None,
) -> object:
    """Say whether there will be enough for a pile of a recipe on a day, from the rate at which material arrives."""
    with database.begin(caller.organisation_id) as session:
        books, zone = answers.books(session, caller, site_id)
        today = datetime.now(zone).date()
        answers.must_be_ahead(on, today)
        needs = answers.needs(session, caller, recipe_id, volume_m3=volume_m3)
    found = answers.outlook_of(needs, books, zone, today=today, on=on)
    return {
        "recipe_id": recipe_id,
        "on": on,
        "today": today,
        "verdict": found.verdict,
        "items": found.items,
        "cautions": found.cautions,
    }
