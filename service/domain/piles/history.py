"""What the record of a pile says of it: turns, fresh starts, where it stands, curing, its end, what was measured.

Every function takes entries in force, as :func:`service.domain.piles.events.in_force` returns them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final, Literal
from uuid import UUID

from service.domain.piles.events import Event, of_kind

INITIAL_SAMPLE_WITHIN: Final = timedelta(days=3)
"""A sample taken later no longer shows the mix as built; common practice, no source."""

_DAY: Final = timedelta(days=1)
_SAMPLE_FIGURES: Final = (
    "carbon_nitrogen_ratio",
    "moisture_pct",
    "nitrogen_pct",
    "ph",
    "fecal_coliform_mpn_g",
    "salmonella_mpn_4g",
    "oxygen_uptake_mmol_kg_h",
    "rottegrad",
)


@dataclass(frozen=True)
class Closing:
    """How a pile ended: ``into_pile_id`` is the pile it was put onto, None when it was closed."""

    at: datetime
    cause: Literal["closed", "merged"]
    into_pile_id: UUID | None = None
    reason: str | None = None


def turns(events: Sequence[Event]) -> tuple[datetime, ...]:
    """Return when the whole pile was turned, each instant once.

    A move with the purpose ``turning`` forks the whole pile over and counts; setting it aside to cure or store
    does not. Whether a rule counts a turn is the rule's affair.
    """
    return tuple(
        dict.fromkeys(
            event.at
            for event in events
            if event.kind == "turn" or (event.kind == "move" and event.details.get("purpose") == "turning")
        )
    )


def fresh_material(events: Sequence[Event]) -> tuple[datetime, ...]:
    """Return when material came onto the pile, by load or by another pile put onto it; each instant once."""
    return tuple(
        dict.fromkeys(
            event.at
            for event in events
            if event.kind == "load" or (event.kind == "merge" and event.details.get("into_pile_id") is None)
        )
    )


def restarts(events: Sequence[Event], built_at: datetime | None) -> tuple[datetime, ...]:
    """Return when every time-temperature count starts again: material that came after the build.

    References
    ----------
    [1] 14 CCR 17867: material added to a batch under treatment. The other rule texts are silent; the careful
        reading is that the youngest part governs, so a merged pile starts again too.
    """
    if built_at is None:
        return ()
    return tuple(at for at in fresh_material(events) if at > built_at)


def started_at(events: Sequence[Event], built_at: datetime | None) -> datetime | None:
    """Return the build, or the last restart after it; None when it has no build."""
    return (restarts(events, built_at) or (built_at,))[-1]


def current_bay(initial: UUID | None, events: Sequence[Event]) -> UUID | None:
    """Return the bay a pile stands in, or stood in at its end; None when it stands in none.

    A move to cure or store that names no bay took the pile out of its bay; any other move that names none left
    it there.
    """
    bay = initial
    for event in of_kind(events, "move"):
        named = event.identity("bay_id")
        if named is not None or event.details.get("purpose") in {"curing", "storage"}:
            bay = named
    return bay


def bays_worked_in(events: Sequence[Event]) -> tuple[UUID, ...]:
    """Return the bays a pile was moved to after its first, up to when it was set aside."""
    found = []
    for event in of_kind(events, "move"):
        if event.details.get("purpose") in {"curing", "storage"}:
            break
        bay_id = event.identity("bay_id")
        if bay_id is not None:
            found.append(bay_id)
    return tuple(found)


def curing_since(events: Sequence[Event]) -> datetime | None:
    """Return when the pile was set aside to cure: the first such move after the last fresh material."""
    fresh = fresh_material(events)
    return next(
        (
            event.at
            for event in of_kind(events, "move")
            if event.details.get("purpose") == "curing" and not (fresh and event.at < fresh[-1])
        ),
        None,
    )


def cured_days(events: Sequence[Event], *, now: datetime) -> float | None:
    """Return days of curing on record [d]; None when no move to curing is on record.

    Cooling seen by probes alone is not counted: a rule that asks for curing asks for a record of it. A pile that
    was closed or put onto another stopped curing then.
    """
    since = curing_since(events)
    return None if since is None else days_since(since, events, now=now)


def days_since(since: datetime, events: Sequence[Event], *, now: datetime) -> float:
    """Return how long a pile has been left as it was set aside, up to its end [d]."""
    end = closing(events)
    until = now if end is None else min(now, end.at)
    return max(0.0, (until - since) / _DAY)


def is_over(events: Sequence[Event]) -> bool:
    """Say whether no more heat can come: the pile was set aside to cure, given free, or ended."""
    return closing(events) is not None or released_at(events) is not None or curing_since(events) is not None


def closing(events: Sequence[Event]) -> Closing | None:
    """Return how and when the pile ended, None while it has not."""
    for event in of_kind(events, "close", "merge"):
        into = event.identity("into_pile_id")
        if event.kind == "close":
            return Closing(event.at, "closed", reason=event.details.get("reason"))
        if into is not None:
            return Closing(event.at, "merged", into_pile_id=into)
    return None


def released_at(events: Sequence[Event]) -> datetime | None:
    """Return when the compost was last given free; None when fresh material came onto it since."""
    released, fresh = of_kind(events, "release"), fresh_material(events)
    if not released or (fresh and fresh[-1] > released[-1].at):
        return None
    return released[-1].at


def water_added_l(events: Sequence[Event]) -> float:
    """Return all water on record [L]."""
    return sum(event.number("volume_l") or 0.0 for event in of_kind(events, "water"))


def initial_sample(events: Sequence[Event], built_at: datetime | None) -> Event | None:
    """Return the sample that shows the mix as built: it carries a ratio and was taken nearest to the build.

    Samples up to ``INITIAL_SAMPLE_WITHIN`` after the build qualify; later ones show what is left of the carbon.
    """
    if built_at is None:
        return None
    samples = [
        event
        for event in of_kind(events, "sample")
        if event.number("carbon_nitrogen_ratio") is not None and event.at <= built_at + INITIAL_SAMPLE_WITHIN
    ]
    return min(reversed(samples), key=lambda event: abs(event.at - built_at), default=None)


def initial_carbon_nitrogen_ratio(events: Sequence[Event], built_at: datetime | None) -> float | None:
    """Return the measured carbon:nitrogen ratio of the mix as built; None when no sample shows it."""
    sample = initial_sample(events, built_at)
    return None if sample is None else sample.number("carbon_nitrogen_ratio")


def duty_facts(events: Sequence[Event]) -> Mapping[str, Any]:
    """Return what the record holds on the duties rules lay down beside time and temperature.

    Returns
    -------
    Mapping[str, Any]
        ``covers``: ``{at, covered, material, thickness_cm}`` each; ``covered``: whether it is covered now, None
        when never told; ``greatest_cover_thickness_cm`` [cm]; ``samples``: ``{at, laboratory}`` and the figures
        measured; ``latest``: per figure its newest value; ``turn_methods``; ``screens``: ``{at, mesh_mm}``;
        ``curing_since``; ``water_l`` [L]; ``without_crew``: entries that name nobody; ``latest_entry_h``: longest
        time between what happened and its writing down [h]. Unknown is None, never 0. What a fact proves under a
        rule is for the caller to say.
    """
    covers = [_cover(event) for event in of_kind(events, "cover")]
    samples = [_sample(event) for event in of_kind(events, "sample")]
    thicknesses = [cover["thickness_cm"] for cover in covers if cover["thickness_cm"] is not None]
    return {
        "covers": tuple(covers),
        "covered": covers[-1]["covered"] if covers else None,
        "greatest_cover_thickness_cm": max(thicknesses, default=None),
        "samples": tuple(samples),
        "latest": {figure: s[figure] for s in samples for figure in _SAMPLE_FIGURES if figure in s},
        "turn_methods": tuple(event.details.get("method") for event in of_kind(events, "turn")),
        "screens": tuple(
            {"at": event.at, "mesh_mm": event.number("mesh_mm")} for event in of_kind(events, "screen")
        ),
        "curing_since": curing_since(events),
        "water_l": water_added_l(events),
        "without_crew": sum(event.crew is None for event in events),
        "latest_entry_h": max(
            ((event.recorded_at - event.at) / timedelta(hours=1) for event in events), default=None
        ),
    }


def _cover(event: Event) -> dict[str, Any]:
    covered = event.details.get("covered", True)
    return {
        "at": event.at,
        "covered": covered,
        "material": event.details.get("material"),
        "thickness_cm": event.number("thickness_cm") if covered else None,
    }


def _sample(event: Event) -> dict[str, Any]:
    figures = {figure: event.number(figure) for figure in _SAMPLE_FIGURES}
    told = {figure: value for figure, value in figures.items() if value is not None}
    return {"at": event.at, "laboratory": event.details.get("laboratory"), **told}
