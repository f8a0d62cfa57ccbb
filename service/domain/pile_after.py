"""A recorded pile as a lot of finished compost: its newest samples, its volume, and what was put on."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from service.domain.application import Lot, Treated
from service.domain.piles import Event, fresh_material, of_kind, volume_now
from service.domain.piles.history import INITIAL_SAMPLE_WITHIN
from service.domain.published import Unknown

_FIGURES: Final = (
    "moisture_pct",
    "nitrogen_pct",
    "phosphorus_pct",
    "potassium_pct",
    "carbon_nitrogen_ratio",
    "bulk_density_kg_m3",
    "ash_pct",
)


@dataclass(frozen=True)
class Measured:
    """A figure of the compost and when the sample was taken."""

    figure: str
    value: float
    at: datetime


@dataclass(frozen=True)
class FinishedPile:
    """What a pile's record says of its compost.

    Attributes
    ----------
    lot
        Newest figures of samples that show the compost rather than the mix as built, and its volume.
    measured
        Where each figure of the lot comes from.
    treated
        Mass of all loads [kg], wet, or why it is not known.
    """

    lot: Lot
    measured: tuple[Measured, ...]
    treated: Treated | Unknown


def finished_pile(events: Sequence[Event], built_at: datetime | None) -> FinishedPile:
    """Return a pile as a lot.

    Parameters
    ----------
    events
        Entries in force.
    built_at
        When it was complete; ``None`` when nobody said.

    Returns
    -------
    FinishedPile
        A sample within three days of the last material still shows the mix as built and is left out. Figures of
        several samples are put together, each the newest of its kind; ``measured`` says which is how old.
    """
    fresh = max((*fresh_material(events), *(() if built_at is None else (built_at,))), default=None)
    shown = [
        event
        for event in of_kind(events, "sample")
        if fresh is None or event.at > fresh + INITIAL_SAMPLE_WITHIN
    ]
    newest: dict[str, Measured] = {}
    for event in shown:
        for figure in _FIGURES:
            value = event.number(figure)
            if value is not None:
                newest[figure] = Measured(figure, value, event.at)
    figures = {figure: found.value for figure, found in newest.items()}
    lot = Lot(volume_m3=_volume_m3(events, fresh), **figures)
    return FinishedPile(lot, tuple(newest.values()), _treated(events))


def _volume_m3(events: Sequence[Event], fresh: datetime | None) -> float | None:
    """Return the fines of the last screening, which are the compost; before any, the pile as it stands."""
    for event in reversed(of_kind(events, "screen")):
        fines = event.number("fines_m3")
        if fines and (fresh is None or event.at >= fresh):
            return fines
    standing = volume_now(events)
    return None if standing is None else standing.volume_m3


def _treated(events: Sequence[Event]) -> Treated | Unknown:
    loads = of_kind(events, "load")
    if any(event.details.get("into_pile_id") is None for event in of_kind(events, "merge")):
        return Unknown(
            "emissions", "another pile was put onto this one, and the mass that came with it is not on record"
        )
    if not loads:
        return Unknown("emissions", "no load is on record; record what was put on, with its mass")
    masses = [event.number("mass_kg") for event in loads]
    known = [mass for mass in masses if mass is not None]
    if len(known) < len(masses):
        lacking = len(masses) - len(known)
        return Unknown(
            "emissions", f"{lacking} of {len(masses)} loads have no mass on record; correct them with mass_kg"
        )
    return Treated(sum(known), "wet")
