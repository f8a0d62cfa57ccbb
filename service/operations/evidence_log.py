"""The log of an evidence pack: turns, what else happened, and what was corrected, with both stamps."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final
from uuid import UUID
from zoneinfo import ZoneInfo

from service.domain.piles import Event, in_force
from service.storage.piles import Loaded

_OTHERS: Final = frozenset(
    {"water", "cover", "move", "merge", "split", "observe", "screen", "release", "close"}
)
_TOLD: Final = (
    "purpose",
    "method",
    "volume_l",
    "covered",
    "material",
    "thickness_cm",
    "height_m",
    "volume_m3",
    "moisture_feel",
    "smell",
    "mesh_mm",
    "fines_m3",
    "overs_m3",
    "grade",
    "duties",
    "built_at_was",
    "built_at_is",
)
"""Figures and choices from lists; what people write freely may name persons and stays in the record."""


def local(at: datetime | None, time_zone: str) -> str | None:
    """Return an instant as the site's clock shows it, with its offset."""
    return None if at is None else at.astimezone(ZoneInfo(time_zone)).isoformat(timespec="seconds")


def entry_of(event: Event, loaded: Loaded) -> dict[str, Any]:
    """Return what every entry of the log tells.

    A crew is named only when it is on the site's list of crews: anything else may be a person's name.
    """
    return {
        "event_id": event.id,
        "kind": event.kind,
        "at": event.at,
        "local": local(event.at, loaded.site.time_zone),
        "recorded_at": event.recorded_at,
        "crew": event.crew if event.crew in loaded.site.crews else None,
        "corrected_by": event.corrected_by,
    }


def turns_of(loaded: Loaded, *, now: datetime) -> list[dict[str, Any]]:
    """Return every turn in force, numbered as on the curve."""
    turns = [one for one in _happened(loaded, now) if _is_turn(one)]
    # Two entries of one instant are one turn.
    numbers = {at: n for n, at in enumerate(dict.fromkeys(one.at for one in turns), start=1)}
    return [
        {
            "number": numbers[one.at],
            **entry_of(one, loaded),
            "method": one.details.get("method"),
            "height_m": one.number("height_m"),
        }
        for one in turns
    ]


def _is_turn(event: Event) -> bool:
    return event.kind == "turn" or (event.kind == "move" and event.details.get("purpose") == "turning")


def _happened(loaded: Loaded, now: datetime) -> Sequence[Event]:
    return [one for one in in_force(loaded.events) if one.at <= now]


def log_of(loaded: Loaded, bays: Mapping[UUID, str], *, now: datetime) -> list[dict[str, Any]]:
    """Return what else happened, in order of time; loads and samples have tables of their own."""
    return [
        {**entry_of(one, loaded), "details": _details(one, bays)}
        for one in _happened(loaded, now)
        if one.kind in _OTHERS and not _is_turn(one)
    ]


def _details(event: Event, bays: Mapping[UUID, str]) -> dict[str, Any]:
    told = {name: event.details[name] for name in _TOLD if event.details.get(name) is not None}
    bay_id = event.identity("bay_id")
    if bay_id is not None:
        told["bay"] = bays.get(bay_id, str(bay_id))
    for name in ("with_pile_id", "into_pile_id", "into_pile_ids"):
        if event.details.get(name):
            told[name] = event.details[name]
    return told


def corrections_of_events(loaded: Loaded) -> list[dict[str, Any]]:
    """Return every correction of an entry, also one that a later one replaced, in the order of record."""
    originals = {one.id: one for one in loaded.events if one.kind != "correct"}
    holding = {one.corrected_by for one in in_force(loaded.events)}
    found = []
    for one in sorted(loaded.events, key=lambda one: (one.recorded_at, one.id)):
        if one.kind != "correct":
            continue
        was = None if one.corrects is None else originals.get(one.corrects)
        instead = one.details.get("replacement")
        found.append(
            {
                "event_id": one.id,
                "corrects": one.corrects,
                "recorded_at": one.recorded_at,
                "reason": one.details.get("reason"),
                "was_kind": None if was is None else was.kind,
                "was_at": None if was is None else was.at,
                "was_recorded_at": None if was is None else was.recorded_at,
                "is_kind": None if instead is None else instead.get("kind"),
                "is_at": None if instead is None else _moment(instead.get("at")),
                "withdraws": instead is None,
                "in_force": one.id in holding or (instead is None and _is_last(one, loaded)),
            }
        )
    return found


def _is_last(correction: Event, loaded: Loaded) -> bool:
    rivals = [one for one in loaded.events if one.kind == "correct" and one.corrects == correction.corrects]
    return max(rivals, key=lambda one: (one.recorded_at, one.id)).id == correction.id


def _moment(told: Any) -> datetime | None:  # noqa: ANN401 - a JSON value
    return datetime.fromisoformat(told) if isinstance(told, str) else None
