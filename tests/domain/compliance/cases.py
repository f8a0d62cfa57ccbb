"""Worked cases of the published texts, each with the words of the law it turns on.

The expected figures are arithmetic on those words: 15 days are 360 h, a reading below the limit ends the heat at
the reading before it, and heat begins again with the next reading that qualifies.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from service.domain.compliance import History
from service.domain.quantities import Unit
from tests.domain.compliance.piles import START, UTC_ZONE, at, dips, hour_of, log, pile

EPA, EPA_STATIC = "us-503-pfrp-windrow", "us-503-pfrp-asp"
NOP, NOP_STATIC = "us-nop-windrow", "us-nop-static-vessel"
FDA, FDA_STATIC = "us-fda-turned", "us-fda-static"
NY, CA, EU, UK, DE = "us-ny-windrow", "us-ca-windrow", "eu-cmc3", "uk-abp-housed-windrow", "de-bioabfv"

# State, and the hour at which it was first met.
Expected = tuple[str, float | None]
SHORT: Expected = ("under_way", None)
UNPROVEN: Expected = ("cannot_judge", None)


@dataclass(frozen=True)
class Case:
    """One published case.

    Attributes
    ----------
    name, text
        The case, and the words of the law with their source.
    history, at_h
        The pile, and the hour of judging; None for the last reading.
    expected
        By rule.
    reading
        The interpretation.
    noted
        Rules that are met under a reservation; every other verdict carries none.
    """

    name: str
    text: str
    history: History
    expected: Mapping[str, Expected]
    at_h: float | None = None
    reading: str = "inspector"
    noted: Sequence[str] = ()
    start: datetime = START
    zone: ZoneInfo = field(default=UTC_ZONE)


STEADY = pile(log(57, 360))
# No turning in the day before the dip, or it would be put down to it.
DIP = pile(log(dips(57, (200, 202, 54.0)), 562, every_h=0.25), turn_days=(2, 5, 7, 11, 14, 17, 20, 22))
TURN_DIP = pile(log(dips(61, (144, 153, 48.0)), 370, every_h=0.25), turn_days=(3, 6, 9, 12, 15))
THREE_PROBES = pile(
    [
        reading
        for position in ("north", "core", "south")
        for reading in log(dips(58, (96, 168, 54.2)) if position == "south" else 58, 360, position=position)
    ]
)
SAME_DAY = pile(log(57, 360), turn_days=[7 + n / 48 for n in range(5)])
COLD_TURN = pile(log(dips(57, (156, 180, 50.0)), 180 + 16 * 24), turn_days=(2, 5, 7, 12, 17))
GAP = pile([one for one in log(57, 570) if not 180 < hour_of(one.observed_at) < 210])
TOO_HOT = pile(log(lambda hour: 172 if 120 <= hour < 128 else 140, 360, unit=Unit.DEG_F))
SPRING = datetime(2024, 3, 9, 13, tzinfo=UTC)  # 08:00 in New York, the day before the clocks go forward
CLOCKS_FORWARD = pile(log(57, 359, start=SPRING), start=SPRING)
AUTUMN = datetime(2024, 10, 28, 12, tzinfo=UTC)  # 08:00 in New York; the clocks go back on 3 November
CLOCKS_BACK = pile(log(57, 361, start=AUTUMN), start=AUTUMN)
STATIC_DIP = pile(log(dips(57, (50, 50 + 40 / 60, 54.0)), 123, every_h=1 / 6), turn_days=())
HOT_THEN_LESS = pile(log(lambda hour: 66 if hour <= 96 else 61 if hour <= 168 else 56, 216))
NOT_ADDITIVE = pile(log(lambda hour: 66 if hour <= 48 else 61 if hour <= 120 else 56, 312))
WEEKDAYS_ONLY = pile(
    [
        one
        for one in log(57, 18 * 24 + 8, every_h=8)
        if one.observed_at.hour == 8 and one.observed_at.weekday() < 5
    ]
)
NEW_YORK = ZoneInfo("America/New_York")

CASES = [
    Case(
        "T01 fifteen days, five turnings",
        "40 CFR 503 App. B: 'maintained at 55 degrees or higher for 15 days or longer … a minimum of five turnings'",
        STEADY,
        {
            **dict.fromkeys((EPA, CA, NOP, FDA, NY), ("met", 360.0)),
            EU: ("met", 336.0),
            DE: ("met", 336.0),
            UK: SHORT,
        },
    ),
    Case(
        "T02 one hour short",
        "7 CFR 205.203(c)(2)(iii): 'for 15 days'; 14 d 23 h are 359 h",
        pile(log(57, 359)),
        {**dict.fromkeys((EPA, CA, NOP, FDA, NY), SHORT), EU: ("met", 336.0), DE: ("met", 336.0)},
    ),
    Case(
        "T03 fifteen daily readings",
        "14 CCR 17868.3: 'Daily temperature measurements'; first to last are 14 x 24 h = 336 h",
        pile(log(57, 336, every_h=24, start=at(8)), start=at(8)),
        {
            CA: ("met", 344.0),
            FDA: ("met", 344.0),
            **dict.fromkeys((EPA, NOP, NY), SHORT),
            EU: ("met", 344.0),
            DE: ("met", 344.0),
        },
        noted=(CA, FDA),
    ),
    Case(
        "T04 two-hour dip, careful reading, day 15",
        "6 NYCRR 361-3.7: '15 consecutive days when the temperature of the waste is not less than 55 °C'",
        DIP,
        {
            **dict.fromkeys((EPA, NOP, NY, FDA, EU), SHORT),
            CA: ("met", 360.0),
            DE: ("met", 338.25),
        },
        at_h=360,
        noted=(CA, DE),
    ),
    Case(
        "T04 two-hour dip, hours added up",
        "40 CFR 503 App. B says neither consecutive nor cumulative; 357.75 h at h 360, 360 h at h 362.25",
        DIP,
        {EPA: SHORT, NOP: SHORT, NY: SHORT, EU: ("met", 338.25)},
        at_h=362,
        reading="cumulative",
        noted=(EU,),
    ),
    Case(
        "T04 two-hour dip, hours added up to 362.25",
        "21 CFR 112.54(b)(2): '15 days (which do not have to be consecutive)'",
        DIP,
        {EPA: ("met", 362.25), NOP: ("met", 362.25), NY: SHORT},
        at_h=362.25,
        reading="cumulative",
        noted=(EPA, NOP),
    ),
    Case(
        "T04 two-hour dip, FDA at 362.25",
        "21 CFR 112.54(b)(2): '15 days (which do not have to be consecutive)'",
        DIP,
        {FDA: ("met", 362.25)},
        at_h=362.25,
    ),
    Case(
        "T04 two-hour dip, an unbroken run again",
        "6 NYCRR 361-3.7: 202 h + '15 consecutive days' = 562 h",
        DIP,
        {NY: ("met", 562.0), EPA: ("met", 562.0), NOP: ("met", 562.0)},
        at_h=562,
    ),
    Case(
        "T05 dip caused by the turning, a quarter hour early",
        "40 CFR 503 App. B orders five turnings; the 9.25 h of the fall are not hours at 55 °C",
        TURN_DIP,
        dict.fromkeys((EPA, CA, NOP, FDA, NY), SHORT),
        at_h=369,
    ),
    Case(
        "T05 dip caused by the turning",
        "6 NYCRR 361-3.7 orders five turnings within the 15 days; 360 h + 9.25 h = 369.25 h",
        TURN_DIP,
        dict.fromkeys((EPA, CA, NOP, FDA, NY), ("met", 369.25)),
        at_h=369.25,
        noted=(NY,),
    ),
    Case(
        "T05 dip caused by the turning, literally",
        "6 NYCRR 361-3.7: 'consecutive days when the temperature of the waste is not less than 55 °C'",
        TURN_DIP,
        {NY: SHORT},
        at_h=369.25,
        reading="literal",
    ),
    Case(
        "T06 one probe of three at 54.2 °C on days 4 to 6",
        "Regulation (EU) 2019/1009 CMC 3: 'all parts of each batch'; BioAbfV: 'das gesamte Rottematerial'",
        THREE_PROBES,
        dict.fromkeys((EPA, NOP, NY, EU, DE), SHORT),
        at_h=360,
    ),
    Case(
        "T07 four turnings",
        "40 CFR 503 App. B: 'a minimum of five turnings'; BioAbfV names no number",
        pile(log(57, 360), turn_days=(2, 5, 8, 11)),
        {**dict.fromkeys((EPA, CA, NOP, FDA, NY), SHORT), EU: ("met", 336.0), DE: ("met", 336.0)},
    ),
    Case(
        "T08 five turnings in 15.5 days",
        "7 CFR 205.203(c)(2)(iii): '15 days … during which period'; 503: '15 days or longer. During the period'",
        pile(log(57, 17 * 24), turn_days=(0.5, 4, 8, 12, 16)),
        {
            EPA: ("met", 384.0),
            CA: ("met", 384.0),
            FDA: ("met", 384.0),
            NOP: SHORT,
            NY: SHORT,
        },
    ),
    Case(
        "T09 five turnings in two hours, literally",
        "40 CFR 503 App. B names no time between turnings",
        SAME_DAY,
        dict.fromkeys((EPA, CA, NOP, NY, FDA), ("met", 360.0)),
        reading="literal",
        noted=(EPA, CA, NOP, NY, FDA),
    ),
    Case(
        "T09 five turnings in two hours",
        "WSI 2006/1293 Sch. 1: 'turned at least 3 times at no less than 2 days intervals'",
        SAME_DAY,
        dict.fromkeys((EPA, CA, NOP, NY, FDA, UK), SHORT),
    ),
    Case(
        "T10 third turning in a cold spell",
        "14 CCR 17868.3: 'During the period when the compost is maintained at 131 °F or higher … five turnings'",
        COLD_TURN,
        {**dict.fromkeys((EPA, CA, NOP, NY), SHORT), FDA: ("met", 408.0)},
    ),
    Case(
        "T11 thirty hours unseen",
        "14 CCR 17868.3: 'Daily temperature measurements'; each calendar day has its reading. 360 h - 30 h = 330 h",
        GAP,
        {**dict.fromkeys((EPA, NOP, NY, FDA), UNPROVEN), CA: ("met", 360.0), DE: ("met", 336.0)},
        at_h=360,
        noted=(CA,),
    ),
    Case(
        "T11 thirty hours unseen and made up for",
        "21 CFR 112.54(b)(2): '15 days (which do not have to be consecutive)'; 360 h + 30 h = 390 h",
        GAP,
        {**dict.fromkeys((EPA, NOP, NY), UNPROVEN), FDA: ("met", 390.0)},
        at_h=390,
    ),
    Case(
        "T11 thirty hours unseen, hours added up",
        "40 CFR 503 App. B says neither consecutive nor cumulative",
        GAP,
        dict.fromkeys((EPA, NOP), ("met", 390.0)),
        at_h=390,
        reading="cumulative",
        noted=(EPA, NOP),
    ),
    Case(
        "T12 readings on weekdays only",
        "14 CCR 17868.3: 'Daily temperature measurements'; Friday to Monday are 72 h",
        WEEKDAYS_ONLY,
        dict.fromkeys((EPA, NOP, NY, FDA, CA, DE), UNPROVEN),
    ),
    Case(
        "T15 eight hours at 172 °F",
        "7 CFR 205.203(c)(2): 'between 131 °F and 170 °F'; no other text has a ceiling",
        TOO_HOT,
        {
            NOP: SHORT,
            **dict.fromkeys((EPA, FDA, NY), ("met", 360.0)),
            EU: ("met", 168.0),
            DE: ("met", 144.0),
        },
    ),
    Case(
        "T16 clocks go forward",
        "6 NYCRR 361-3.7: '15 consecutive days'; 9 March 08:00 to 24 March 08:00 are 359 h",
        CLOCKS_FORWARD,
        {**dict.fromkeys((EPA, NOP, NY), SHORT), CA: ("met", 359.0)},
        start=SPRING,
        zone=NEW_YORK,
        noted=(CA,),
    ),
    Case(
        "T16 clocks go back",
        "6 NYCRR 361-3.7: '15 consecutive days'; 28 October 08:00 to 12 November 08:00 are 361 h",
        CLOCKS_BACK,
        dict.fromkeys((EPA, NOP, NY, CA, FDA), ("met", 360.0)),
        start=AUTUMN,
        zone=NEW_YORK,
    ),
    Case(
        "T18 forty-minute dip in a static pile",
        "21 CFR 112.54(b)(1): '3 consecutive days'; 40 CFR 503 App. B: 'maintained … for three days'",
        STATIC_DIP,
        dict.fromkeys((FDA_STATIC, EPA_STATIC, NOP_STATIC), SHORT),
        at_h=72 + 5 / 6,
    ),
    Case(
        "T18 forty-minute dip, hours added up",
        "40 CFR 503 App. B says neither consecutive nor cumulative; 72 h + 50 min = 72.83 h",
        STATIC_DIP,
        {FDA_STATIC: SHORT, EPA_STATIC: ("met", 72 + 5 / 6), NOP_STATIC: ("met", 72 + 5 / 6)},
        at_h=72 + 5 / 6,
        reading="cumulative",
        noted=(EPA_STATIC, NOP_STATIC),
    ),
    Case(
        "T18 forty-minute dip, three days again",
        "21 CFR 112.54(b)(1): 50.67 h + '3 consecutive days' = 122.67 h",
        STATIC_DIP,
        dict.fromkeys((FDA_STATIC, EPA_STATIC, NOP_STATIC), ("met", 122 + 2 / 3)),
        at_h=123,
    ),
    Case(
        "T20 hotter time counts to a lower profile",
        "CMC 3: '65 °C or more for at least 5 days; 60 °C or more for at least 7 days'; BioAbfV: '65 °C über 3 Tage'",
        HOT_THEN_LESS,
        {EU: ("met", 168.0), DE: ("met", 72.0)},
    ),
    Case(
        "T20 profiles do not add up",
        "CMC 3: 'one of the following'; BioAbfV: '55 °C … 2 Wochen, von 60 °C über 6 Tage oder von 65 °C über 3 Tage'",
        NOT_ADDITIVE,
        {EU: SHORT, DE: SHORT},
    ),
    Case(
        "T21 turnings 1.5 days apart",
        "WSI 2006/1293 Sch. 1: 'turned at least 3 times at no less than 2 days intervals'",
        pile(log(61, 192), turn_days=(2, 3.5, 6)),
        {UK: SHORT},
    ),
    Case(
        "T21 turnings 2 days apart",
        "NISR 2003/495 Sch. 1: '8 days (during which the windrow must be turned at least 3 times …)'",
        pile(log(61, 192), turn_days=(2, 4, 6)),
        {UK: ("met", 192.0)},
    ),
    Case(
        "T24 fresh manure on day 7",
        "14 CCR 17867(a)(5): treated material must not be contaminated with material that is not",
        pile(log(57, 527), turn_days=(2, 5, 8, 11, 14, 17, 20), restarts=(at(168),)),
        dict.fromkeys((EPA, CA, NOP, FDA, NY), SHORT),
    ),
    Case(
        "T24 fresh manure on day 7, fifteen days later",
        "40 CFR 503 App. B: 168 h + '15 days' = 528 h",
        pile(log(57, 528), turn_days=(2, 5, 8, 11, 14, 17, 20), restarts=(at(168),)),
        dict.fromkeys((EPA, CA, NOP, FDA, NY), ("met", 528.0)),
    ),
    Case(
        "T26 initial C:N of 24",
        "7 CFR 205.203(c)(2)(i): 'Established an initial C:N ratio of between 25:1 and 40:1'",
        pile(log(57, 72), turn_days=(), initial_carbon_nitrogen_ratio=24.0),
        {NOP_STATIC: ("not_met", None), EPA_STATIC: ("met", 72.0)},
    ),
    Case(
        "T28 no curing record",
        "21 CFR 112.54(b)(2): 'and is followed by adequate curing'",
        pile(log(57, 360), cured_days=None),
        {FDA: UNPROVEN},
    ),
    Case(
        "T29 fifth turning at h 350, never hot again",
        "40 CFR 503 App. B: '15 days or longer'; 350 h are 10 h short",
        pile(log(dips(57, (350.25, 999, 49.0)), 480, every_h=0.25), turn_days=(2, 5, 8, 11, 350 / 24)),
        dict.fromkeys((EPA, CA, NOP, NY), SHORT),
    ),
    Case(
        "T29 fifth turning after 365 hot hours, never hot again",
        "40 CFR 503 App. B does not ask for heat after the last turning; a careful inspector does",
        pile(log(dips(57, (365.25, 999, 49.0)), 480, every_h=0.25), turn_days=(2, 5, 8, 11, 365 / 24)),
        dict.fromkeys((EPA, CA, NOP, NY), ("met", 365.0)),
        noted=(EPA, CA, NOP, NY),
    ),
    Case(
        "T29 fifth turning after 365 hot hours, literally",
        "40 CFR 503 App. B does not ask for heat after the last turning",
        pile(log(dips(57, (365.25, 999, 49.0)), 480, every_h=0.25), turn_days=(2, 5, 8, 11, 365 / 24)),
        dict.fromkeys((EPA, CA, NOP, NY), ("met", 365.0)),
        reading="literal",
    ),
]
