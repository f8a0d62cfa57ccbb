"""What a careful person would say of each awkward pile, and why, whenever the scenario is laid out."""

import datetime as dt
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from service.demo.places import GATEWAYS, SITES
from service.demo.scenario import Scenario, silences_of
from service.domain.compliance import Verdict
from tests.demo import looking
from tests.demo.looking import NOWS, H, laid, scenario, verdict


@pytest.fixture(params=NOWS)
def made(request: pytest.FixtureRequest) -> Scenario:
    return scenario(request.param)


def causes(found: Verdict) -> set[str]:
    return {one.cause for one in found.lost}


def test_a_crew_without_weekends_loses_nothing_where_loggers_read_on(made: Scenario) -> None:
    """BioAbfV § 3 (6): at least one reading each Werktag, and Saturday is one; nobody was there, the loggers were."""
    found = verdict(made, "HS-01", "de-bioabfv")
    assert not {"sat", "sun"} & set(SITES["HS"].work_days)
    assert found.state == "met"
    assert not {"gap", "flagged"} & causes(found)
    duty = next(one for one in found.criteria if one.name == "reading_each_working_day")
    assert duty.state == "met"


def test_a_gateway_offline_for_forty_hours_is_a_gap_only_until_it_has_spoken(made: Scenario) -> None:
    """CMC 3: 'all parts of each batch': what nobody has sent yet is unknown, and counts once it has come."""
    gateway = next(one for one in GATEWAYS if one.name == "glasshouse-gateway")
    (silence,) = silences_of(gateway, made.piles, made.now)
    near_its_end = silence.until - H
    then = verdict(made, "GH-04", "eu-cmc3", at=near_its_end, known_at=near_its_end)
    if then.met_at is None:
        assert "gap" in causes(then)
        assert "Take a reading now" in then.next
    else:  # met before the silence; what came of it afterwards no longer mattered
        assert then.met_at < silence.since
    later = verdict(made, "GH-04", "eu-cmc3", at=near_its_end)
    assert not {"gap", "flagged"} & causes(later)
    assert (later.hot_h or 0) > (then.hot_h or 0)
    assert verdict(made, "GH-04", "eu-cmc3").state == "met"


def test_a_moved_probe_takes_no_heat_along(made: Scenario) -> None:
    """CMC 3: heat is that of 'each batch': the probe's weeks in the old pile are no evidence about the new one."""
    old, new = (
        next(one for one in made.stays if (one.serial, one.pile) == ("GH-03", pile))
        for pile in ("GH-03", "GH-05")
    )
    found = verdict(made, "GH-05", "eu-cmc3")
    assert found.state == "under_way"
    assert old.until is not None
    assert old.until <= new.since
    assert min(one.from_ for one in found.windows) >= new.since
    assert dt.timedelta(hours=found.held_h or 0) < made.now - new.since
    before = verdict(made, "GH-03", "eu-cmc3")
    assert max(one.to for one in before.windows) <= old.until


def test_a_stuck_sensor_proves_nothing(made: Scenario) -> None:
    """National rules on catering waste: '60 °C … 8 days'; a probe stuck through turnings is no proof."""
    found = verdict(made, "GH-02", "uk-abp-housed-windrow")
    assert found.state in {"cannot_judge", "not_met"}
    assert [(one.position, one.cause) for one in found.excluded] == [("side", "flat_line")]
    assert {one.position for one in found.lost if one.cause == "flagged"} == {"side"}
    flagged = next(one for one in found.lost if one.cause == "flagged")
    assert "readings were kept out" in flagged.detail


def test_were_the_stuck_sensor_trusted_the_rule_would_be_met(monkeypatch: pytest.MonkeyPatch) -> None:
    made = scenario()
    counted = looking.counted
    monkeypatch.setattr(
        looking, "counted", lambda *asked: tuple(replace(one, assessed=None) for one in counted(*asked))
    )
    assert verdict(made, "GH-02", "uk-abp-housed-windrow").state == "met"


def test_a_pile_too_small_is_short_of_heat_and_says_so(made: Scenario) -> None:
    """CMC 3: '55 °C or more for at least 14 days' is the longest profile; half a pile does not keep it two days."""
    found = verdict(made, "HS-04", "eu-cmc3")
    assert found.state == "under_way"
    assert (found.hot_h or 0) < 48
    assert "Not at the temperature asked now: core." in found.next
    assert found.earliest_possible is not None


def test_the_pile_at_74_counts_and_is_cautioned(made: Scenario) -> None:
    """7 CFR 205.203(c)(2): 'between 131 °F and 170 °F'; 74 °C are 165.2 °F: to be watched, and inside the range."""
    for rule in ("us-nop-windrow", "us-503-pfrp-windrow"):
        found = verdict(made, "MY-07", rule)
        assert found.state == "under_way"
        assert "above_limit" not in causes(found)
        assert {one.level for one in found.cautions} == {"amber"}
        assert max(one.temperature_c for one in found.cautions) >= 74
        assert "your fire rules come first" in found.cautions[0].detail


def test_a_turn_nobody_recorded_is_asked_about_and_not_counted(made: Scenario) -> None:
    """7 CFR 205.203(c)(2)(iii): 'turned a minimum of five times'; four are on file, and the curve shows a fifth."""
    (forgotten,) = [turn for turn in laid(made, "MY-04").turns if not turn.is_recorded]
    for rule in ("us-nop-windrow", "us-ny-windrow"):
        found = verdict(made, "MY-04", rule)
        assert (found.state, found.turns_required) == ("not_met", 5)
        assert found.turns_counted + len(found.turns_not_counted) == 4
        (suspected,) = found.suspected_turns
        assert abs(suspected.at - forgotten.at) < 2 * H
        assert "looks like a turning nobody recorded" in suspected.detail


def test_no_other_pile_is_suspected_of_a_turn() -> None:
    """Moving a pile to cure makes its curves fall too, and that is on file."""
    made = scenario()
    for one in made.piles:
        if one.pile.label == "MY-04" or not one.pile.rules or one.built_at is None or one.built_at > made.now:
            continue
        assert verdict(made, one.pile.label, one.pile.rules[0]).suspected_turns == (), one.pile.label


def test_a_reading_in_fahrenheit_is_told_and_compared_as_it_was_read(made: Scenario) -> None:
    """7 CFR 205.203(c)(2) names °F; the dial reads °F and governs beside the loggers in °C."""
    found = verdict(made, "MY-05", "us-nop-windrow")
    assert found.state == "met"
    of_dial = [one for one in found.lost if one.position == "dial east"]
    of_core = [one for one in found.lost if one.position == "core"]
    assert of_dial
    assert all(" °F on " in one.detail for one in of_dial)
    assert all(" °C on " in one.detail for one in of_core)
    assert {one.cause for one in found.lost} <= {"below_threshold", "turn_transient"}


def test_the_change_of_clocks_neither_gives_nor_takes_an_hour(made: Scenario) -> None:
    """CMC 3: '60 °C or more for at least 7 days' are 168 hours that passed, whatever the clock on the wall said."""
    zone = ZoneInfo(laid(made, "HS-02").site.time_zone)
    found = verdict(made, "HS-02", "eu-cmc3")
    held = sum((one.to - one.from_ for one in found.windows), dt.timedelta())
    assert held / H == pytest.approx(found.held_h)
    wall = sum(
        (
            one.to.astimezone(zone).replace(tzinfo=None) - one.from_.astimezone(zone).replace(tzinfo=None)
            for one in found.windows
        ),
        dt.timedelta(),
    )
    first, last = found.windows[0].from_.astimezone(zone), found.windows[-1].to.astimezone(zone)
    changed = last.utcoffset() != first.utcoffset()
    assert changed
    # Told by the wall, the heat would be an hour longer or shorter, unless the hour fell between two windows.
    assert abs(wall - held) in {H, dt.timedelta()}
    if found.met_at is not None:
        until = [(one.from_, min(one.to, found.met_at)) for one in found.windows if one.from_ < found.met_at]
        counted = sum((end - start for start, end in until), dt.timedelta())
        assert counted == found.required_h * H
