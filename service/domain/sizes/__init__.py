"""Full size, every time: piles as built against their design, a drift, and what it costs in heat."""

from service.domain.sizes.chart import (
    D2,
    D4,
    E2,
    LEAST_PILES,
    MOST_PILES,
    Basis,
    Built,
    Chart,
    Signal,
    chart,
)
from service.domain.sizes.drift import Drift, change_point, drift, falling_probability
from service.domain.sizes.heat import Band, HeatCost, heat_cost

__all__ = [
    "D2",
    "D4",
    "E2",
    "LEAST_PILES",
    "MOST_PILES",
    "Band",
    "Basis",
    "Built",
    "Chart",
    "Drift",
    "HeatCost",
    "Signal",
    "change_point",
    "chart",
    "drift",
    "falling_probability",
    "heat_cost",
]
