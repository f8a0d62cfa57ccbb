"""Turnings nobody recorded: suspected from the curves, never counted. The figures are the house's own."""

import numpy as np
import pytest

from tests.domain.compliance.piles import at, dips, hour_of, log, pile, verdict

EPA = "us-503-pfrp-windrow"


def falling(
    *places: str, fall_c: float = 12.0, back_h: float = 30.0, over_h: float = 1.0, until_h: float = 360
):
    """A pile of three positions at 62 °C, of which some fall at h 100."""

    def curve(hour: float) -> float:
        if not 100 < hour < 100 + back_h:
            return 62.0
        return 62.0 - fall_c * min(1.0, (hour - 100) / over_h)

    return [
        one
        for place in ("a", "b", "c")
        for one in log(curve if place in places else 62, until_h, position=place)
    ]


def test_a_fall_at_two_positions_is_suspected_and_counts_for_nothing() -> None:
    found = verdict(EPA, pile(falling("a", "b"), turn_days=(2,)))
    (suspected,) = found.suspected_turns
    assert (hour_of(suspected.at), suspected.positions, suspected.fall_c) == (100.0, ("a", "b"), 12.0)
    assert "nobody recorded" in suspected.detail
    # Not assumed: the fall broke the run, and the new one has no turning. Entered, it explains the fall.
    assert (found.turns_counted, found.held_h) == (0, 230.0)
    entered = verdict(EPA, pile(falling("a", "b", back_h=20), turn_days=(2, 100 / 24)))
    assert (entered.turns_counted, entered.held_h, entered.suspected_turns) == (2, 340.0, ())


@pytest.mark.parametrize(
    ("readings", "turn_days"),
    [
        (falling("a"), (2,)),  # one probe pulled out
        (falling("a", "b", fall_c=7.9), (2,)),  # too little
        (falling("a", "b", over_h=48, back_h=60), (2,)),  # too slow
        (falling("a", "b", back_h=999), (2,)),  # went cold for good
        (falling("a", "b", back_h=80), (2,)),  # came back after 72 h
        (falling("a", "b"), (100.5 / 24,)),  # that turning is on file
        (falling("a", "b"), (110 / 24,)),  # or its time was written down wrong
        (falling("a", "b")[:250], ()),  # one position alone was read that long
    ],
)
def test_what_is_no_suspicion(readings, turn_days) -> None:
    assert verdict(EPA, pile(readings, turn_days=turn_days)).suspected_turns == ()


def test_falls_far_apart_are_two() -> None:
    curve = dips(62, (100, 110, 48), (200, 210, 48))
    readings = [one for place in ("a", "b") for one in log(curve, 300, position=place, every_h=0.25)]
    found = verdict(EPA, pile(readings, turn_days=()))
    assert [hour_of(one.at) for one in found.suspected_turns] == [99.75, 199.75]


def test_noise_is_no_turning() -> None:
    rng = np.random.default_rng(7)
    readings = [
        one
        for place in ("a", "b", "c", "d")
        for one in log(lambda _: round(60 + float(rng.normal(0, 1.0)), 1), 480, position=place, every_h=0.5)
    ]
    assert verdict(EPA, pile(readings, turn_days=())).suspected_turns == ()


def test_a_turning_before_fresh_material_came_is_known_too() -> None:
    history = pile(falling("a", "b"), turn_days=(99 / 24,), restarts=(at(99.5),))
    assert verdict(EPA, history).suspected_turns == ()
