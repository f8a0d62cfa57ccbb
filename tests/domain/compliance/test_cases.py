"""Worked cases of the published texts, each with the words of the law it turns on.

The expected figures are arithmetic on those words: 15 days are 360 h, a reading below the limit ends the heat at
the reading before it, and heat begins again with the next reading that qualifies.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from service.domain.compliance import History
from service.domain.quantities import Unit
from tests.domain.compliance.piles import START, UTC_ZONE, at, dips, hour_of, log, pile, verdict

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
DIP = pile(log(dips(57, (200, 202, 54.0)), 562, every_h=0.25), turn_days=(2, 5, 8, 11, 14, 17, 20, 22))
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


@pytest.mark.parametrize(
    ("case", "rule"),
    [pytest.param(case, rule, id=f"{case.name}-{rule}") for case in CASES for rule in case.expected],
)
def test_published_case(case: Case, rule: str) -> None:
    state, met_h = case.expected[rule]
    found = verdict(
        rule, case.history, at_h=case.at_h, start=case.start, zone=case.zone, reading=case.reading
    )
    assert found.state == state, case.text
    assert found.readings_of_the_text[found.interpretation] == state
    if met_h is None:
        assert found.met_at is None
    else:
        assert hour_of(found.met_at, case.start) == pytest.approx(met_h, abs=1e-9)
    # A plain pass carries no reservation; a pass under reserve always says so.
    assert (found.note is not None) == (rule in case.noted)


# What the law calls a failure: the same pile once its process has ended.
FAILURES = [
    ("T01 never 60 °C", UK, STEADY, 360.0, "min. temperature 60 °C (WSI 2006/1293 Sch. 1)"),
    (
        "T05 literal",
        NY,
        TURN_DIP,
        369.25,
        "'not less than 55 °C' for '15 consecutive days' (6 NYCRR 361-3.7)",
    ),
    ("T09 spacing", UK, SAME_DAY, 360.0, "'no less than 2 days intervals' (WSI 2006/1293 Sch. 1)"),
    ("T21 spacing", UK, pile(log(61, 192), turn_days=(2, 3.5, 6)), 192.0, "'no less than 2 days intervals'"),
    ("T04 dip", NY, DIP, 360.0, "'15 consecutive days' (6 NYCRR 361-3.7)"),
]


@pytest.mark.parametrize(
    ("name", "rule", "history", "at_h", "text"), FAILURES, ids=[one[0] for one in FAILURES]
)
def test_a_failure_is_curable_until_the_process_ends(
    name: str, rule: str, history: History, at_h: float, text: str
) -> None:
    reading = "literal" if name.endswith("literal") else "inspector"
    ended = History(
        series=history.series,
        turns=history.turns,
        initial_carbon_nitrogen_ratio=30.0,
        cured_days=30.0,
        closed=True,
    )
    assert verdict(rule, history, at_h=at_h, reading=reading).state == "under_way", text
    closed = verdict(rule, ended, at_h=at_h, reading=reading)
    assert closed.state == "not_met", text
    assert closed.earliest_possible is None
    assert "process has ended" in closed.next


def test_t04_figures() -> None:
    """15-minute log: runs of 199.75 h and 158 h, 357.75 h in all; NY can pass at h 562."""
    found = verdict(NY, DIP, at_h=360)
    assert (found.held_h, found.hot_h) == (158.0, 357.75)
    assert hour_of(found.earliest_possible) == 562.0
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [
        ("below_threshold", 199.75, 202.0)
    ]
    assert "54 °C" in found.lost[0].detail
    assert verdict(EPA, DIP, at_h=360, reading="cumulative").held_h == 357.75
    assert hour_of(verdict(FDA, DIP, at_h=360).earliest_possible) == 362.25


def test_t04_california_prints_the_dip_it_passes_over() -> None:
    found = verdict(CA, DIP, at_h=360)
    assert [one.cause for one in found.lost] == ["below_threshold"]
    assert (found.held_h, found.held_days) == (357.75, 15.0)


def test_t05_new_york_names_the_question() -> None:
    found = verdict(NY, TURN_DIP, at_h=369.25)
    assert found.readings_of_the_text == {"inspector": "met", "literal": "under_way", "cumulative": "met"}
    assert [one.amb for one in found.differences] == ["AMB-05"]
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [
        ("turn_transient", 143.75, 153.0)
    ]


def test_t06_names_the_cold_probe() -> None:
    found = verdict(EPA, THREE_PROBES, at_h=360)
    assert {one.position for one in found.lost} == {"south"}
    assert found.held_h == 192.0
    assert "54.2 °C" in found.lost[0].detail


def test_t07_turning_duty_of_cmc_3() -> None:
    """CMC 3: 'regularly and thoroughly moved and turned or subject to forced ventilation'."""
    turned = verdict(EU, pile(log(57, 360), turn_days=(2, 5, 8, 11)))
    assert "turned_or_forced_air" not in turned.duties_open
    still = verdict(EU, pile(log(57, 360), turn_days=()))
    assert still.state == "met"
    assert "turned_or_forced_air" in still.duties_open
    blown = verdict(EU, pile(log(57, 360), turn_days=(), duties_recorded=frozenset({"forced_ventilation"})))
    assert "turned_or_forced_air" not in blown.duties_open


def test_t08_counts_the_turnings_of_the_best_window() -> None:
    found = verdict(NOP, pile(log(57, 17 * 24), turn_days=(0.5, 4, 8, 12, 16)))
    assert found.turns_counted == 4
    assert [(hour_of(one.at), "window" in one.reason) for one in found.turns_not_counted] == [(12.0, True)]
    # The next turning 12 h after the last: 16.5 d, and the first still counted was at 4 d.
    assert hour_of(found.earliest_possible) == 17 * 24


def test_t09_five_turnings_count_as_one() -> None:
    found = verdict(EPA, SAME_DAY)
    assert (found.turns_counted, len(found.turns_not_counted)) == (1, 4)
    assert [one.amb for one in found.differences] == ["AMB-06"]
    assert found.readings_of_the_text["literal"] == "met"


def test_t10_the_turning_in_the_cold_spell_is_named() -> None:
    found = verdict(EPA, COLD_TURN, at_h=190, reading="cumulative")
    assert (hour_of(found.turns_not_counted[0].at), found.turns_counted) == (168.0, 2)
    assert "does not qualify" in found.turns_not_counted[0].reason


def test_t11_the_gap_is_lost_not_failed() -> None:
    found = verdict(EPA, GAP, at_h=360)
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [("gap", 180.0, 210.0)]
    assert (found.hot_h, found.held_h) == (330.0, 150.0)
    german = verdict(DE, GAP, at_h=360)
    duties = {one.name: one.state for one in german.criteria if one.kind == "duty"}
    # § 3(6): measured 'ständig'; where the authority permits it, 'mindestens ein Mal pro Werktag'.
    assert (duties["continuous_recording"], duties["reading_each_working_day"]) == ("not_met", "met")


def test_t11_a_new_run_proves_it_in_the_end() -> None:
    seen = [one for one in log(57, 570) if not 180 < hour_of(one.observed_at) < 210]
    found = verdict(EPA, pile(seen, turn_days=(9, 12, 15, 18, 21)))
    assert (found.state, hour_of(found.met_at)) == ("met", 570.0)


def test_t12_saturday_is_a_werktag_and_every_day_is_a_day() -> None:
    """14 CCR 17868.3 'Daily'; BioAbfV § 3(6) 'mindestens ein Mal pro Werktag', Monday to Saturday."""
    for rule, duty in ((CA, "daily_reading"), (DE, "reading_each_working_day")):
        found = verdict(rule, WEEKDAYS_ONLY)
        criterion = next(one for one in found.criteria if one.name == duty)
        assert criterion.state == "not_met"
        assert "2026-05-09 at core" in criterion.detail
        assert ("2026-05-10" in criterion.detail) == (rule == CA)


def test_t12_sunday_may_be_missed_in_germany() -> None:
    readings = [one for one in log(57, 20 * 24, every_h=24) if one.observed_at.weekday() != 6]
    found = verdict(DE, pile(readings))
    assert (found.state, hour_of(found.met_at)) == ("met", 336.0)
    assert next(one for one in found.criteria if one.name == "reading_each_working_day").state == "met"


def test_t15_the_ceiling_parts_the_readings() -> None:
    found = verdict(NOP, pile(log(lambda hour: 172 if 120 <= hour < 128 else 140, 369, unit=Unit.DEG_F)))
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [
        ("above_limit", 119.0, 128.0)
    ]
    assert "172 °F" in found.lost[0].detail
    # Not counted, the 9 h cost 9 h; as a break they cost the run.
    assert found.readings_of_the_text == {"inspector": "under_way", "literal": "met", "cumulative": "met"}
    assert "AMB-14" in [one.amb for one in found.differences]
    assert [one.level for one in found.cautions] == ["red"]


def test_t16_hours_and_days() -> None:
    found = verdict(CA, CLOCKS_FORWARD, start=SPRING, zone=NEW_YORK)
    assert (found.held_h, found.held_days) == (359.0, 15.0)


def test_t21_second_barrier_stays_open() -> None:
    """Second barrier: meat excluded and 18 days of storage, or a second treatment (WSI 2006/1293 Sch. 1)."""
    history = pile(log(61, 192), turn_days=(2, 4, 6))
    assert "second_barrier" in verdict(UK, history).duties_open
    stored = pile(
        log(61, 192),
        turn_days=(2, 4, 6),
        duties_recorded=frozenset({"meat_excluded_and_stored_18_days", "particle_size", "housed"}),
    )
    found = verdict(UK, stored)
    assert found.duties_open == ()
    assert found.next.startswith("This rule asks for nothing more")


def test_t24_the_lost_heat_is_named() -> None:
    found = verdict(EPA, pile(log(57, 300), restarts=(at(168), at(24))))
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [
        ("restarted_by_addition", 0.0, 168.0)
    ]
    assert found.held_h == 132.0
    assert [one.reason[:27] for one in found.turns_not_counted] == ["before fresh material was a"] * 2


def test_t25_a_stuck_probe_flagged_upstream_is_a_gap() -> None:
    """A flat line through two turnings is implausible; flagged as failed it proves nothing."""
    stuck = [
        one
        if not 48 <= hour_of(one.observed_at) < 192
        else type(one)(one.position, one.observed_at, 55.6, one.unit, 4)
        for one in log(57, 360)
    ]
    found = verdict(EPA, pile(stuck))
    assert found.state == "cannot_judge"
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [
        ("flagged", 47.0, 192.0)
    ]
    assert found.excluded_by_flag == {"fail": 144}


def test_t28_the_record_is_all_that_lacks() -> None:
    found = verdict(FDA, pile(log(57, 360), cured_days=None))
    states = {one.name: one.state for one in found.criteria if one.kind == "process"}
    assert states == {"temperature_hold": "met", "turnings": "met", "curing": "cannot_judge"}
    assert found.met_at is None
    assert "curing record" in found.next
