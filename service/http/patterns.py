"""A turning pattern on the wire, shared by planning and by piles."""

from typing import Annotated, Any

from pydantic import Field

from service.domain.schedules import Pattern, shipped_patterns
from service.http.values import Flag, In, Out, Whole
from service.http.weekdays import Weekday

Days = Annotated[Whole, Field(ge=0, le=366)]


class PatternIn(In):
    """When a pile is turned, in days of the pile: on weekdays or at an interval, never both."""

    rest_days: Days = Field(
        description="Days left alone after the build; the first turn may fall on this day."
    )
    turn_on: list[Weekday] | None = Field(default=None, max_length=7)
    turn_every_days: Days | None = Field(default=None, description="Counted from the end of the rest.")
    last_turn_day: Days
    check_every_days: Days | None = None
    min_spacing_days: Days | None = None
    move_on_turning: Flag = False
    curing_days: Days | None = None
    screen: Flag = False


def to_pattern(values: dict[str, Any]) -> Pattern:
    """Return the domain's pattern."""
    turn_on = values.get("turn_on")
    return Pattern(**{**values, "turn_on": None if turn_on is None else tuple(turn_on)})


class ShippedPatternOut(Out):
    """A pattern that comes with the service."""

    code: str
    title: str
    source: str
    status: str
    note: str
    pattern: PatternIn


def shipped() -> list[ShippedPatternOut]:
    """Return the patterns that come with the service."""
    return [
        ShippedPatternOut(
            code=one.code,
            title=one.title,
            source=one.source,
            status=one.status,
            note=one.note,
            pattern=PatternIn.model_validate(
                {
                    name: list(value) if isinstance(value, tuple) else value
                    for name in PatternIn.model_fields
                    if (value := getattr(one.pattern, name)) is not None
                }
            ),
        )
        for one in shipped_patterns().values()
    ]
