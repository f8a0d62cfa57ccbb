"""Which duties of the rules a pile's record discharges, besides time, temperature, turning, mix and curing."""

from collections.abc import Mapping, Sequence
from typing import Final

from service.domain.compliance import Sample
from service.domain.piles import Event, duty_facts

COVER_CM: Final = 30.0
"""One foot of insulation: the thicker of what 14 CCR 17868.3 (6 to 12 in) and EPA guidance (1 ft) ask."""

_NO_FIGURE: Final = frozenset({"at", "laboratory"})


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


def measures_on_record(events: Sequence[Event]) -> Mapping[str, float]:
    """Return the other figures on a pile's record that a duty may be shown by, by name."""
    facts = duty_facts(events)
    found = {
        "cover_thickness_cm": facts["greatest_cover_thickness_cm"],
        "moisture_pct": facts["latest"].get("moisture_pct"),
    }
    return {name: float(value) for name, value in found.items() if value is not None}
