"""Worked cases that turn on turnings: their number, spacing, window, and the heat before and after."""

from tests.domain.compliance.case import CA, DE, EPA, EU, FDA, NOP, NY, SHORT, UK, Case
from tests.domain.compliance.histories import COLD_TURN, SAME_DAY, TURN_DIP
from tests.domain.compliance.piles import dips, log, pile

TURNING_CASES = [
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
