"""Worked cases that turn on the record: daily readings, gaps, clock changes, additions, mix and curing."""

from tests.domain.compliance.case import (
    CA,
    DE,
    EPA,
    EPA_STATIC,
    EU,
    FDA,
    NOP,
    NOP_STATIC,
    NY,
    SHORT,
    UNPROVEN,
    Case,
)
from tests.domain.compliance.histories import (
    AUTUMN,
    CLOCKS_BACK,
    CLOCKS_FORWARD,
    GAP,
    NEW_YORK,
    SPRING,
    WEEKDAYS_ONLY,
)
from tests.domain.compliance.piles import at, log, pile

RECORD_CASES = [
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
]
