"""Worked cases of the texts that joined the book later; figures are arithmetic on the words quoted beside them."""

from datetime import UTC, datetime

from service.domain.compliance import Sample
from service.domain.quantities import Unit
from tests.domain.compliance.case import CA, DE, EPA, EPA_STATIC, EU, FDA, NOP, NY, SHORT, UK, UNPROVEN, Case
from tests.domain.compliance.histories import GAP, SAME_DAY, STEADY, TURN_DIP, WEEKDAYS_ONLY
from tests.domain.compliance.piles import at, dips, log, pile

AU, AU_RISK, NZ, PH = "au-4454-std", "au-4454-highrisk", "nz-4454", "ph-paes414"
CA_ASP = "us-ca-asp"
TX, TX_STATIC, NY_STATIC = "us-tx-windrow", "us-tx-static-vessel", "us-ny-static-vessel"
PSRP, MA, VAR, OLD_EPA, GUIDANCE = (
    "us-503-psrp",
    "us-ma-psrp",
    "us-503-var-b5",
    "us-257-pfrp-windrow",
    "us-503-pfrp-guidance",
)
NOP_5021, FDA_LAB, CCME, CCME_STATIC = (
    "us-nop-5021",
    "us-fda-lab-b",
    "ca-ccme-windrow",
    "ca-ccme-static-vessel",
)
REACTOR, REACTOR_60, REACTOR_70, DE_PAST = (
    "eu-142-reactor",
    "uk-abp-reactor-60",
    "uk-abp-reactor-70",
    "de-bioabfv-past",
)

FAILED = ("not_met", None)
MIXED = frozenset({"all_material_heated", "allowed_feedstock"})


def probes(south: object, others: float, until_h: float = 360) -> list[object]:
    """Three positions, of which one differs."""
    found: list[object] = []
    for position in ("north", "core", "south"):
        found += log(south if position == "south" else others, until_h, position=position)  # type: ignore[arg-type]
    return found


COLD_SOUTH = dips(61, (96, 168, 54.2))
PSRP_HEAT = pile(log(lambda hour: 47 if hour <= 120 else 55, 124), turn_days=())
FIFTH_TURN_COLD = pile(
    log(dips(57, (365.25, 999, 49.0)), 480, every_h=0.25), turn_days=(2, 5, 8, 11, 365 / 24)
)
SAMPLED = (Sample(at(400), {"fecal_coliform_mpn_g": 1000.0, "salmonella_mpn_4g": 0.0}),)

BOOK_CASES = [
    Case(
        "T01 fifteen days, five turnings",
        "AS 4454-2012 cl. 3.2.1: '55 °C for three consecutive days before each turn', 3 turns: at d 5, 8 and 11",
        STEADY,
        {
            **dict.fromkeys((TX, AU_RISK, OLD_EPA, CCME, GUIDANCE, PH), ("met", 360.0)),
            AU: ("met", 264.0),
            NZ: ("met", 360.0),
        },
    ),
    Case(
        "T02 one hour short",
        "30 TAC 332.23(2)(B): '15 days or longer'; 14 d 23 h are 359 h",
        pile(log(57, 359), method="turned_windrow"),
        dict.fromkeys((TX, AU_RISK, OLD_EPA, CCME, GUIDANCE, PH), SHORT),
    ),
    Case(
        "T03 fifteen daily readings",
        "40 CFR 257 App. II: 'attains … for at least 15 days during the composting period'",
        pile(log(57, 336, every_h=24, start=at(8)), start=at(8)),
        # The fifth turning and the last reading are at the same time: no heat after it yet.
        {**dict.fromkeys((OLD_EPA, CCME), ("met", 344.0)), TX: SHORT, PH: SHORT},
        noted=(OLD_EPA, CCME),
    ),
    Case(
        "T04 two-hour dip, no turning near it",
        "40 CFR 257 App. II: 'attains … during the composting period'; 360 h + 2.25 h = 362.25 h",
        pile(
            log(dips(57, (200, 202, 54.0)), 362.25, every_h=0.25),
            turn_days=(2, 5, 7, 11, 14),
            method="turned_windrow",
        ),
        {
            **dict.fromkeys((OLD_EPA, CCME, PH), ("met", 362.25)),
            **dict.fromkeys((TX, GUIDANCE, AU_RISK), SHORT),
        },
    ),
    Case(
        "T06 one probe of three at 54.2 °C on days 4 to 6, the others 58 °C",
        "40 CFR 503 App. B (all of the compost); 58 °C reaches no higher profile of CMC 3 or BioAbfV",
        pile(probes(dips(58, (96, 168, 54.2)), 58)),
        dict.fromkeys((EPA, NOP, NY, TX, EU, DE), SHORT),
    ),
    Case(
        # At 61 °C the pile holds 60 °C everywhere from h 168 on, and CMC 3 asks 168 h of it; BioAbfV asks 144 h, which
        # may lie apart: 95 h before and 49 h after. So at 61 °C only the texts without a higher profile are short.
        "T06 one probe of three at 54.2 °C on days 4 to 6, the others 61 °C",
        "CMC 3: '60 °C or more for at least 7 days'; BioAbfV: '60 °C über 6 Tage'; from h 168 on",
        pile(probes(COLD_SOUTH, 61)),
        {**dict.fromkeys((EPA, NOP, NY, TX), SHORT), EU: ("met", 336.0), DE: ("met", 217.0)},
    ),
    Case(
        "T06 the same pile, averaged as a plan permits",
        "USDA APHIS composting guidance: 'Temperature measurements from windrows may be averaged'; mean 58.7 °C",
        pile(probes(COLD_SOUTH, 61), averaged_by="plan 7 of the state veterinarian"),
        dict.fromkeys((EPA, NOP, NY, TX), ("met", 360.0)),
        noted=(EPA, NOP, NY, TX),
    ),
    Case(
        "T07 four turnings",
        "30 TAC 332.23(2)(B): 'a minimum of five turnings'; AS 4454 asks for three",
        pile(log(57, 360), turn_days=(2, 5, 8, 11)),
        {**dict.fromkeys((TX, OLD_EPA, AU_RISK), SHORT), AU: ("met", 264.0)},
    ),
    Case(
        "T09 five turnings in two hours",
        "AS 4454-2012 cl. 3.2.1: 'three consecutive days before each turn'",
        SAME_DAY,
        dict.fromkeys((AU, TX), SHORT),
    ),
    Case(
        "T10 third turning in a cold spell",
        "30 TAC 332.23(2)(B): 'During the period when the composting materials are maintained at 55 degrees'",
        pile(log(dips(57, (156, 180, 50.0)), 180 + 16 * 24), turn_days=(2, 5, 7, 12, 17)),
        {TX: SHORT},
    ),
    Case(
        "T18 forty-minute dip in a static pile",
        "6 NYCRR 361-3.7: 'at least 3 consecutive days'; 30 TAC 332.23(2)(A) says neither",
        pile(log(dips(57, (50, 50 + 40 / 60, 54.0)), 72 + 5 / 6, every_h=1 / 6), turn_days=()),
        dict.fromkeys((NY_STATIC, TX_STATIC, CCME_STATIC), SHORT),
    ),
    Case(
        "T19 no cover on a static pile",
        "EPA/625/R-92/013: 'recommended that the insulation layer be at least 1 foot thick'",
        pile(log(58, 72), turn_days=(), measures={"cover_thickness_cm": 0.0}),
        dict.fromkeys((EPA_STATIC, TX_STATIC, NY_STATIC, CCME_STATIC), ("met", 72.0)),
        noted=(EPA_STATIC, TX_STATIC, NY_STATIC, CCME_STATIC),
    ),
    Case(
        "T19 no cover on a static pile, literally",
        "30 TAC 332.23(2)(A): 'maintained at 55 degrees Celsius or higher for three days'",
        pile(log(58, 72), turn_days=(), measures={"cover_thickness_cm": 0.0}),
        dict.fromkeys((EPA_STATIC, TX_STATIC, NY_STATIC), ("met", 72.0)),
        reading="literal",
    ),
    Case(
        "T22 four hours at exactly 55.0 °C",
        "40 CFR 503 App. B: 'For four hours … exceeds 55'; 310 CMR 32.80(4): 'not less than 55 °C during four hours'",
        pile([*log(47, 120), *log(55.0, 5, start=at(121))], turn_days=()),
        {PSRP: SHORT, MA: ("met", 125.0)},
    ),
    Case(
        "T22 four hours above 55 °C, the last of five days and after them",
        "40 CFR 503 App. B: 'For four hours during the five days'; from h 121 to h 125 within h 5 to h 125",
        pile([*log(47, 120), *log(55.1, 5, start=at(121))], turn_days=()),
        {PSRP: ("met", 125.0)},
    ),
    Case(
        "T22 four hours above 55 °C in two halves, six days apart",
        "40 CFR 503 App. B: 'For four hours during the five days'",
        pile(log(lambda hour: 56 if hour <= 2 or hour >= 146 else 47, 148), turn_days=()),
        {PSRP: SHORT},
    ),
    Case(
        "T23 mean of 45.0 °C",
        "40 CFR 503.33(b)(5): 'higher than 40 degrees … average … higher than 45 degrees'",
        pile(log(lambda hour: 44.9 if hour % 2 else 45.1, 336), turn_days=()),
        {VAR: SHORT},
        at_h=335,
    ),
    Case(
        "T23 mean of exactly 45 °C after 14 days",
        "40 CFR 503.33(b)(5): 'the average temperature … higher than 45 degrees'",
        pile(log(45.0, 336), turn_days=()),
        {VAR: SHORT},
    ),
    Case(
        "T23 minimum of exactly 40 °C",
        "40 CFR 503.33(b)(5): 'higher than 40 degrees Celsius'",
        pile(log(dips(46, (100, 101, 40.0)), 336), turn_days=()),
        {VAR: SHORT},
    ),
    Case(
        "T23 minimum 40.1 °C, mean above 45 °C",
        "40 CFR 503.33(b)(5): 'for 14 days or longer'",
        pile(log(dips(46, (100, 101, 40.1)), 336), turn_days=()),
        {VAR: ("met", 336.0)},
    ),
    Case(
        "T26 initial C:N of 24 under the other route",
        "NOP 5021: 'at least 131 °F (55 °C) and remains there for a minimum of 3 days'; no range of C:N",
        pile(log(57, 72), turn_days=(), initial_carbon_nitrogen_ratio=24.0, duties_recorded=MIXED),
        {NOP_5021: ("met", 72.0)},
    ),
    Case(
        "T26 the other route without a record that all of it was heated",
        "NOP 5021: 'mixed or managed to ensure that all of the feedstock heats'",
        pile(log(57, 72), turn_days=()),
        {NOP_5021: UNPROVEN},
    ),
    Case(
        "T27 1,000 MPN/g fecal coliform, no Salmonella",
        "21 CFR 112.55(b): 'not detected … and less than 1,000 MPN'",
        pile(log(57, 360), samples=SAMPLED),
        {FDA_LAB: FAILED},
        at_h=420,
    ),
    Case(
        "T29 fifth turning after 365 hot hours, never hot again",
        "PAES 414-2: 'with 55 °C reached again after the fifth turning'; AS 4454 does not ask for it",
        FIFTH_TURN_COLD,
        {PH: SHORT, TX: ("met", 365.0), AU_RISK: ("met", 365.0)},
        noted=(TX, AU_RISK),
    ),
    Case(
        "closed reactors",
        "Annex V: '70 °C … without interruption: 60 minutes'; WSI 2006/1293: 60 °C for 2 days, 70 °C for 1 hour",
        pile(log(lambda hour: 71 if 1 <= hour <= 2 else 60, 48, every_h=0.25), turn_days=()),
        {REACTOR: ("met", 2.0), REACTOR_70: ("met", 2.0), DE_PAST: ("met", 2.0), REACTOR_60: ("met", 48.0)},
    ),
    Case(
        "closed reactors, a reading of 69.9 °C in the hour",
        "Annex V: 'minimum time without interruption: 60 minutes'; BioAbfV: 'zusammenhängend'",
        pile(log(dips(71, (0.5, 0.75, 69.9)), 1.5, every_h=0.25), turn_days=()),
        dict.fromkeys((REACTOR, REACTOR_70, DE_PAST), SHORT),
    ),
    Case(
        "nothing to judge by",
        "14 CCR 17868.3, 21 CFR 112.54(b)(2), WSI 2006/1293: heat is to be shown",
        pile([], turn_days=()),
        dict.fromkeys((CA, FDA, UK, PSRP, VAR, AU, MA), UNPROVEN),
        at_h=10,
        start=datetime(2026, 5, 4, tzinfo=UTC),
    ),
    Case(
        "T13 130.9 °F is no 131 °F",
        "7 CFR 205.203(c)(2): 'between 131 °F and 170 °F'; 130.9 °F are 54.94 °C",
        pile(log(dips(140, (200, 201, 130.9)), 360, unit=Unit.DEG_F)),
        dict.fromkeys((NOP, CA, TX), SHORT) | {CA: ("met", 360.0)},
        noted=(CA,),
    ),
    Case(
        "T13 131.0 °F and 55.0 °C are the limit itself",
        "7 CFR 205.203(c)(2): 'between 131 °F and 170 °F'",
        pile(log(dips(140, (200, 201, 131.0)), 360, unit=Unit.DEG_F)),
        dict.fromkeys((NOP, CA, TX), ("met", 360.0)),
    ),
    Case(
        "T05 dip caused by the turning",
        "30 TAC 332.23(2)(B): 'maintained … for 15 days or longer', with five turnings; 360 h + 9.25 h",
        TURN_DIP,
        {TX: ("met", 369.25)},
        at_h=369.25,
    ),
    Case(
        "T08 five turnings in 15.5 days",
        "30 TAC 332.23(2)(B): '15 days or longer. During the period … a minimum of five turnings'",
        pile(log(57, 17 * 24), turn_days=(0.5, 4, 8, 12, 16)),
        {TX: ("met", 384.0)},
    ),
    Case(
        "T09 five turnings in two hours, literally",
        "30 TAC 332.23(2)(B) names no time between turnings",
        SAME_DAY,
        {TX: ("met", 360.0)},
        reading="literal",
        noted=(TX,),
    ),
    Case(
        "T11 thirty hours unseen",
        "30 TAC 332.23(2)(B): 'maintained at 55 degrees Celsius or higher'; 30 h of it nobody saw",
        GAP,
        {TX: UNPROVEN},
        at_h=360,
    ),
    Case(
        "T12 readings on weekdays only",
        "30 TAC 332.23(2)(B): 'maintained at 55 degrees Celsius or higher'; Friday to Monday are 72 h",
        WEEKDAYS_ONLY,
        {TX: UNPROVEN},
    ),
    Case(
        "T19 no cover on a static pile in California",
        "14 CCR 17868.3: 'covered with 6 to 12 inches of insulating material'; a duty, open beside the heat",
        pile(log(58, 72), turn_days=(), measures={"cover_thickness_cm": 0.0}),
        {CA_ASP: ("met", 72.0)},
    ),
    Case(
        "T24 fresh manure on day 7, fifteen days later",
        "30 TAC 332.23(2)(B): 168 h + '15 days' = 528 h",
        pile(log(57, 528), turn_days=(2, 5, 8, 11, 14, 17, 20), restarts=(at(168),)),
        {TX: ("met", 528.0)},
    ),
]
