"""Which duties of the rules a pile's record discharges, besides time, temperature, turning, mix and curing."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import Final

from service.domain.compliance import Sample
from service.domain.piles import Event, built_volume, duty_facts

COVER_CM: Final = 30.0
"""One foot of insulation: the thicker of what 14 CCR 17868.3 (6 to 12 in) and EPA guidance (1 ft) ask."""

METHOD_OF_BAY: Final[Mapping[str, str]] = MappingProxyType(
    {"vessel": "in_vessel", "aerated_bay": "static_aerated", "windrow_strip": "turned_windrow"}
)
"""What each kind of bay is built for. A cage or an open bay is turned by one crew and left by the next: it tells
nothing. No kind of bay tells that it is housed."""

_NO_FIGURE: Final = frozenset({"at", "laboratory"})
_LATEST: Final = ("moisture_pct", "oxygen_uptake_mmol_kg_h", "rottegrad")


def duties_on_record(events: Sequence[Event]) -> frozenset[str]:
    """Return the names of duties for which a pile's record holds what is asked.

    Parameters
    ----------
    events
        Entries in force.

    Returns
    -------
    frozenset of str
        Named outright by an entry (``duties``), or shown by what was measured.
    """
    named = {name for event in events for name in event.details.get("duties", ())}
    facts = duty_facts(events)
    if (facts["greatest_cover_thickness_cm"] or 0) >= COVER_CM:
        named.add("insulating_cover")
    return frozenset(named)


def samples_on_record(events: Sequence[Event]) -> tuple[Sample, ...]:
    """Return a pile's samples, each with the figures measured on it; limits are the rule's to compare.

    Results of different days are kept apart: what one sample lacks another does not supply.
    """
    return tuple(
        Sample(sample["at"], {name: float(value) for name, value in sample.items() if name not in _NO_FIGURE})
        for sample in duty_facts(events)["samples"]
    )


def measures_on_record(
    events: Sequence[Event],
    *,
    built_at: datetime | None = None,
    bay_volume_m3: float | None = None,
    stored_days: float | None = None,
) -> Mapping[str, float]:
    """Return the other figures on a pile's record that a duty may be shown by, by name.

    Parameters
    ----------
    events
        Entries in force.
    built_at
        The pile's build.
    bay_volume_m3
        What its bay holds [m3]: taken where nobody told what was built, for a pile is no larger, and a larger one is
        asked for more.
    stored_days
        How long it has been stored [d]; None if no such record is.
    """
    facts = duty_facts(events)
    built = built_volume(events, built_at)
    found = {
        "cover_thickness_cm": facts["greatest_cover_thickness_cm"],
        "volume_m3": bay_volume_m3 if built is None else built.volume_m3,
        "storage_days": stored_days,
        **{name: facts["latest"].get(name) for name in _LATEST},
    }
    return {name: float(value) for name, value in found.items() if value is not None}


def method_on_record(kinds: Sequence[str | None]) -> str | None:
    """Return the way of composting that follows from the bays a pile was worked in.

    Parameters
    ----------
    kinds
        Kind of each bay, None for a place nobody named.

    Returns
    -------
    str or None
        None where the bays tell nothing, or not the same.
    """
    ways = {METHOD_OF_BAY.get(kind) if kind is not None else None for kind in kinds}
    return ways.pop() if len(ways) == 1 else None
