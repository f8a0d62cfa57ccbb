"""What comes next: earliest dates, deadlines, cautions, and the words."""

import math
from zoneinfo import ZoneInfo

import pytest

from service.domain.compliance import Reading
from service.domain.quantities import Unit
from tests.domain.compliance.piles import at, dips, hour_of, log, pile, verdict

EPA, NOP, UK, EU, CA = (
    "us-503-pfrp-windrow",
    "us-nop-windrow",
    "uk-abp-housed-windrow",
    "eu-cmc3",
    "us-ca-windrow",
)


def deadlines(found) -> list[tuple[str, float]]:
    return [(one.what, hour_of(one.at)) for one in found.at_risk]


@pytest.mark.parametrize(
    ("rule", "history", "at_h", "earliest_h"),
    [
        # Hot for 100 h, two turnings made: 260 h more.
        (EPA, pile(log(61, 100), turn_days=(1, 3)), 100, 360.0),
        # Enough heat, four turnings still to make, 12 h apart, the first at once.
        (EPA, pile(log(61, 360), turn_days=(2,)), 360, 360 + 36.0),
        # The last turning was 2 h ago.
        (EPA, pile(log(61, 360), turn_days=(2, 4, 6, 358 / 24)), 360, 370.0),
        # UK: 'at no less than 2 days intervals'.
        (UK, pile(log(61, 190), turn_days=(7,)), 190, 7 * 24 + 96.0),
        # Cold now and no turning to blame: all 360 h from now.
        (EPA, pile(log(dips(61, (100, 200, 40.0)), 110), turn_days=(2,)), 110, 470.0),
        # Silent for longer than 24 h: the run is lost.
        (EPA, pile(log(61, 100), turn_days=(2,)), 130, 490.0),
        # Hours that add up are not lost by silence: 260 h from now.
        ("us-fda-turned", pile(log(61, 100)), 130, 390.0),
        # The nearest of the profiles: 65 °C for 5 days.
        (EU, pile(log(66, 100)), 100, 120.0),
        # California: on a log the same clock time 15 days on, on daily readings the fifteenth entry.
        (CA, pile(log(61, 100, every_h=4), turn_days=(0.5, 1, 2, 3, 4)), 100, 360.0),
        (CA, pile(log(61, 96, every_h=24), turn_days=(0.5, 1, 2, 3, 4)), 100, 336.0),
    ],
)
def test_earliest_possible(rule, history, at_h, earliest_h) -> None:
    assert hour_of(verdict(rule, history, at_h=at_h).earliest_possible) == pytest.approx(earliest_h)


def test_no_earliest_date_when_only_a_record_is_missing() -> None:
    history = pile(log(61, 360), initial_carbon_nitrogen_ratio=None)
    found = verdict(NOP, history)
    assert (found.state, found.earliest_possible) == ("cannot_judge", None)
    assert found.next == "Enter the C:N of the mix at the start, from the recipe or a laboratory."


def test_a_gap_about_to_be_lost() -> None:
    assert deadlines(verdict(EPA, pile(log(61, 100), turn_days=()), at_h=111)) == []
    found = verdict(EPA, pile(log(61, 100), turn_days=()), at_h=113)
    assert deadlines(found) == [("gap", 124.0)]
    assert found.at_risk[0].position == "core"
    silent = verdict(EPA, pile(log(61, 100), turn_days=()), at_h=125)
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in silent.lost] == [
        ("gap", 100.0, 125.0)
    ]
    assert "Take a reading now" in silent.next


def test_the_fall_after_a_turning_is_pending_for_a_day() -> None:
    history = pile(log(dips(61, (144, 999, 48.0)), 200, every_h=0.25), turn_days=(6,))
    pending = verdict(EPA, history, at_h=160)
    assert pending.held_h == 143.75
    assert [one.cause for one in pending.lost] == ["turn_transient"]
    assert hour_of(pending.earliest_possible) == pytest.approx(160 + 360 - 143.75)
    assert ("regain", 216.0) in deadlines(pending)
    assert "Not at the temperature asked now: core." in pending.next
    broken = verdict(EPA, history, at_h=169)
    assert [one.cause for one in broken.lost] == ["below_threshold"]
    assert hour_of(broken.earliest_possible) == 169 + 360
    assert (
        "The count begins again: keep every probe at 55 °C or above for 15 days, and in that time turn it 5 times"
        in broken.next
    )


def test_the_fall_must_begin_with_the_turning_and_be_over_within_a_day() -> None:
    def held(turn_h: float, fall: tuple[float, float]) -> float:
        readings = log(dips(61, (*fall, 48.0)), 250, every_h=0.25)
        return verdict(EPA, pile(readings, turn_days=(turn_h / 24,))).held_h

    assert held(144, (144, 167.75)) == 250 - 24.0
    assert held(144, (144, 168.25)) == 250 - 168.25
    # Cold before the turning: nothing the turning did.
    assert held(150, (144, 152)) == 250 - 152.0
    # A fall eight hours after the turning is put down to it, one that ends more than a day after it is not.
    assert held(136, (144, 146)) == 250 - 2.25
    assert held(122, (144, 146)) == 250 - 2.25
    assert held(121.75, (144, 146)) == 250 - 146.0
    # Over within a day of its beginning, but 25 h after the turning.
    assert held(142, (144, 167)) == 250 - 167.0


def test_a_fall_seen_too_seldom_is_not_put_down_to_the_turning() -> None:
    """Hot at h 143, turned at h 160, cold at h 163, hot at h 180: 20 h after the turning, but 37 h unproven."""
    hours = [*range(144), 163, *range(180, 251)]
    readings = [Reading("core", at(hour), 48.0 if hour == 163 else 61.0) for hour in hours]
    found = verdict(EPA, pile(readings, turn_days=(160 / 24,)))
    assert (found.held_h, [one.cause for one in found.lost]) == (70.0, ["below_threshold"])


def test_no_fall_is_pending_once_the_process_has_ended() -> None:
    history = pile(log(dips(61, (144, 999, 48.0)), 150), turn_days=(6,), closed=True)
    found = verdict(EPA, history)
    assert [one.cause for one in found.lost] == ["below_threshold"]
    assert (found.state, found.at_risk) == ("not_met", ())


def test_turnings_too_old_for_the_window_are_made_again() -> None:
    """7 CFR 205.203(c)(2)(iii): five within 15 days; one at h 12 is too old at h 400, five 12 h apart end at h 448."""
    found = verdict(NOP, pile(log(61, 400), turn_days=(0.5,)))
    assert hour_of(found.earliest_possible) == 448.0
    kept = verdict(NOP, pile(log(61, 400), turn_days=(8,)))
    assert hour_of(kept.earliest_possible) == 436.0


def test_heat_shown_too_late_after_the_last_turning_is_noted() -> None:
    days = (2, 5, 8, 11, 365 / 24)

    def note(hot_again_h: float) -> str | None:
        found = verdict(EPA, pile(log(dips(61, (366, hot_again_h, 49.0)), 480), turn_days=days))
        assert found.state == "met"
        return found.note

    assert note(437) is None
    assert "not shown again" in (note(438) or "")
    pending = verdict(EPA, pile(log(dips(61, (366, 999, 49.0)), 400), turn_days=days))
    assert "must still be shown" in (pending.note or "")
    assert deadlines(pending) == [("regain", 437.0)]


def test_the_first_turning_drops_out_of_the_window() -> None:
    """7 CFR 205.203(c)(2)(iii): 'for 15 days …, during which period … turned a minimum of five times'."""
    found = verdict(NOP, pile(log(61, 300), turn_days=(2, 5)))
    assert deadlines(found) == [("turn_window", 48 + 360.0)]
    assert found.at_risk[0].detail == (
        "Make 3 more turnings by Thu 21 May 2026, 00:00 UTC: all 5 must lie within 15 days, and then the first one "
        "counted drops out."
    )


def test_the_next_step_in_words_of_the_site() -> None:
    found = verdict(EPA, pile(log(61, 100), turn_days=(1, 3)), zone=ZoneInfo("America/Chicago"))
    assert found.next == (
        "Keep every probe at 55 °C or above for 10 days 20 h more. Turn it 3 more times while it is hot, with at least "
        "12 h between turnings. If nothing more is lost, the earliest it can be met is Mon 18 May 2026, 19:00 CDT."
    )


@pytest.mark.parametrize(
    ("value", "unit", "level"),
    [
        (69.9, Unit.CEL, None),
        (70.0, Unit.CEL, "amber"),
        (158.0, Unit.DEG_F, "amber"),
        (76.9, Unit.CEL, "amber"),
        (77.0, Unit.CEL, "red"),
        (89.9, Unit.CEL, "red"),
        (363.15, Unit.KELVIN, "black"),
        (95.0, Unit.CEL, "black"),
    ],
)
def test_dangerous_heat_is_named(value: float, unit: Unit, level: str | None) -> None:
    """Suggested levels, from memory; 170 °F (76.7 °C) is the ceiling of 7 CFR 205.203(c)(2)."""
    found = verdict(EPA, pile([*log(61, 100), Reading("core", at(50.5), value, unit)]))
    assert [one.level for one in found.cautions] == ([] if level is None else [level])
    if level is not None:
        caution = found.cautions[0]
        assert hour_of(caution.observed_at) == 50.5
        assert "fire rules come first" in caution.detail


def test_duties_neither_hide_nor_block() -> None:
    found = verdict(EPA, pile(log(61, 360)))
    assert found.state == "met"
    assert found.duties_open == ("pathogen_limits", "vector_attraction_reduction")
    assert "Still to be shown: pathogen limits, vector attraction reduction." in found.next
    shown = pile(log(61, 360), duties_recorded=frozenset(found.duties_open))
    assert verdict(EPA, shown).duties_open == ()


def test_turnings_are_spread_by_what_an_inspector_accepts() -> None:
    """Turnings 11.5 h apart count as one for the careful inspector, 12 h apart as two; the text names no time."""
    close = verdict(EPA, pile(log(61, 360), turn_days=[7 + n * 11.5 / 24 for n in range(5)]))
    assert close.turns_counted == 3
    assert "only 11 h 30 min from another turning: the two count as one" in close.turns_not_counted[0].reason
    spread = verdict(EPA, pile(log(61, 360), turn_days=[7 + n * 12 / 24 for n in range(5)]))
    assert (spread.turns_counted, spread.state) == (5, "met")


def test_a_turning_needs_a_reading_before_it() -> None:
    readings = [one for one in log(61, 360) if not 100 < hour_of(one.observed_at) < 125]
    found = verdict(EPA, pile(readings, turn_days=(124.5 / 24,)), at_h=200, reading="cumulative")
    assert found.turns_counted == 0
    assert "the last reading at core was 24 h 30 min old by then" in found.turns_not_counted[0].reason


def test_an_alternative_that_is_not_this_piles_sets_no_date() -> None:
    """PAS 100 (from memory): 65 °C for 7 days, and 2 turnings 'in turned systems'; this one is turned, once so far."""
    readings, judged_h = log(66, 180), 180

    def ahead(**facts: object) -> float | None:
        found = verdict("uk-pas100", pile(readings, turn_days=(1,), **facts), at_h=judged_h)
        return None if found.earliest_possible is None else hour_of(found.earliest_possible)

    assert ahead(method="turned_windrow") == judged_h
    # Nobody said how it is composted: a record is all that may be missing, and no time is told for that.
    assert ahead() is None
    assert (
        verdict("uk-pas100", pile(readings, turn_days=(), method="static_aerated"), at_h=judged_h).state
        == "met"
    )


def test_a_turn_the_curves_suggest_is_asked_about_where_turns_are_short() -> None:
    def curve(hour: float) -> float:
        return round(62 - (16 * math.exp(-(hour - 100) / 6) if hour >= 100 else 0), 1)

    readings = [one for position in ("core", "edge") for one in log(curve, 200, position=position)]
    found = verdict(EPA, pile(readings, turn_days=(2,)))
    assert found.next.startswith("Was it turned about Fri 8 May 2026, 03:00 UTC?")
    moved = verdict(EPA, pile(readings, turn_days=(2,), moves=(at(100),)))
    assert (moved.suspected_turns, "Was it turned" in moved.next) == ((), False)
