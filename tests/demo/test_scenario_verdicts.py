"""What the rules say of the scenario's piles, whenever it is laid out."""

import dataclasses

import pytest

from service.demo.scenario import Scenario
from tests.demo.looking import NOWS, laid, scenario, verdict


@pytest.fixture(params=NOWS)
def made(request: pytest.FixtureRequest) -> Scenario:
    return scenario(request.param)


class TestVerdicts:
    """The rules are those of the rulebook; what each pile comes to is the scenario's promise."""

    @pytest.mark.parametrize(
        ("label", "rule"),
        [
            ("MY-01", "us-nop-windrow"),
            ("MY-01", "us-fda-turned"),
            ("MY-02", "us-ny-windrow"),
            ("MY-02", "us-503-pfrp-windrow"),
            ("MY-05", "us-nop-windrow"),
        ],
    )
    def test_met(self, made: Scenario, label: str, rule: str) -> None:
        found = verdict(made, label, rule)
        assert found.state == "met"
        assert found.turns_counted >= 5
        assert found.held_days >= 15

    @pytest.mark.parametrize("label", ["MY-06", "MY-07"])
    def test_under_way(self, made: Scenario, label: str) -> None:
        assert verdict(made, label, "us-nop-windrow").state == "under_way"

    def test_cannot_be_judged_for_a_gap(self, made: Scenario) -> None:
        found = verdict(made, "MY-03", "us-nop-windrow")
        assert found.state == "cannot_judge"
        assert "gap" in {lost.cause for lost in found.lost}

    def test_not_met_for_want_of_the_turn_nobody_recorded(self, made: Scenario) -> None:
        found = verdict(made, "MY-04", "us-nop-windrow")
        assert found.state == "not_met"
        assert found.turns_counted < 5

    def test_had_it_been_recorded_the_rule_would_be_met(self, made: Scenario) -> None:
        one = laid(made, "MY-04")
        turns = tuple(dataclasses.replace(turn, is_recorded=True) for turn in one.turns)
        whole = dataclasses.replace(one, turns=turns, pile=dataclasses.replace(one.pile, forgotten_turn=None))
        (forgotten,) = [turn for turn in one.turns if not turn.is_recorded]
        added = dataclasses.replace(
            next(entry for entry in made.entries["MY-04"] if entry.kind == "turn"), at=forgotten.at
        )
        mended = dataclasses.replace(
            made,
            piles=tuple(whole if p is one else p for p in made.piles),
            entries={**made.entries, "MY-04": (*made.entries["MY-04"], added)},
        )
        assert verdict(mended, "MY-04", "us-nop-windrow").state == "met"

    def test_the_small_pile_has_not_met_anything(self, made: Scenario) -> None:
        assert verdict(made, "HS-04", "eu-cmc3").state != "met"
