"""What a pile does now."""

from datetime import UTC, datetime
from typing import Literal
from uuid import UUID

from fastapi import APIRouter
from pydantic import Field

from service.domain.quantities import UCUM, Unit
from service.http.authority import CanRead, Database
from service.http.values import Day, Instant, Out, UnitCode
from service.http.verdicts import State
from service.operations import piles
from service.operations.standing import Standing, standing
from service.storage import piles as stored

router = APIRouter(tags=["piles"])


class LatestOut(Out):
    """The newest reading of a position; null figures when it has said nothing."""

    position: str
    serial: str
    depth_cm: float | None
    in_place: bool = Field(description="Whether the probe still sits there.")
    observed_at: Instant | None
    temperature_c: float | None
    value: float | None
    unit: UnitCode | None
    flag: int | None
    age_h: float | None
    trend_c_per_day: float | None


class VolumeOut(Out):
    """A volume of the whole pile and what it rests on."""

    volume_m3: float
    basis: Literal["measured", "loads", "height"]
    at: Instant


class WarningOut(Out):
    """Something to look at, and what to do about it."""

    code: str
    severity: Literal["info", "caution", "danger"]
    text: str
    remedy: str
    position: str | None
    remedy_symptom: Literal["too_wet", "too_dry", "cold", "ammonia", "sour", "too_hot"] | None = Field(
        description="Ask /piles/{id}/remedy with it for what to add and how much; null where that does not help."
    )


class StandingOut(Out):
    """A verdict in short; /compliance has it whole."""

    rule: str
    state: State
    held_days: float | None
    required_days: float | None
    turns_counted: int
    turns_required: int
    met_at: Instant | None
    earliest_possible: Instant | None
    next: str
    duties_open: list[str]


class StatusOut(Out):
    """What a pile does now, derived from its record this moment."""

    pile_id: UUID
    label: str
    now: Instant
    stage: Literal["planned", "filling", "hot", "curing", "ready", "closed"]
    stage_because: str
    stage_since: Instant | None
    age_days: float | None
    bay_id: UUID | None
    latest: list[LatestOut]
    hottest: LatestOut | None
    coldest: LatestOut | None
    turns_on_record: int
    last_turn: Instant | None
    next_turn: Day | None
    missed_turns: list[Day]
    volume: VolumeOut | None
    built_volume: VolumeOut | None
    water_added_l: float
    curing_since: Instant | None
    cured_days: float | None
    verdicts: list[StandingOut]
    warnings: list[WarningOut] = Field(description="The dangerous first.")
    cautions: list[str]


@router.get("/piles/{pile_id}/status", response_model=StatusOut)
def get_status(pile_id: UUID, caller: CanRead, database: Database) -> object:
    """Return what a pile does now."""
    with database.begin(caller.organisation_id) as session:
        loaded = stored.load(session, piles.pile_of(session, caller, pile_id))
    return status_out(loaded.pile.id, loaded.pile.label, standing(loaded, now=datetime.now(UTC)))


def status_out(pile_id: UUID, label: str, found: Standing) -> dict[str, object]:
    """Return a standing as it is shown."""
    told = found.status
    plain = {
        name: getattr(told, name)
        for name in StatusOut.model_fields
        if hasattr(told, name) and name != "latest"
    }
    return plain | {
        "pile_id": pile_id,
        "label": label,
        "latest": [_latest(one) for one in told.latest],
        "hottest": _latest(told.hottest),
        "coldest": _latest(told.coldest),
        "missed_turns": [] if found.turn is None else list(found.turn.missed),
        "verdicts": [
            {name: getattr(one, name) for name in StandingOut.model_fields if name != "rule"} | {"rule": rule}
            for rule, one in found.verdicts.items()
        ],
    }


def _latest(one: object) -> dict[str, object] | None:
    if one is None:
        return None
    shown = {name: getattr(one, name) for name in LatestOut.model_fields}
    unit = shown["unit"]
    return shown | {"unit": UCUM[unit] if isinstance(unit, Unit) else None}
