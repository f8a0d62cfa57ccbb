"""Which duties of the rules a pile's record discharges, besides time, temperature, turning, mix and curing."""

from collections.abc import Sequence
from typing import Final

from service.domain.piles import Event, duty_facts

COVER_CM: Final = 30.0
"""One foot of insulation: the thicker of what 14 CCR 17868.3 (6 to 12 in) and EPA guidance (1 ft) ask."""

DEPTH_CM: Final = (30.48, 60.96)
"""12 to 24 inches below the surface: 14 CCR 17868.3."""

FECAL_COLIFORM_BELOW_MPN_G: Final = 1000
SALMONELLA_BELOW_MPN_4G: Final = 3
"""Both kept satisfies every text of the book, whether it says "and" or "or" (21 CFR 112.55(b); 40 CFR 503.32)."""


def duties_on_record(events: Sequence[Event], depths_cm: Sequence[float | None]) -> frozenset[str]:
    """Return the names of duties for which a pile's record holds what is asked.

    Parameters
    ----------
    events
        Entries in force.
    depths_cm
        How deep each probe sat [cm]; None where nobody said.

    Returns
    -------
    frozenset of str
        Named outright by an entry (``duties``), or shown by what was measured.
    """
    named = {name for event in events for name in event.details.get("duties", ())}
    facts = duty_facts(events)
    latest = facts["latest"]
    coliform, salmonella = latest.get("fecal_coliform_mpn_g"), latest.get("salmonella_mpn_4g")
    if coliform is not None and salmonella is not None:
        kept = coliform < FECAL_COLIFORM_BELOW_MPN_G and salmonella < SALMONELLA_BELOW_MPN_4G
        named |= {"pathogen_limits"} if kept else set()
    if (facts["greatest_cover_thickness_cm"] or 0) >= COVER_CM:
        named.add("insulating_cover")
    if depths_cm and all(depth is not None and DEPTH_CM[0] <= depth <= DEPTH_CM[1] for depth in depths_cm):
        named.add("sampling_depth")
    return frozenset(named)
