"""What the probes of the scenario said: the heat where they sat, through their bias, noise and faults."""

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.demo.climate import Air, hours_of
from service.demo.days import DAY
from service.demo.layout import LaidOut
from service.demo.pile import Sitting
from service.domain.quantities import Quantity, Unit

ACCURACY_C: Final = 1.5
"""Of low-cost loggers in compost: 1 to 1.9 (Jordao et al. 2017, Rev. Bras. Eng. Agric. Ambient. 21)."""
_BIAS_C: Final = 0.6
_NOISE_C: Final = 0.05
_WANDER_C: Final = 0.6
_WANDER_H: Final = 18.0
"""How far and how slowly a pile's heat wanders about its mean at one place; simulated, chosen so the curves look
right."""


@dataclass(frozen=True)
class Probe:
    """An instrument.

    Attributes
    ----------
    serial, gateway
        Its name, and the gateway that sends what it says.
    every
        Time between two readings.
    unit
        In which it speaks.
    stuck_days
        Days before the end of the scenario from and until which it repeats one value; None for a sound probe.
    is_registered
        False for the one somebody pushed in without telling the record.
    note
        As recorded.
    """

    serial: str
    gateway: str
    every: dt.timedelta = dt.timedelta(minutes=15)
    unit: Unit = Unit.CEL
    stuck_days: tuple[float, float] | None = None
    is_registered: bool = True
    note: str = "Simulated probe."


_HALF_HOUR: Final = dt.timedelta(minutes=30)
_HOURLY: Final = dt.timedelta(hours=1)
_PROBES: Final = (
    *(Probe(f"HS-0{number}", "hillside-gateway", _HALF_HOUR) for number in range(1, 6)),
    Probe("HS-77", "hillside-gateway", dt.timedelta(hours=2), is_registered=False),
    *(Probe(f"MY-0{number}", "yard-gateway-west") for number in (1, 2)),
    *(Probe(f"MY-0{number}", "yard-gateway-east") for number in range(3, 9)),
    Probe(
        "MY-DIAL-F",
        "yard-gateway-east",
        _HALF_HOUR,
        Unit.DEG_F,
        note="Simulated probe: a dial thermometer with a logger, in degrees Fahrenheit.",
    ),
    Probe("GH-01", "glasshouse-gateway"),
    Probe(
        "GH-02",
        "glasshouse-gateway",
        stuck_days=(84.4, 79.2),
        note="Simulated probe: stuck for days in pile GH-02, mended since.",
    ),
    *(Probe(f"GH-0{number}", "glasshouse-gateway") for number in (3, 4)),
    *(
        Probe(f"{site}-AIR", gateway, _HOURLY, note="Simulated: air in the shade.")
        for site, gateway in (
            ("HS", "hillside-gateway"),
            ("MY", "yard-gateway-east"),
            ("GH", "glasshouse-gateway"),
        )
    ),
)
PROBES: Final[Mapping[str, Probe]] = MappingProxyType({probe.serial: probe for probe in _PROBES})


@dataclass(frozen=True)
class Stay:
    """A probe's stay in a pile, on the calendar; ``until`` is None while it still sits there."""

    serial: str
    pile: str
    position: str
    depth_cm: float
    since: dt.datetime
    until: dt.datetime | None


@dataclass(frozen=True, eq=False)
class Spoken:
    """Readings of one probe, ascending.

    Attributes
    ----------
    probe, quantity
        Who said what.
    observed_us
        ``(n,)`` microseconds since 1970-01-01T00:00Z.
    value
        ``(n,)`` in the probe's unit.
    """

    probe: Probe
    quantity: Quantity
    observed_us: NDArray[np.int64]
    value: NDArray[np.float64]


def stay_of(laid: LaidOut, sitting: Sitting, now: dt.datetime) -> Stay:
    """Return a stay; a probe goes in half an hour after the build."""
    assert laid.built_at is not None
    until = None if sitting.until_day is None else laid.built_at + sitting.until_day * DAY
    since = laid.built_at + dt.timedelta(minutes=30)
    if until is not None and until > now:
        until = None
    return Stay(sitting.serial, laid.pile.label, sitting.position, sitting.depth_cm, since, until)


def said_in(laid: LaidOut, stay: Stay, air: Air, *, now: dt.datetime, rng: np.random.Generator) -> Spoken:
    """Return what a probe said while it sat in a pile."""
    assert laid.curve is not None
    probe = PROBES[stay.serial]
    hours = _instants(probe, stay.since, min(now, stay.until or now), rng)
    bias_c = rng.normal(0, _BIAS_C)
    wander_c = _wander(len(hours), probe.every, rng)
    heat_c = laid.curve.at_depth(hours, stay.depth_cm, air) + bias_c + wander_c
    return _as_said(probe, Quantity.TEMPERATURE, hours, heat_c, now, rng)


def said_of_air(
    probe: Probe, air: Air, since: dt.datetime, now: dt.datetime, rng: np.random.Generator
) -> Spoken:
    """Return what a probe that hangs in the air said."""
    hours = _instants(probe, since, now, rng)
    return _as_said(probe, Quantity.AMBIENT_TEMPERATURE, hours, air.at(hours), now, rng)


def _instants(
    probe: Probe, since: dt.datetime, until: dt.datetime, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return when a probe spoke: its rhythm, some seconds past the full hour."""
    every_h = probe.every / dt.timedelta(hours=1)
    late_h = float(rng.integers(1, 50)) / 3600
    first = math.ceil(hours_of(since) / every_h)
    last = math.floor((hours_of(until) - late_h) / every_h)
    spoke: NDArray[np.float64] = np.arange(first, last + 1, dtype=np.float64) * every_h + late_h
    return spoke


def _wander(count: int, every: dt.timedelta, rng: np.random.Generator) -> NDArray[np.float64]:
    keep = math.exp(-(every / dt.timedelta(hours=1)) / _WANDER_H)
    shocks = rng.normal(0, _WANDER_C * math.sqrt(1 - keep**2), count)
    wander = np.empty(count)
    standing = 0.0
    for place, shock in enumerate(shocks.tolist()):
        standing = keep * standing + shock
        wander[place] = standing
    return wander


def _as_said(
    probe: Probe,
    quantity: Quantity,
    hours: NDArray[np.float64],
    true_c: NDArray[np.float64],
    now: dt.datetime,
    rng: np.random.Generator,
) -> Spoken:
    noisy_c = true_c + rng.normal(0, _NOISE_C, len(hours))
    shown = noisy_c * 9 / 5 + 32 if probe.unit is Unit.DEG_F else noisy_c
    value = np.round(shown, 1)
    if probe.stuck_days is not None:
        since, until = (hours_of(now - days * DAY) for days in probe.stuck_days)
        stuck = np.flatnonzero((hours >= since) & (hours < until))
        if stuck.size:
            value[stuck] = value[stuck[0]]
    observed_us = np.round(hours * 3600).astype(np.int64) * 1_000_000
    return Spoken(probe, quantity, observed_us, value)
