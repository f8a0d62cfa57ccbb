"""When there will be enough: from weeks that are drawn whole, as a range, with what is missing said."""

from datetime import date, timedelta

import numpy as np
import pytest

from service.domain.stocks import Delivered, Holding, arrivals_ahead, outlook

TODAY = date(2026, 5, 4)
"""A Monday."""
BEGUN = TODAY - timedelta(days=200)


def every(days: int, amount: float, *, until: date = TODAY, count: int = 12) -> list[Delivered]:
    return [Delivered(until - timedelta(days=days * place), amount) for place in range(count)]


def test_a_steady_weekly_delivery_goes_on_on_its_weekday() -> None:
    friday = TODAY - timedelta(days=3)
    ahead = arrivals_ahead(every(7, 100, until=friday), since=BEGUN, today=TODAY)
    assert ahead is not None
    assert set(ahead.within(3)) == {0.0}
    assert set(ahead.within(4)) == {100.0}
    assert set(ahead.within(11)) == {200.0}
    assert set(ahead.days_until(101)) == {11.0}


def test_the_mean_of_the_draws_is_the_mean_of_the_weeks() -> None:
    """A bootstrap's mean is the sample's: closed form, four standard errors of 2048 draws."""
    random = np.random.default_rng(3)
    came = [Delivered(TODAY - timedelta(days=int(d)), float(a)) for d, a in zip(
        random.choice(84, 30, replace=False), random.uniform(50, 150, 30), strict=True
    )]  # fmt: skip
    ahead = arrivals_ahead(came, since=BEGUN, today=TODAY)
    assert ahead is not None
    weekly = np.zeros(12)
    for one in came:
        weekly[(TODAY - one.on).days // 7] += one.amount
    within = ahead.within(28)
    assert ahead.capped == 0
    assert within.mean() == pytest.approx(4 * weekly.mean(), abs=4 * within.std() / 2048**0.5)
    assert within.std() == pytest.approx(2 * weekly.std(), rel=0.1)


def test_one_great_delivery_does_not_make_a_rate() -> None:
    usual = every(7, 100)
    once = [*usual, Delivered(TODAY - timedelta(days=10), 5000)]
    ahead = arrivals_ahead(once, since=BEGUN, today=TODAY)
    assert ahead is not None
    assert ahead.capped == 1
    assert np.quantile(ahead.within(28), 0.9) < 4 * 100 * 2.1


@pytest.mark.parametrize(
    ("came", "since"),
    [
        ([], BEGUN),
        (every(7, 100, count=2), BEGUN),
        (every(2, 100), TODAY - timedelta(days=20)),
        (every(7, 100, until=TODAY - timedelta(days=100)), BEGUN),
    ],
    ids=["none", "two", "three weeks", "all long ago"],
)
def test_too_little_to_judge_by(came: list[Delivered], since: date) -> None:
    assert arrivals_ahead(came, since=since, today=TODAY) is None


def test_the_order_of_deliveries_does_not_matter() -> None:
    came = every(5, 80)
    one = arrivals_ahead(came, since=BEGUN, today=TODAY)
    other = arrivals_ahead(came[::-1], since=BEGUN, today=TODAY)
    assert one is not None
    assert other is not None
    assert (one.cumulative == other.cumulative).all()


def holding(at_hand: float | None, *, needed: float = 300, came: list[Delivered] | None = None) -> Holding:
    arrivals = None if came is None else arrivals_ahead(came, since=BEGUN, today=TODAY)
    return Holding("horse-manure", "Horse manure", "kg", needed, at_hand, arrivals=arrivals)


def test_each_verdict() -> None:
    weekly = every(7, 100)
    lumpy = [Delivered(TODAY - timedelta(days=7 * place), 200) for place in (0, 1, 5, 9)]

    def asked(one: Holding, days: int) -> str:
        return outlook([one], today=TODAY, on=TODAY + timedelta(days=days)).verdict

    assert asked(holding(300), 0) == "enough"
    assert asked(holding(100, came=weekly), 14) == "likely"
    assert asked(holding(100, came=weekly), 13) == "unlikely"
    assert asked(holding(100, came=lumpy), 14) == "possible"
    assert asked(holding(100), 14) == "unknown"
    assert asked(holding(None), 14) == "unknown"


def test_the_answer_says_what_is_missing_and_by_when() -> None:
    [item] = outlook([holding(100, came=every(7, 100))], today=TODAY, on=TODAY + timedelta(days=10)).items
    assert (item.missing, item.arrives_low, item.arrives_high) == (200, 100, 100)
    assert item.enough_early == item.enough_likely == item.enough_late == TODAY + timedelta(days=14)
    assert "200 kg missing of 300 kg" in item.text


def test_the_scarcest_decides_and_nothing_known_is_no_comfort() -> None:
    on = TODAY + timedelta(days=7)
    short = holding(0, needed=900, came=every(7, 100))
    assert outlook([holding(400), short], today=TODAY, on=on).verdict == "unlikely"
    assert outlook([holding(400), holding(None)], today=TODAY, on=on).verdict == "unknown"
    assert outlook([holding(400), holding(500)], today=TODAY, on=on).verdict == "enough"


def test_a_range_not_a_point_where_deliveries_vary() -> None:
    random = np.random.default_rng(8)
    came = [Delivered(TODAY - timedelta(days=7 * week), float(random.uniform(20, 180))) for week in range(12)]
    [item] = outlook([holding(100, needed=600, came=came)], today=TODAY, on=TODAY + timedelta(days=28)).items
    assert item.arrives_low is not None
    assert item.arrives_likely is not None
    assert item.arrives_high is not None
    assert item.arrives_low < item.arrives_likely < item.arrives_high
    assert item.enough_early is not None
    assert item.enough_late is not None
    assert item.enough_early < item.enough_late
