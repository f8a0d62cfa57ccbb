"""The heat balance against an independent integrator, a closed form, and what is known of small and large piles."""

import math
from types import MappingProxyType

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from service.domain.sizes import heat_cost
from service.domain.sizes.heat import curves, rates, surface_per_volume
from service.domain.sizes.heat_figures import draws, figures

CENTRAL = MappingProxyType({name: values[:1] for name, values in draws().items()})


def hot_days(volume_m3: float, air_c: float) -> float:
    return float((curves(volume_m3, air_c, CENTRAL, days=50) >= 55).sum() / 24)


def test_every_figure_has_a_source_and_a_status() -> None:
    assert {figure.status for figure in figures().values()} <= {
        "read",
        "second-hand",
        "from memory",
        "assumed",
    }
    assert all(len(figure.source) > 10 for figure in figures().values())


def test_the_steps_against_an_adaptive_integrator() -> None:
    """SciPy's LSODA over the first week, before any turn."""
    mine = curves(1.0, 15.0, CENTRAL, days=7)[:, 0]
    start = [15.0, 92 * 0.7 * 0.25, 92 * 0.7 * 0.75, 0.15]

    def slope(_: float, state: np.ndarray) -> np.ndarray:
        return rates(state.reshape(4, 1), 1.0, 15.0, CENTRAL)[:, 0]

    theirs = solve_ivp(
        slope, (0, 7), start, method="LSODA", rtol=1e-8, atol=1e-8, t_eval=np.arange(1, 169) / 24
    )
    assert np.abs(mine - theirs.y[0])[48:].max() < 0.5
    assert mine.max() == pytest.approx(theirs.y[0].max(), abs=0.3)


def test_without_decay_and_draught_it_cools_as_newton_says() -> None:
    """Closed form: dT/dt = -(U A/V)/C (T - Ta)."""
    still = MappingProxyType(
        CENTRAL
        | {name: np.zeros(1) for name in ("fast_per_day", "slow_per_day", "air_m_day", "cooled_by_turn")}
    )
    told = curves(1.0, 5.0, still, days=5)[:, 0]
    through = 1 / (0.15 / 0.30 + 1 / 10)
    a_day = through * 5.3 * 86_400 / 1.3e6
    assert told[-1] == pytest.approx(5 + 10 * math.exp(-a_day * 5), abs=0.02)


def test_surface_over_volume_of_a_cube() -> None:
    assert surface_per_volume(1.0) == pytest.approx(5.3)
    assert surface_per_volume(8.0) == pytest.approx(5.3 / 2)


@pytest.mark.parametrize(
    ("volume_m3", "air_c", "days", "within"),
    [(0.25, 15, 4, 2), (0.5, 15, 6, 3), (1.0, 15, 11, 3), (1.0, 28, 29, 4), (1.0, 5, 7, 3)],
)
def test_hot_days_beside_those_of_the_finer_model(
    volume_m3: float, air_c: float, days: float, within: float
) -> None:
    """The two-zone prototype the figures come from (no outside source): days of 50 at 55 Cel or more, weekly turns."""
    assert hot_days(volume_m3, air_c) == pytest.approx(days, abs=within)


def test_a_large_pile_is_understated_as_the_docstring_says() -> None:
    assert 20 < hot_days(3.0, 15) < 41


def test_a_pile_of_grass_rye_and_hay_in_a_cage() -> None:
    """Read: a wire-cage pile in a Vermont June, 66 Cel at 40 h, highest 69 Cel on day 3 (public research note).

    Its size and mix are not told; what the balance must do is reach such a peak in such a time at 1 m3.
    """
    grassy = MappingProxyType(CENTRAL | {"fast_share": np.full(1, 0.40)})
    told = curves(1.0, 18.0, grassy, days=7)[:, 0]
    assert told.max() == pytest.approx(69, abs=3)
    assert 1 <= told.argmax() / 24 <= 3


def test_smaller_is_cooler_shorter_and_told_as_a_range() -> None:
    made = heat_cost(0.75, 1.5, 12)
    assert made is not None
    assert 0 < made.hot_hours_loss.low < made.hot_hours_loss.likely < made.hot_hours_loss.high
    assert made.peak_loss_c.low <= made.peak_loss_c.likely <= made.peak_loss_c.high
    assert made.peak_loss_c.likely > 0
    assert "rough estimate" in made.text
    assert "assumed" in made.source


def test_the_more_is_missing_the_more_is_lost_and_full_size_loses_nothing() -> None:
    lost = [
        cost.hot_hours_loss.likely
        for part in (1.0, 0.9, 0.7, 0.5)
        if (cost := heat_cost(part * 1.5, 1.5, 12))
    ]
    assert lost[0] == 0
    assert lost == sorted(lost)
    assert lost[-1] > lost[1]
    bigger = heat_cost(2.0, 1.5, 12)
    assert bigger is not None
    assert bigger.hot_hours_loss.likely <= 0
    assert bigger.text == "Built to its full size: nothing is lost."


@pytest.mark.parametrize("asked", [(0.2, 1.5, 12), (0.5, 50, 12), (0.5, 1.5, -3), (0.5, 1.5, 45)])
def test_where_it_does_not_hold_it_is_silent(asked: tuple[float, float, float]) -> None:
    assert heat_cost(*asked) is None
