"""A site's work calendar on the wire."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from service.http.values import Day, In, Name, Note, Number, Out, Whole, ZoneName, shown_as
from service.http.weekdays import Weekday

MonthDay = Annotated[str, StringConstraints(pattern=r"^[0-9]{2}-[0-9]{2}$"), Field(examples=["07-01"])]
"""Month and day, in every year."""
People = Annotated[Whole, Field(ge=0, le=1000, description="How many come; 1 or more.")]
Hours = Annotated[Number, Field(description="How long each works [h], by the clock on the wall; at most 24.")]
CountryCode = Annotated[
    str,
    StringConstraints(max_length=64),
    Field(description="ISO 3166-1 code of two letters.", examples=["PT"]),
]
PartCode = Annotated[
    str,
    StringConstraints(max_length=64),
    Field(description="Second half of an ISO 3166-2 code; null for the whole country.", examples=["11"]),
]


class ShiftIn(In):
    """One crew's work on one weekday."""

    crew: Name = "crew"
    people: People
    hours: Hours


Shifts = Annotated[list[ShiftIn], Field(max_length=50)]


class WeekIn(In):
    """Which crews come on which weekday; a weekday left out has none."""

    mon: Shifts = Field(default_factory=list)
    tue: Shifts = Field(default_factory=list)
    wed: Shifts = Field(default_factory=list)
    thu: Shifts = Field(default_factory=list)
    fri: Shifts = Field(default_factory=list)
    sat: Shifts = Field(default_factory=list)
    sun: Shifts = Field(default_factory=list)


class SeasonIn(In):
    """A part of every year with a week of its own; it may run over New Year. Seasons do not overlap."""

    name: Name
    first: MonthDay = Field(alias="from")
    last: MonthDay = Field(alias="to", description="Included.")
    week: WeekIn = Field(default_factory=WeekIn, description="In place of the ordinary one; empty: no crew.")


class HolidayChosenIn(In):
    """The public holiday a closure was chosen from, as it was offered then."""

    country: CountryCode
    subdivision: PartCode | None = None
    name: Name
    name_en: Name | None = None
    source: Name


class ClosureIn(In):
    """A date on which the site is shut; it wins over the week, a season and an extra day."""

    date: Day
    reason: Annotated[Note, Field(min_length=1)]
    holiday: HolidayChosenIn | None = Field(
        default=None, description="Of a closure kept from a public holiday: send it back as it was given."
    )


class ExtraDayIn(ShiftIn):
    """A shift on one date, beside those of its weekday."""

    date: Day


class HolidaysIn(In):
    """Public holidays to close on: kept with date and name, and not looked up again."""

    country: CountryCode
    subdivision: PartCode | None = None
    keep: list[Day] = Field(max_length=400, description="Dates out of GET /v1/holidays.")


class CalendarIn(In):
    """When crews are at a site."""

    model_config = shown_as(
        {
            "week": {
                "mon": [{"crew": "Year 9", "people": 6, "hours": 1.5}],
                "wed": [{"crew": "Year 9", "people": 6, "hours": 1.5}],
                "fri": [
                    {"crew": "Year 9", "people": 6, "hours": 1.5},
                    {"crew": "Parents", "people": 2, "hours": 3},
                ],
            },
            "seasons": [
                {
                    "name": "summer holidays",
                    "from": "07-01",
                    "to": "08-31",
                    "week": {"sat": [{"crew": "Parents", "people": 4, "hours": 3}]},
                }
            ],
            "closures": [{"date": "2026-03-20", "reason": "school trip"}],
            "holidays": {"country": "PT", "subdivision": "11", "keep": ["2026-04-03", "2026-06-10"]},
            "extra_days": [{"date": "2026-03-14", "crew": "Parents", "people": 4, "hours": 3}],
        }
    )

    week: WeekIn
    seasons: list[SeasonIn] = Field(default_factory=list, max_length=50)
    closures: list[ClosureIn] = Field(default_factory=list, max_length=2000)
    holidays: HolidaysIn | None = None
    extra_days: list[ExtraDayIn] = Field(default_factory=list, max_length=2000)


class SeasonOut(Out):
    """A part of every year with a week of its own."""

    name: str
    first: str = Field(validation_alias="from", serialization_alias="from")
    last: str = Field(validation_alias="to", serialization_alias="to")
    week: WeekIn


class AssumedHoursOut(Out):
    """A figure that stands in for what nobody recorded."""

    figure: Literal["hours_per_work_day", "people_per_work_day"]
    value: float
    low: float | None
    high: float | None
    source: str
    status: str
    note: str


class CalendarOut(Out):
    """A site's work calendar as it is on record, or what its work days stand for while it has none."""

    time_zone: ZoneName = Field(description="Every date is a local one there.")
    is_assumed: bool = Field(
        description="Nobody recorded a calendar: the site's work days and closures with the figures 'assumed'."
    )
    assumed: list[AssumedHoursOut]
    week: WeekIn
    seasons: list[SeasonOut]
    closures: list[ClosureIn]
    extra_days: list[ExtraDayIn]


class CalendarCrewOut(Out):
    """One crew's work on one date."""

    crew: str
    people: int
    hours: float
    minutes: int = Field(description="Person-minutes.")


class CalendarDayOut(Out):
    """One local date."""

    date: Day
    weekday: Weekday
    state: Literal["crew", "closed", "no_crew"] = Field(
        description="'no_crew': nobody comes, and it might be opened; a closed day may not."
    )
    minutes: int = Field(description="Person-minutes of all crews together.")
    crews: list[CalendarCrewOut]
    season: str | None
    is_extra: bool = Field(description="A shift was added to this date; on a closed one it does not count.")
    closed_because: str | None
    holiday: HolidayChosenIn | None = Field(description="The public holiday it is closed for.")


class CalendarDaysOut(Out):
    """The dates asked for, in order."""

    time_zone: ZoneName
    is_assumed: bool
    items: list[CalendarDayOut]
    minutes: int = Field(description="Person-minutes in all.")


class PublicHolidayOut(Out):
    """A public holiday; ``name_en`` is null where no English name is offered."""

    date: Day
    name: str
    name_en: str | None


class CountryPartOut(Out):
    """A part of a country that may have holidays of its own."""

    code: str
    name: str | None


class HolidaysOut(Out):
    """The public holidays of a year, to choose closures from."""

    country: str
    subdivision: str | None
    year: int
    category: Literal["public"] = "public"
    source: str = Field(
        description="The library they come from, with its version; check what matters to you."
    )
    items: list[PublicHolidayOut]
    subdivisions: list[CountryPartOut]
