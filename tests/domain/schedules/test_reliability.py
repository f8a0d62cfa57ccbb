"""How well planned days are kept, and how little a few turns prove."""

import datetime as dt
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from service.domain.schedules.reliability import (
    PRIOR_KEPT,
    PlannedTurn,
    expected_share,
    expected_shares,
    tally,
)

MONDAY = dt.date(2026, 3, 2)
OUTCOMES = st.lists(st.sampled_from([-1, 0, 1, None]), max_size=60)


def turns(*late, on=MONDAY):
    return [PlannedTurn(on, None, days) for days in late]


class TestTally:
    def test_counts_by_what_became_of_them(self):
        found = tally(turns(0, 0, 0, -1, 1, 1, None, None))
        assert (found.planned, found.kept, found.early, found.late, found.missed) == (8, 3, 1, 2, 2)
        assert found.kept_share == 3 / 8
        assert found.median_late_days == 0

    def test_of_nothing_nothing_is_known(self):
        found = tally([])
        assert found.planned == 0
        assert found.kept_share is found.kept_share_low is found.kept_share_high is None
        assert found.median_late_days is None
        assert tally(turns(None)).median_late_days is None

    @pytest.mark.parametrize(
        ("kept", "planned", "low", "high"),
        [
            # R. G. Newcombe, Two-sided confidence intervals for the single proportion, Statistics in Medicine 17
            # (1998) 857-872, table I, method 3 (Wilson's score without continuity correction); from memory.
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0000, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ],
    )
    def test_interval_of_the_literature(self, kept, planned, low, high):
        found = tally(turns(*[0] * kept, *[None] * (planned - kept)))
        assert found.kept_share_low == pytest.approx(low, abs=5e-5)
        assert found.kept_share_high == pytest.approx(high, abs=5e-5)

    @given(OUTCOMES.filter(bool))
    def test_interval_is_where_the_score_test_stops_rejecting(self, late):
        """Wilson (1927): the bounds are the roots p of (share - p)^2 = z^2 p (1 - p) / n."""
        found = tally(turns(*late))
        n, share, z = found.planned, found.kept / found.planned, 1.959963984540054
        for bound in (found.kept_share_low, found.kept_share_high):
            assert (share - bound) ** 2 == pytest.approx(z**2 * bound * (1 - bound) / n, abs=1e-9)
        assert 0 <= found.kept_share_low <= share <= found.kept_share_high <= 1

    def test_three_turns_prove_nothing(self):
        good, bad = tally(turns(0, 0, 0)), tally(turns(None, None, None))
        assert good.kept_share_low < bad.kept_share_high
        many = tally(turns(*[0] * 30))
        assert many.kept_share_low > bad.kept_share_high

    @given(OUTCOMES)
    def test_nothing_is_counted_twice_or_left_out(self, late):
        found = tally(turns(*late))
        assert found.kept + found.early + found.late + found.missed == found.planned == len(late)
        assert tally(turns(*late[::-1])) == found


class TestExpectedShare:
    def test_is_the_mean_of_the_posterior(self):
        """By numerical integration of prior times likelihood; the prior is Beta(10, b) with b towards 0."""

        def posterior_mean(kept, missed, b=1e-6):
            weight = lambda p: p ** (PRIOR_KEPT - 1 + kept) * (1 - p) ** (b - 1 + missed)  # noqa: E731
            whole, _ = integrate.quad(weight, 0, 1)
            mean, _ = integrate.quad(lambda p: p * weight(p), 0, 1)
            return mean / whole

        for kept, missed in ((0, 1), (5, 2), (40, 10), (3, 30)):
            assert expected_share(kept, kept + missed) == pytest.approx(
                posterior_mean(kept, missed), rel=1e-4
            )

    @given(st.integers(0, 200), st.integers(0, 200))
    def test_lies_between_the_seen_share_and_one(self, kept, missed):
        n = kept + missed
        share = expected_share(kept, n)
        assert (kept / n if n else 1) <= share <= 1
        assert expected_share(kept + 1, n + 1) >= share > expected_share(kept, n + 1)

    def test_nothing_known_leaves_no_slack_and_much_known_is_believed(self):
        assert expected_share(0, 0) == 1
        assert expected_share(600, 1000) == pytest.approx(0.6, abs=0.01)
        assert math.isclose(expected_share(0, 1), 10 / 11)


class TestExpectedShares:
    def test_by_weekday_and_early_is_by_the_day(self):
        wednesday = MONDAY + dt.timedelta(2)
        found = expected_shares([*turns(0, -1, 1), *turns(*[None] * 10, on=wednesday)])
        assert [*found] == ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
        assert found["mon"] == pytest.approx(12 / 13)
        assert found["wed"] == pytest.approx(10 / 20)
        assert {found[day] for day in ("tue", "thu", "fri", "sat", "sun")} == {1.0}
