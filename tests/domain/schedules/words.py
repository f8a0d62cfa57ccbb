"""Builders shared by the schedule tests."""

import datetime as dt

from service.domain.schedules import Pattern, Plan, PlanRequest, TurnConstraint

MONDAY = dt.date(2026, 3, 2)
MON_TO_FRI = ("mon", "tue", "wed", "thu", "fri")
MON_WED_FRI = ("mon", "wed", "fri")
EVERY_DAY = (*MON_TO_FRI, "sat", "sun")

EIGHTEEN_DAYS = Pattern(rest_days=4, turn_every_days=2, last_turn_day=16)
WEEK_THEN_MON_WED_FRI = Pattern(rest_days=7, turn_on=MON_WED_FRI, last_turn_day=27)

# 7 CFR 205.203(c)(2)(i),(iii): 131 to 170 °F for 15 days in a windrow, "during which period, the materials must
# be turned a minimum of five times".
NOP_WINDROW = TurnConstraint(
    "us-nop-windrow", "7 CFR 205.203(c)(2)(iii)", 5, window_days=15, hot_days=15, longest_reading_gap_h=24
)
# The Animal By-Products (Wales) Regulations 2006, Schedule 1 Part II: 8 days, "during which the windrow must be
# turned at least 3 times at no less than 2 days intervals".
UK_HOUSED = TurnConstraint(
    "uk-abp-housed-windrow", "SI 2006/1293 (W.127) Sch. 1 Pt II", 3, window_days=8, spacing_h=48
)
# AS 4454-2012 cl. 3.2.1, from memory: three turns, 55 °C for three consecutive days before each.
AU_STANDARD = TurnConstraint("au-4454-std", "AS 4454-2012 cl. 3.2.1", 3, heat_before_turn_h=72)


def a_request(pattern: Pattern = EIGHTEEN_DAYS, **overrides: object) -> PlanRequest:
    values = {"time_zone": "Europe/Lisbon", "build_on": MONDAY, "work_days": MON_TO_FRI, "pattern": pattern}
    return PlanRequest(**(values | overrides))


def turn_days(plan: Plan) -> list[int]:
    return [task.day_of_pile for task in plan.days if task.task == "turn"]


def day(plan_or_date: Plan | dt.date, days: int) -> dt.date:
    start = plan_or_date.built_on if isinstance(plan_or_date, Plan) else plan_or_date
    return start + dt.timedelta(days)
