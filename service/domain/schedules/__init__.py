"""What to do when: one pile's build, turns, checks, move and screening on one site's crew days."""

from service.domain.schedules.answer import Misfit, Plan, PlannedReminder, PlannedTask, PlanWarning
from service.domain.schedules.cautions import TURNING_CAUTIONS
from service.domain.schedules.following import NextTurn, TurnMatch, match_turns, next_turn
from service.domain.schedules.pattern import Pattern
from service.domain.schedules.pattern_document import kept_pattern, read_pattern
from service.domain.schedules.planning import plan
from service.domain.schedules.reminders import Reminder
from service.domain.schedules.repair import repair
from service.domain.schedules.request import PlanRequest
from service.domain.schedules.shipped import ShippedPattern, load_patterns, shipped_patterns
from service.domain.schedules.turn_constraint import TurnConstraint
from service.domain.schedules.work_days import WEEKDAYS, WorkCalendar, local_instant, weekday_of

__all__ = [
    "TURNING_CAUTIONS",
    "WEEKDAYS",
    "Misfit",
    "NextTurn",
    "Pattern",
    "Plan",
    "PlanRequest",
    "PlanWarning",
    "PlannedReminder",
    "PlannedTask",
    "Reminder",
    "ShippedPattern",
    "TurnConstraint",
    "TurnMatch",
    "WorkCalendar",
    "kept_pattern",
    "load_patterns",
    "local_instant",
    "match_turns",
    "next_turn",
    "plan",
    "read_pattern",
    "repair",
    "shipped_patterns",
    "weekday_of",
]
