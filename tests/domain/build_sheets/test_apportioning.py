"""Whole measures against brute force: every way of dealing them out, tried."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.build_sheets.apportioning import apportion, nearest_count


def _all_ways(total: int, layers: int) -> list[tuple[int, ...]]:
    if layers == 1:
        return [(total,)]
    return [(n, *rest) for n in range(total + 1) for rest in _all_ways(total - n, layers - 1)]


def _off(counts: tuple[int, ...] | list[int], quotas: list[float]) -> float:
    return sum((count - quota) ** 2 for count, quota in zip(counts, quotas, strict=True))


QUOTAS = st.lists(st.integers(0, 12), min_size=1, max_size=4).filter(any)


@given(QUOTAS, st.integers(0, 9))
def test_no_other_division_is_nearer(weights: list[int], total: int) -> None:
    """Largest remainders minimise the sum of squares (Balinski and Young, Fair Representation; from memory)."""
    exact = [total * weight / sum(weights) for weight in weights]
    best = min(_off(way, exact) for way in _all_ways(total, len(weights)))
    assert _off(apportion(total, [float(w) for w in weights]), exact) == pytest.approx(best, abs=1e-9)


@given(
    st.lists(st.floats(0, 50), min_size=1, max_size=12).filter(lambda q: sum(q) > 1e-3), st.integers(0, 200)
)
def test_each_layer_gets_its_quota_rounded_down_or_up(quotas: list[float], total: int) -> None:
    counts = apportion(total, quotas)
    assert sum(counts) == total
    for count, quota in zip(counts, quotas, strict=True):
        exact = total * quota / sum(quotas)
        assert math.floor(exact + 1e-6) <= count + 1e-9 <= math.ceil(exact - 1e-6) + 1e-6 or count in {
            math.floor(exact),
            math.ceil(exact),
        }


@given(QUOTAS, st.integers(0, 40))
def test_who_gets_one_more_has_the_larger_remainder(weights: list[int], total: int) -> None:
    """The property that names the method."""
    whole = sum(weights)
    counts = apportion(total, [float(w) for w in weights])
    remainders = [total * weight % whole for weight in weights]
    up = [r for r, w, c in zip(remainders, weights, counts, strict=True) if c > total * w // whole]
    down = [r for r, w, c in zip(remainders, weights, counts, strict=True) if c == total * w // whole]
    assert not up or not down or min(up) >= max(down)


@pytest.mark.parametrize(("total", "layers"), list(itertools.product(range(12), range(1, 7))))
def test_equal_layers_never_drift(total: int, layers: int) -> None:
    """At no height has the pile got more than half a measure less or more than its part."""
    counts = apportion(total, [1.0] * layers)
    for done in range(1, layers + 1):
        assert abs(sum(counts[:done]) - total * done / layers) <= 0.5 + 1e-9


@given(st.floats(0.01, 500), st.floats(0.01, 50))
def test_the_count_is_the_nearest_there_is(amount: float, unit: float) -> None:
    count = nearest_count(amount, unit)
    tried = range(max(0, count - 3), count + 4)
    assert abs(count * unit - amount) <= min(abs(n * unit - amount) for n in tried) + 1e-6


def test_half_a_measure_rounds_up() -> None:
    assert [nearest_count(value, 10) for value in (4.9, 5, 14.999999999999998, 15.1)] == [0, 1, 2, 2]
