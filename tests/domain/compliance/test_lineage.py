"""Merged and split piles: every part must have met the rule, so the least advanced governs."""

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.compliance import History, Parent, judge_each
from service.domain.compliance.rulebook import RULES
from tests.domain.compliance.piles import START, UTC_ZONE, at, hour_of, log, pile, verdict

EPA, FDA = "us-503-pfrp-windrow", "us-fda-turned"
MERGED_AT = 240.0  # day 10


def older(turn_hours=(48, 120, 192)) -> History:
    return pile(log(57, 240), turn_days=[hour / 24 for hour in turn_hours])


def younger(turn_hours=(192,)) -> History:
    return pile(log(57, 96, start=at(144)), turn_days=[hour / 24 for hour in turn_hours])


def together(a: History, b: History, until_h: float, turn_hours=(264, 312, 360, 408)) -> History:
    after = log(57, until_h - MERGED_AT, start=at(MERGED_AT))
    return pile(
        after,
        turn_days=[hour / 24 for hour in turn_hours],
        parents=(Parent("A", a, at(MERGED_AT)), Parent("B", b, at(MERGED_AT))),
        stood_alone=False,
    )


def test_t30_the_merged_pile_goes_on_from_the_younger() -> None:
    """14 CCR 17867(a)(5): treated material must not be contaminated with material that is not.

    A has 10 hot days and 3 turnings, B 4 and 1: the pile goes on from 4 days and 1 turning.
    """
    found = verdict(EPA, together(older(), younger(), 241, turn_hours=()), at_h=241)
    assert (found.held_h, found.turns_counted, found.follows) == (97.0, 1, "B")
    assert hour_of(found.earliest_possible) == 144 + 360
    done = verdict(EPA, together(older(), younger(), 504), at_h=504)
    assert (done.state, hour_of(done.met_at), done.turns_counted) == ("met", 504.0, 5)
    assert verdict(EPA, together(older(), younger(), 503), at_h=503).state == "under_way"


def test_the_least_of_heat_and_the_least_of_turnings() -> None:
    """A is hotter for longer, B was turned more often; the pile has neither A's days nor B's turnings."""
    a, b = older(turn_hours=(192,)), younger(turn_hours=(168, 192, 216))
    found = verdict(EPA, together(a, b, 504, turn_hours=(264, 312)), at_h=504)
    assert (found.state, found.follows, found.turns_counted) == ("under_way", "A", 3)
    assert verdict(EPA, together(a, b, 504), at_h=504).state == "met"


def test_a_pile_put_onto_another_leaves_both_lines() -> None:
    own = pile(log(57, 504), turn_days=(2, 5, 8, 11, 14, 17))
    fed = replace(own, parents=(Parent("B", younger(), at(MERGED_AT)),))
    assert hour_of(verdict(EPA, own, at_h=504).met_at) == 360.0
    merged = verdict(EPA, fed, at_h=504)
    assert (merged.state, merged.follows, merged.turns_counted) == ("under_way", "B", 4)
    # Judged as of the day before the joining there is nothing of B in it.
    assert verdict(EPA, fed, at_h=239).follows is None
    fresh = replace(own, restarts=(at(200),), parents=(Parent("A", older(), at(MERGED_AT)),))
    assert verdict(EPA, fresh, at_h=300).follows == "the pile as it stood"


def test_a_split_takes_the_record_along() -> None:
    whole = pile(log(57, 240), turn_days=(2, 5, 8))
    half = pile(
        log(57, 120, start=at(240)),
        turn_days=(11, 14),
        parents=(Parent("A", whole, at(240)),),
        stood_alone=False,
    )
    found = verdict(EPA, half, at_h=360)
    assert (found.state, hour_of(found.met_at), found.follows) == ("met", 360.0, None)
    assert [(hour_of(one.from_), hour_of(one.to)) for one in found.windows] == [(0.0, 360.0)]
    alone = replace(half, parents=(), stood_alone=True)
    assert verdict(EPA, alone, at_h=360).held_h == 120.0
    assert found.readings_digest != verdict(EPA, alone, at_h=360).readings_digest


def test_additions_to_a_parent_before_and_to_the_pile_after() -> None:
    fouled = replace(older(), restarts=(at(200),))
    found = verdict(EPA, together(fouled, older(), 300), at_h=300)
    assert (found.held_h, found.follows) == (100.0, "A")
    later = replace(together(older(), older(), 300), restarts=(at(280),))
    assert verdict(EPA, later, at_h=300).held_h == 20.0


def test_an_initial_mix_outside_the_range_spoils_the_merged_pile() -> None:
    """7 CFR 205.203(c)(2)(i): 'initial C:N ratio of between 25:1 and 40:1'."""
    poor = replace(older(), initial_carbon_nitrogen_ratio=18.0)
    assert verdict("us-nop-windrow", together(poor, older(), 504), at_h=504).state == "not_met"
    assert verdict("us-nop-windrow", together(older(), older(), 504), at_h=504).state == "met"


def test_grandparents_and_the_digest() -> None:
    first = together(older(), younger(), 300)
    second = pile(
        log(57, 260, start=at(300)),
        turn_days=(13, 15, 17, 19),
        parents=(Parent("C", first, at(300)),),
        stood_alone=False,
    )
    found = verdict(EPA, second, at_h=560)
    assert found.follows == "C, B"
    assert found.state == "met"
    swapped = replace(first, parents=tuple(reversed(first.parents)))
    again = replace(second, parents=(Parent("C", swapped, at(300)),))
    assert verdict(EPA, again, at_h=560) == found
    changed = replace(first, parents=(first.parents[0], replace(first.parents[1], history=History())))
    assert verdict(
        EPA, replace(second, parents=(Parent("C", changed, at(300)),)), at_h=560
    ).readings_digest != (found.readings_digest)


@pytest.mark.parametrize("rule", [EPA, FDA, "au-4454-std", "eu-cmc3"])
def test_many_rules_at_once_say_what_each_says_alone(rule) -> None:
    history = together(older(), younger(), 504)
    every = judge_each(
        tuple(RULES.values()), history, judged_at=START + timedelta(hours=504), time_zone=UTC_ZONE
    )
    assert next(one for one in every if one.rule.id == rule) == verdict(rule, history, at_h=504)
