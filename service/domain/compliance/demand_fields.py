"""Reading what a rule demands of heat from its data."""

from decimal import Decimal
from fractions import Fraction
from typing import Final, cast, get_args

from service.domain.compliance.demands import (
    AllOf,
    AnyOf,
    Continuity,
    DayCount,
    DayGap,
    Heat,
    Hold,
    InitialMix,
    Mean,
    Node,
    Turns,
    TurnWindow,
)
from service.domain.compliance.equations import days_asked
from service.domain.compliance.fields import Fields
from service.domain.compliance.proof_fields import read_duty
from service.domain.compliance.thresholds import TEMPERATURE_UNITS, Operator
from service.domain.quantities import UCUM, UNIT_OF_UCUM, Unit

KINDS: Final = ("hold", "all_of", "any_of", "duty")
DEEPEST: Final = 4
"""Levels of all-of and any-of; no text needs more than two."""

LONGEST_HOLD_H: Final = 24 * 366
_SHORTEST_HOLD_H: Final = Fraction(1, 60)


def read_process(fields: Fields) -> AllOf:
    """Read what decides the state: plain holds with their turnings, and whatever the criteria add."""
    holds = fields.each("holds", read_hold)
    turns = fields.one("turns", read_turns)
    if turns is not None and not holds:
        raise fields.refusal("turns", "turnings belong to a hold; add at least one [[holds]] for them")
    plain = tuple(Heat(one, turns) for one in holds)
    alternatives: tuple[Node, ...] = () if not plain else (plain[0] if len(plain) == 1 else AnyOf(plain),)
    equation = fields.one("equation", _equation)
    computed: tuple[Node, ...] = () if equation is None else (equation,)
    return AllOf((*alternatives, *computed, *fields.each("criteria", _node)))


def _node(fields: Fields, depth: int = 1) -> Node:
    kind = fields.choice("kind", KINDS)
    if kind == "duty":
        return read_duty(fields)
    if kind == "hold":
        turns = fields.one("turns", read_turns)
        return Heat(read_hold(fields), turns)
    if depth > DEEPEST:
        raise fields.refusal("of", f"nested more than {DEEPEST} levels deep; write it flatter")
    parts = fields.each("of", lambda part: _node(part, depth + 1))
    if not parts:
        raise fields.refusal("of", "nothing to choose from; add at least one part")
    return AllOf(parts) if kind == "all_of" else AnyOf(parts)


def read_hold(fields: Fields) -> Hold:
    """Read a temperature and how long it is to be kept."""
    unit = UNIT_OF_UCUM[fields.choice("unit", tuple(UCUM[unit] for unit in sorted(TEMPERATURE_UNITS)))]
    days = fields.has("duration_days")
    hours = fields.number("duration_days", low=1) * 24 if days else fields.number("duration_h")
    hold = Hold(
        name=fields.text("name"),
        operator=cast("Operator", fields.choice("operator", get_args(Operator))),
        threshold=fields.number("threshold", high=1000),
        unit=unit,
        upper_limit=fields.number("upper_limit", high=1000) if fields.has("upper_limit") else None,
        duration_h=float(hours),
        continuity=cast("Continuity", fields.choice("continuity", get_args(Continuity))),
        max_gap_h=_gap(fields),
        day_gap=fields.one("day_gap", _day_gap),
        day_count=fields.one("day_count", _day_count),
        mean=fields.one("mean", _mean),
        within=fields.each("within", lambda part: _within(part, unit)),
    )
    _refuse_odd_hold(hold, hours, fields, "duration_days" if days else "duration_h")
    return hold


def _refuse_odd_hold(hold: Hold, hours: Fraction, fields: Fields, key: str) -> None:
    if not _SHORTEST_HOLD_H <= hours <= LONGEST_HOLD_H:
        raise fields.refusal(key, f"{hold.duration_h:g} h is out of range; give one minute to a year")
    if hold.upper_limit is not None and hold.upper_limit <= hold.threshold:
        raise fields.refusal("upper_limit", f"{float(hold.upper_limit):g} is not above the threshold")
    if hold.day_count is not None and hold.day_count.days * 24 != hold.duration_h:
        raise fields.refusal("day_count/days", f"{hold.day_count.days} days do not match the duration")
    for place, one in enumerate(hold.within):
        if one.duration_h > hold.duration_h:
            raise fields.refusal(
                f"within/{place}", f"{one.duration_h:g} h do not fit into {hold.duration_h:g} h"
            )
    if hold.day_count is not None and (hold.within or hold.mean):
        raise fields.refusal(
            "day_count", "days cannot be counted where hours or a mean within the period are asked"
        )


def _gap(fields: Fields) -> float:
    return float(fields.number("max_gap_h", low=1, high=24 * 7))


def _mean(fields: Fields) -> Mean:
    operator = fields.choice("operator", get_args(Operator))
    return Mean(cast("Operator", operator), fields.number("threshold", high=1000))


def _within(fields: Fields, unit: Unit) -> Hold:
    return Hold(
        name=fields.text("name"),
        operator=cast("Operator", fields.choice("operator", get_args(Operator))),
        threshold=fields.number("threshold", high=1000),
        unit=unit,
        upper_limit=None,
        duration_h=float(fields.number("duration_h", high=LONGEST_HOLD_H)),
        continuity="consecutive" if fields.flag("consecutive", default=False) else "cumulative",
        max_gap_h=_gap(fields),
    )


def _day_gap(fields: Fields) -> DayGap:
    return DayGap(_gap(fields), fields.weekdays("weekdays"))


def _day_count(fields: Fields) -> DayCount:
    qualifies = fields.choice("qualifies", ("one_reading", "every_reading"))
    record = fields.choice("record", ("any", "daily"))
    return DayCount(
        days=fields.whole("days", low=2),
        qualifies="one_reading" if qualifies == "one_reading" else "every_reading",
        record="any" if record == "any" else "daily",
        max_gap_h=_gap(fields),
        daily_spacing_h=float(fields.number("daily_spacing_h", low=1, high=24)),
        mixed_day_cool_h=float(fields.number("mixed_day_cool_h", high=24)),
    )


def read_turns(fields: Fields) -> Turns:
    """Read the turnings asked for."""
    return Turns(
        minimum=fields.whole("minimum", low=1, high=100),
        window=cast("TurnWindow", fields.choice("window", get_args(TurnWindow))),
        spacing_h=float(fields.number("spacing_h", default=0, high=24 * 366)),
        hot_before_h=float(fields.number("hot_before_h", low=1)) if fields.has("hot_before_h") else None,
        regain_in_text=fields.flag("regain_in_text", default=False),
    )


def read_initial_mix(fields: Fields) -> InitialMix:
    """Read the range of the carbon to nitrogen ratio."""
    mix = InitialMix(
        fields.number("carbon_nitrogen_min", low=1, high=500),
        fields.number("carbon_nitrogen_max", low=1, high=500),
    )
    if mix.carbon_nitrogen_min >= mix.carbon_nitrogen_max:
        raise fields.refusal(
            "carbon_nitrogen_max", f"{float(mix.carbon_nitrogen_max):g} is not above the minimum"
        )
    return mix


def _equation(fields: Fields) -> Node:
    """Read a time-temperature equation as holds at a few temperatures, each for the time it asks there."""
    numerator = fields.number("days_numerator", low=1, high=10**12)
    slope = fields.number("slope_per_c", high=10)
    least_h, gap = float(fields.number("least_minutes", high=1440)) / 60, _gap(fields)
    floor_c = fields.number("floor_c", high=1000)
    steps = [_step(fields, one, floor_c) for one in fields.numbers("temperatures_c")]
    holds = []
    for limit in sorted(steps, reverse=True):
        hours = max(least_h, 24 * days_asked(float(numerator), float(slope), float(limit)))
        # Whole minutes, upward: the equation is a least time.
        rounded = -(-Fraction(Decimal(repr(round(hours * 60, 6)))) // 1) / Fraction(60)
        name = f"{float(limit):g} °C for {float(rounded):.4g} h"
        hold = Hold(name, ">=", limit, Unit.CEL, None, float(rounded), "consecutive", gap)
        _refuse_odd_hold(hold, rounded, fields, "temperatures_c")
        holds.append(Heat(hold))
    return AnyOf(tuple(holds))


def _step(fields: Fields, limit: Fraction, floor_c: Fraction) -> Fraction:
    if limit < floor_c:
        raise fields.refusal("temperatures_c", f"{float(limit):g} lies below the floor of {float(floor_c):g}")
    return limit
