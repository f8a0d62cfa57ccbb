"""What a crew tells of an item, and the entries it makes in a pile's record."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from service.domain.errors import FieldError, Invalid
from service.domain.piles import Event
from service.domain.piles.heat_signs import AMBER_C, BLACK_C, RED_C
from service.domain.piles.situation import HEARD_WITHIN_H, ago
from service.domain.today import PRACTICE, Recorded, Sign, Task
from service.operations.piles import Happening
from service.storage.handover import TICKED_OFF

BESIDE: Final = "beside_item"
"""In an event's details: the item whose completion it adds to."""

_FIELDS: Final[Mapping[Recorded, tuple[str, ...]]] = {
    "turned": ("turned",),
    "height_m": ("height_m",),
    "temperature": ("temperature_c", "temperature_f", "position"),
    "moisture_feel": ("moisture_feel",),
    "smell": ("smell",),
    "water": ("watered", "water_l"),
    "mesh_mm": ("mesh_mm",),
    "fines_m3": ("fines_m3",),
    "overs_m3": ("overs_m3",),
    "note": (),
}
_F_PER_C: Final = 1.8
_F_AT_0_C: Final = 32.0


@dataclass(frozen=True)
class Told:
    """What a crew tells of an item it has done; what it does not know is None.

    Attributes
    ----------
    turned
        Whether the whole pile was turned, of a task that does not say so itself.
    temperature_c, temperature_f
        Read by hand [Cel], [degF]; one of the two at most.
    position
        Where it was read.
    """

    at: datetime
    crew: str | None = None
    turned: bool | None = None
    height_m: float | None = None
    temperature_c: float | None = None
    temperature_f: float | None = None
    position: str | None = None
    moisture_feel: str | None = None
    smell: str | None = None
    watered: bool | None = None
    water_l: float | None = None
    mesh_mm: float | None = None
    fines_m3: float | None = None
    overs_m3: float | None = None
    note: str | None = None

    @property
    def celsius(self) -> float | None:
        """The temperature read by hand [Cel]."""
        if self.temperature_f is not None:
            return round((self.temperature_f - _F_AT_0_C) / _F_PER_C, 2)
        return self.temperature_c


def is_dangerous(told: Told) -> bool:
    """Return whether the temperature that was read is a danger to people."""
    return told.celsius is not None and told.celsius >= RED_C


def must_fit(task: Task, told: Told) -> None:
    """Refuse what a task does not ask for.

    Raises
    ------
    Invalid
        Something told does not belong to it, or what it is about is missing.
    """
    practice = PRACTICE[task]
    takes = {name for kind in practice.record for name in _FIELDS[kind]} | {"at", "crew", "note"}
    errors = [
        FieldError(
            f"/{name}", f"is not asked for when the task is '{task}'; leave it out, or put it into note"
        )
        for names in _FIELDS.values()
        for name in names
        if getattr(told, name) is not None and name not in takes
    ]
    if told.temperature_c is not None and told.temperature_f is not None:
        errors.append(FieldError("/temperature_f", "stands beside temperature_c; give the one that was read"))
    if task == "read" and told.celsius is None:
        errors.append(FieldError("/temperature_c", "is missing; give what the thermometer showed"))
    if told.watered is False and told.water_l is not None:
        errors.append(
            FieldError("/water_l", "is given although it was not watered; leave one of the two out")
        )
    if errors:
        raise Invalid(*errors)


def happenings(item_id: str, task: Task, told: Told, move: Mapping[str, Any] | None) -> list[Happening]:
    """Return the entries to make, the one that says it was done first.

    Parameters
    ----------
    move
        Details of the pile's move to another bay, None if it stays.
    """
    seen = _given(
        moisture_feel=told.moisture_feel, smell=told.smell, temperature_c=told.celsius, position=told.position
    )
    if told.celsius is None:
        seen.pop("position", None)
    made: list[tuple[str, dict[str, Any]]] = []
    if task == "turn" or told.turned:
        made.append(("turn", _given(height_m=told.height_m)))
    elif task == "screen":
        made.append(("screen", _given(mesh_mm=told.mesh_mm, fines_m3=told.fines_m3, overs_m3=told.overs_m3)))
    elif task != "move":
        made.append(("observe", _given(height_m=told.height_m) | seen))
        seen = {}
    if move is not None:
        made.append(("move", dict(move)))
    if task == "move":
        seen = _given(height_m=told.height_m) | seen
    if seen:
        made.append(("observe", seen))
    if told.watered or told.water_l is not None:
        made.append(("water", _given(volume_l=told.water_l)))
    return [
        _entry(item_id, kind, details, told, is_first=not place) for place, (kind, details) in enumerate(made)
    ]


def _entry(item_id: str, kind: str, details: Mapping[str, Any], told: Told, *, is_first: bool) -> Happening:
    named = {(TICKED_OFF if is_first else BESIDE): item_id}
    return Happening(kind, told.at, {**details, **named}, told.crew, told.note if is_first else None)


def _given(**values: Any) -> dict[str, Any]:  # noqa: ANN401 - any JSON value
    return {name: value for name, value in values.items() if value is not None}


def words_of(*told: Event | Happening) -> list[tuple[str, datetime, str | None, str | None, str]]:
    """Return what entries say, without which item they belong to."""
    return sorted(
        (
            one.kind,
            one.at.astimezone(UTC),
            one.crew,
            one.note,
            repr(
                sorted(
                    (name, value) for name, value in one.details.items() if name not in {TICKED_OFF, BESIDE}
                )
            ),
        )
        for one in told
    )


def heat_words(heat_c: float | None) -> list[str]:
    """Return what to do about a temperature that is too high [Cel]."""
    if heat_c is None or heat_c < AMBER_C:
        return []
    if heat_c >= BLACK_C:
        text = (
            f"{heat_c:g} °C can be the start of a fire. Do not open or turn it. Keep people away and call the fire"
            " service."
        )
        return [text]
    if heat_c >= RED_C:
        text = (
            f"{heat_c:g} °C is dangerous. Smoke or a burnt smell: keep away and call the fire service. Otherwise cool"
            " it today, with a second person and water at hand, and measure again within hours."
        )
        return [text]
    return [f"{heat_c:g} °C is too hot: turn it within a day, water it if it is dry, and tell the site lead."]


def hand_heat(events: Sequence[Event], now: datetime) -> Sign | None:
    """Return the sign of the latest temperature a crew told of, if it is too high and not long ago.

    Parameters
    ----------
    events
        In force, by time.
    """
    told = [one for one in events if one.kind == "observe" and one.number("temperature_c") is not None]
    if not told or now - told[-1].at > timedelta(hours=HEARD_WITHIN_H):
        return None
    heat_c = told[-1].number("temperature_c")
    words = heat_words(heat_c)
    if heat_c is None or not words:
        return None
    text = f"A crew read {heat_c:.1f} °C by hand {ago((now - told[-1].at) / timedelta(hours=1))}."
    if heat_c >= RED_C:
        return Sign("fire_danger" if heat_c >= BLACK_C else "too_hot", "danger", text, words[0])
    is_turned = any(one.kind == "turn" and one.at >= told[-1].at for one in events)
    return Sign("too_hot", "info" if is_turned else "caution", text, words[0])
