"""What a pile is, derived from what was recorded of it."""

from service.domain.piles.events import CLOCK_TOLERANCE, Event, in_force, of_kind, up_to
from service.domain.piles.facts import PileFacts
from service.domain.piles.history import (
    Closing,
    bays_worked_in,
    closing,
    cured_days,
    curing_since,
    current_bay,
    days_since,
    duty_facts,
    fresh_material,
    initial_carbon_nitrogen_ratio,
    initial_sample,
    is_over,
    released_at,
    restarts,
    started_at,
    turns,
    water_added_l,
)
from service.domain.piles.lineage import Joining, joinings, set_aside_since, stood_alone
from service.domain.piles.series import AirSeries, PositionSeries
from service.domain.piles.situation import Risk, Severity, WarningSign
from service.domain.piles.stage import Stage, StageFound, explain_stage, stage
from service.domain.piles.status import Latest, Status, status
from service.domain.piles.trend import trend_c_per_day
from service.domain.piles.volume import Volume, built_height_m, built_volume, volume_now

__all__ = [
    "CLOCK_TOLERANCE",
    "AirSeries",
    "Closing",
    "Event",
    "Joining",
    "Latest",
    "PileFacts",
    "PositionSeries",
    "Risk",
    "Severity",
    "Stage",
    "StageFound",
    "Status",
    "Volume",
    "WarningSign",
    "bays_worked_in",
    "built_height_m",
    "built_volume",
    "closing",
    "cured_days",
    "curing_since",
    "current_bay",
    "days_since",
    "duty_facts",
    "explain_stage",
    "fresh_material",
    "in_force",
    "initial_carbon_nitrogen_ratio",
    "initial_sample",
    "is_over",
    "joinings",
    "of_kind",
    "released_at",
    "restarts",
    "set_aside_since",
    "stage",
    "started_at",
    "status",
    "stood_alone",
    "trend_c_per_day",
    "turns",
    "up_to",
    "volume_now",
    "water_added_l",
]
