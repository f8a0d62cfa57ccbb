"""The words of a build sheet: short sentences for wet gloves; the text and the printed page both carry just these."""

from dataclasses import dataclass
from typing import Final

from .cautions import cautions_for, preparing
from .practice import PRACTICE
from .sheet import SAME_FILL_PCT, Sheet
from .steps import Step, heights_after, repeat_words, steps_of
from .writing import cans, duration, number

_FULL_PCT: Final = 100.0


@dataclass(frozen=True, slots=True)
class Wording:
    """Everything that is printed, in order.

    Attributes
    ----------
    title, place, facts
        What, where, and the figures to know first.
    before
        To do before the first barrow.
    bottom, repeat, rounds, top
        The bottom layer, how often the pattern comes, its steps, the top layer.
    heights
        How high the pile stands after each round.
    mark
        Where it ends.
    finish, care, record
        When it stands; what can hurt; what to write down.
    figures
        What mix is loaded, and the recipe's beside it.
    """

    title: str
    place: str
    facts: tuple[str, ...]
    before: tuple[str, ...]
    bottom: Step | None
    repeat: str
    rounds: tuple[Step, ...]
    heights: tuple[tuple[int, str], ...]
    top: Step | None
    mark: str
    finish: tuple[str, ...]
    care: tuple[str, ...]
    record: tuple[str, ...]
    figures: tuple[str, ...]


def wording_of(sheet: Sheet) -> Wording:
    """Return the words of a sheet."""
    bottom, rounds, top = steps_of(sheet)
    return Wording(
        title=sheet.request.title,
        place=_place(sheet),
        facts=_facts(sheet),
        before=preparing(sheet),
        bottom=bottom,
        repeat=repeat_words(rounds, sheet.rounds) if rounds else "",
        rounds=rounds,
        heights=heights_after(sheet),
        top=top,
        mark=_mark(sheet),
        finish=_finish(sheet),
        care=cautions_for(sheet),
        record=_record(sheet),
        figures=_figures(sheet),
    )


def _place(sheet: Sheet) -> str:
    place = sheet.request.place
    shrink = sheet.request.mixing_shrink_pct
    if place is None:
        return "Amounts as the recipe has them, loose."
    how = f"settled: {number(shrink)} % less than loose" if shrink else "loose, as tipped"
    name = f"{place.label}. " if place.label else ""
    return f"{name}Full size {number(place.volume_m3)} m³ ({how})."


def _facts(sheet: Sheet) -> tuple[str, ...]:
    people, water = sheet.request.people, sheet.water
    found = [f"{people} {'person' if people == 1 else 'people'}"]
    if sheet.minutes is not None:
        found.append(f"about {duration(sheet.minutes)}")
    found.append(f"{len(sheet.layers)} layers")
    if sheet.planned.moisture_pct is None:
        found.append("water: by squeeze test")
    elif sum(water.halves):
        found.append(f"water {cans(sum(water.halves), water.can)}")
    else:
        found.append("no water to add")
    return tuple(found)


def _mark(sheet: Sheet) -> str:
    if sheet.mark_cm is not None:
        return f"FILL MARK: {round(sheet.mark_cm)} cm"
    return "" if sheet.request.place is None else "FILL MARK: full"


def _finish(sheet: Sheet) -> tuple[str, ...]:
    found = []
    fill = sheet.fill_pct
    if fill is not None and abs(fill - _FULL_PCT) > SAME_FILL_PCT:
        remedy = "Smaller measures come nearer." if fill < _FULL_PCT else "Stop at the full mark."
        found.append(f"Whole measures make {round(fill)} % of the full bay. {remedy}")
    elif fill is not None:
        found.append("Below the mark? Do one more round. A small pile stays cold.")
    settle = PRACTICE["next_day_lower_pct"]
    if sheet.mark_cm is None:
        lower = f"{settle.least:g} to {settle.most:g} %"
    else:
        lower = f"{settle.least * sheet.mark_cm / 100:.0f} to {settle.most * sheet.mark_cm / 100:.0f} cm"
    found.append(f"Tomorrow it stands {lower} lower. That is normal.")
    found.append(
        "Squeeze a handful: a wrung-out sponge, a drop or two. It runs: too wet. It crumbles: too dry."
    )
    return tuple(found)


def _record(sheet: Sheet) -> tuple[str, ...]:
    full = " Full size?" if sheet.request.place else " Width: ____ cm."
    return (
        "Day: ________ Who: ________",
        f"Height: ____ cm.{full}",
        "What you loaded differently.",
        "Tomorrow: height ____ cm, core heat ____ °C.",
    )


def _figures(sheet: Sheet) -> tuple[str, ...]:
    rows = (
        ("C:N", "carbon_nitrogen_ratio", 1, ""),
        ("moisture", "moisture_pct", 0, " %"),
        ("air space", "free_air_space_pct", 0, " %"),
        ("mass", "mass_kg", 0, " kg"),
    )
    found = [
        f"{name} {_told(getattr(sheet.loaded, field), places, unit)}"
        f" (recipe {_told(getattr(sheet.planned, field), places, unit)})"
        for name, field, places, unit in rows
    ]
    meant_l = sum(one.mass_kg for one in sheet.planned.ingredients if one.moisture_pct == _FULL_PCT)
    if meant_l or sheet.water.total_l:
        found.append(f"of it water {sheet.water.total_l:.0f} L (recipe {meant_l:.0f} L)")
    return tuple(found)


def _told(value: float | None, places: int, unit: str) -> str:
    return "not known" if value is None else f"{value:.{places}f}{unit}"
