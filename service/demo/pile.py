"""What the scenario says of a pile before it is laid out on dates.

Days are days of the pile, day 0 being the build; what would lie after the end of the scenario has not happened.
"""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Sitting:
    """A probe's stay in a pile.

    Attributes
    ----------
    serial
        The probe.
    position, depth_cm
        Where.
    until_day
        Day it was taken out; None while it still sits there.
    """

    serial: str
    position: str
    depth_cm: float
    until_day: int | None = None


@dataclass(frozen=True)
class Pile:
    """One pile of the scenario.

    Attributes
    ----------
    label, site, bay, recipe
        What and where, by the keys of the scenario.
    volume_m3, form
        As built.
    pattern
        Code of a shipped turning pattern.
    rules
        The rules it is to meet.
    age_days
        Days from the build to the end of the scenario; negative while only planned; None: built so that the last
        change of the site's clocks falls into its hot days.
    sittings
        Probes.
    curing_day, ready_day, closed_day
        When it was moved to cure, released and closed.
    fast_share, thermal_shift_c
        See :class:`service.demo.heap.Heap`.
    material_c
        How warm its material came [Cel]; by the weather when None.
    forgotten_turn
        Which turn was done and never recorded, counted from 1.
    mistaken_turn
        Which turn was written down wrongly and corrected, counted from 1.
    design_volume_m3
        What it was meant to be; what it is when None.
    note
        What its crew wrote at the build.
    """

    label: str
    site: str
    bay: str
    recipe: str
    volume_m3: float
    form: Literal["heap", "windrow"]
    pattern: str
    rules: tuple[str, ...]
    age_days: float | None
    sittings: tuple[Sitting, ...] = ()
    curing_day: int | None = None
    ready_day: int | None = None
    closed_day: int | None = None
    fast_share: float = 0.25
    thermal_shift_c: float = 0.0
    material_c: float | None = None
    forgotten_turn: int | None = None
    mistaken_turn: int | None = None
    design_volume_m3: float | None = None
    note: str = "Simulated pile."
