"""How much stands there: as built and now, from what was loaded, measured and seen."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal

from service.domain.piles.events import Event, of_kind

SAME_HEAP_WITHIN: Final = timedelta(hours=24)
"""A height or volume told this soon after loading still shows the heap as loaded; common practice, no source.
A pile settles by about a fifth in its first week, so a day later is a few per cent."""


@dataclass(frozen=True)
class Volume:
    """A volume of the whole pile.

    Attributes
    ----------
    volume_m3
        [m3].
    basis
        ``measured``: told by the crew; ``loads``: sum of the loads, before settling; ``height``: scaled from an
        earlier volume by the height since.
    at
        What it is true of: the instant of the newest entry it rests on.
    """

    volume_m3: float
    basis: Literal["measured", "loads", "height"]
    at: datetime


@dataclass(frozen=True)
class _Standing:
    """Fold state: the volume now, whether it is known, and the heap (volume, height) heights are read against."""

    volume: Volume | None = None
    known: bool = True
    scale_m3_per_m: float | None = None


def built_volume(events: Sequence[Event], built_at: datetime | None) -> Volume | None:
    """Return the volume as built.

    Parameters
    ----------
    events
        Entries in force.
    built_at
        When the pile was complete; None or before any load gives None.

    Returns
    -------
    Volume or None
        The first volume told after the last load up to the build and within ``SAME_HEAP_WITHIN`` of the build,
        because a heap settles into its own gaps and a sum of loads overstates it; else the sum of the loads; None
        when a load was told without a volume.
    """
    if built_at is None:
        return None
    loads = [
        event for event in of_kind(events, "load", "merge") if event.at <= built_at and not _leaves(event)
    ]
    if not loads:
        return None
    complete_at = loads[-1].at
    for event in of_kind(events, "observe", "turn"):
        told = event.number("volume_m3")
        if told is not None and complete_at <= event.at <= built_at + SAME_HEAP_WITHIN:
            return Volume(told, "measured", event.at)
    volumes = [event.number("volume_m3") for event in loads]
    known = [volume for volume in volumes if volume is not None]
    return Volume(sum(known), "loads", complete_at) if len(known) == len(volumes) else None


def built_height_m(events: Sequence[Event], built_at: datetime | None) -> float | None:
    """Return the first height told after the last load up to the build and within a day of the build [m].

    None when nobody told one: what is told later shows a heap that has settled.
    """
    if built_at is None:
        return None
    complete_at = max(
        (one.at for one in of_kind(events, "load", "merge") if one.at <= built_at), default=built_at
    )
    for event in of_kind(events, "observe", "turn"):
        told = event.number("height_m")
        if told is not None and complete_at <= event.at <= built_at + SAME_HEAP_WITHIN:
            return told
    return None


def volume_now(events: Sequence[Event]) -> Volume | None:
    """Return the volume after everything on record; None when it is not known.

    A volume told by the crew holds. Later heights scale it: on an unchanged footprint the volume of a cage, a
    cone and a windrow alike goes with the height. Loads add to it; a load without a volume, another pile put on,
    a split or a screening make it unknown until the next one is told; a move makes heights incomparable.
    """
    standing = _Standing()
    for event in events:
        standing = _after(standing, event)
    return standing.volume if standing.known else None


def _after(standing: _Standing, event: Event) -> _Standing:
    match event.kind:
        case "load":
            return _loaded(standing, event)
        case "observe" | "turn":
            return _seen(standing, event)
        case "move":
            return replace(standing, scale_m3_per_m=None)
        case "merge" | "split" | "screen" | "close":
            return _Standing(known=False)
    return standing


def _loaded(standing: _Standing, event: Event) -> _Standing:
    added = event.number("volume_m3")
    if added is None or not standing.known:
        return _Standing(known=False)
    before = standing.volume
    if before is None:
        return _Standing(Volume(added, "loads", event.at))
    return _Standing(replace(before, volume_m3=before.volume_m3 + added, at=event.at))


def _seen(standing: _Standing, event: Event) -> _Standing:
    told, height = event.number("volume_m3"), event.number("height_m")
    if told is not None:
        return _Standing(Volume(told, "measured", event.at), scale_m3_per_m=told / height if height else None)
    volume = standing.volume
    if not height or not standing.known or volume is None:
        return standing
    if standing.scale_m3_per_m is not None:
        return replace(standing, volume=Volume(standing.scale_m3_per_m * height, "height", event.at))
    if event.at - volume.at <= SAME_HEAP_WITHIN:
        return replace(standing, scale_m3_per_m=volume.volume_m3 / height)
    return standing


def _leaves(event: Event) -> bool:
    return event.details.get("into_pile_id") is not None
