"""What to get ready, and what can hurt someone, for the materials and measures that are really used."""

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from service.domain.published import Status, plain

from .parts import Load
from .practice import Handling
from .sheet import Sheet
from .writing import listed

_ALWAYS: Final = "*"
_CM: Final = 10.0


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning for some materials, with its source."""

    name: str
    categories: frozenset[str]
    words: re.Pattern[str]
    text: str
    source: str
    status: Status

    def is_due(self, load: Load) -> bool:
        """Return whether it is due for a material."""
        if _ALWAYS in self.categories or load.category in self.categories:
            return True
        return self.words.search(load.name.lower()) is not None


def _cautions() -> tuple[Caution, ...]:
    text = (Path(__file__).parent / "cautions.toml").read_text(encoding="utf-8")
    return tuple(
        Caution(
            **row
            | {
                "categories": frozenset(row["categories"]),
                # no words means none, not any
                "words": re.compile(rf"\b(?:{row['words'] or '(?!)'})\b"),
                "status": Status(row["status"]),
            }
        )
        for row in tomllib.loads(text)["caution"]
    )


CAUTIONS: Final = _cautions()


def cautions_for(sheet: Sheet) -> tuple[str, ...]:
    """Return the cautions due, the weights first."""
    due = [one.text for one in CAUTIONS if any(one.is_due(load) for load in sheet.loads)]
    return (*_weights(sheet.loads, sheet.request.lifting_limit_kg), *due)


def _weights(loads: Iterable[Load], limit_kg: float) -> list[str]:
    """Say what the heaviest measure of each kind weighs, and what to do when it is too much for one."""
    heaviest: dict[str, Load] = {}
    for load in loads:
        kind = load.measure.kind
        if kind != "scale" and (
            kind not in heaviest or load.mass_per_measure_kg > heaviest[kind].mass_per_measure_kg
        ):
            heaviest[kind] = load
    found = []
    for kind, load in heaviest.items():
        told = f"{kind.capitalize()} of {load.name}: {load.mass_per_measure_kg:.0f} kg"
        if not load.is_heavy:
            found.append(f"{told}.")
        elif kind == "barrow":
            found.append(f"{told}. Heavy: two push, or make two trips of half.")
        else:
            found.append(
                f"{told}. Too heavy for one (limit {plain(limit_kg)} kg): two lift, or half fill twice."
            )
    return found


def preparing(sheet: Sheet) -> tuple[str, ...]:
    """Return what to do before the first barrow: measures, tools, sizes, wetting."""
    return (*_measures(sheet), _tools(sheet), *_sizes(sheet.loads), *_wetting(sheet))


def _measures(sheet: Sheet) -> list[str]:
    used = {load.measure.name: load.measure for load in sheet.loads}
    if sum(sheet.water.halves):
        used[sheet.water.can.name] = sheet.water.can
    told = [
        f"{name[:1].upper()}{name[1:]} = {plain(one.volume_l)} L"
        if one.volume_l is not None
        else f"{name[:1].upper()}{name[1:]}: steps of {plain(one.mass_kg or 0.0)} kg"
        if one.kind == "scale"
        else f"{name[:1].upper()}{name[1:]} = {plain(one.mass_kg or 0.0)} kg"
        for name, one in used.items()
    ]
    return [f"{'. '.join(told)}. Fill level, do not press."]


def _tools(sheet: Sheet) -> str:
    kinds = {load.measure.kind for load in sheet.loads} - {"fork"}
    needed = ["forks", *(f"{kind}s" if kind != "scale" else kind for kind in sorted(kinds))]
    if sum(sheet.water.halves) or sheet.planned.moisture_pct is None:
        needed.append("watering can")
    return f"Bring {listed([*needed, 'gloves', 'tape measure', 'thermometer'])}."


def _sizes(loads: Iterable[Load]) -> list[str]:
    """Say how to prepare each material; those prepared alike share a line."""
    alike: dict[str, list[str]] = {}
    for load in loads:
        if words := handling_words(load.handling):
            alike.setdefault(words, []).append(load.name)
    return [f"{'; '.join(names)}: {words}" for words, names in alike.items()]


def handling_words(handling: Handling) -> str:
    """Return how a material is prepared, in short sentences."""
    if handling.low_mm is None or handling.high_mm is None:
        return handling.hint
    low, high = handling.low_mm / _CM, plain(handling.high_mm / _CM)
    size = f"pieces up to {high} cm." if low < 1 else f"pieces {low:.0f} to {high} cm."
    return f"{size} {handling.hint}".strip()


def _wetting(sheet: Sheet) -> list[str]:
    if sheet.planned.moisture_pct is None:
        return ["How wet this mix is, is not known. Wet layer by layer until the squeeze test is right."]
    if not sum(sheet.water.halves):
        return ["No water: the mix is moist enough. Check with the squeeze test."]
    return ["Wet dry browns first, then each layer as you go. Never after: it runs off."]
