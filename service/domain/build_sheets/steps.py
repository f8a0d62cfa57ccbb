"""The layers as steps: the bottom, the pattern that comes back, the top; rounds that differ are named."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

from .parts import Layer
from .sheet import Sheet
from .writing import amount, cans, height, listed

_TITLES: Final = {"bottom": "BOTTOM", "brown": "BROWN", "green": "GREEN", "top": "TOP"}
WATER: Final = "water, as you go"


@dataclass(frozen=True, slots=True)
class StepLine:
    """One thing to bring: how much, of what, and the rounds in which it is another number."""

    amount: str
    what: str
    differs: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One layer, or one that comes back in each round.

    Attributes
    ----------
    number, title
        As printed.
    lines
        What to bring.
    height
        How high the pile then stands; empty for a step that comes back.
    """

    number: int
    title: str
    lines: tuple[StepLine, ...]
    height: str


def steps_of(sheet: Sheet) -> tuple[Step | None, tuple[Step, ...], Step | None]:
    """Return the bottom, the steps of each round, and the top."""
    made: dict[str, Step] = {}
    for role in _TITLES:
        layers = {one.round: one for one in sheet.layers if one.role == role}
        if layers:
            made[role] = _step(len(made) + 1, role, layers, sheet)
    rounds = tuple(made[role] for role in ("brown", "green") if role in made)
    return made.get("bottom"), rounds, made.get("top")


def _step(place: int, role: str, layers: dict[int, Layer], sheet: Sheet) -> Step:
    is_once = 0 in layers
    # a round that gets nothing of this step counts as none, so that it is told
    span: Sequence[Layer | None] = (
        [layers[0]] if is_once else [layers.get(n) for n in range(1, sheet.rounds + 1)]
    )
    used = {load.measure for load in sheet.loads}
    lines = []
    for load in sheet.loads:
        counts = [_count(one, load.ingredient) for one in span]
        if any(counts):
            lines.append(_line(counts, load.name, partial(amount, measure=load.measure, others=used)))
    halves = [0 if one is None else round(2 * one.cans) for one in span]
    if any(halves):
        lines.append(_line(halves, WATER, partial(cans, can=sheet.water.can)))
    told = height(layers[0].top_pct, layers[0].top_cm) if is_once else ""
    return Step(place, _TITLES[role], tuple(lines), told)


def _count(layer: Layer | None, ingredient: int) -> int:
    return 0 if layer is None else sum(one.count for one in layer.parts if one.ingredient == ingredient)


def _line(counts: Sequence[int], what: str, write: Callable[[int], str]) -> StepLine:
    """Tell the most frequent count, the larger of two as frequent, and the rounds that differ from it."""
    often = Counter(counts)
    usual = max(often, key=lambda one: (often[one], one))
    differs = "; ".join(
        f"{_rounds([n for n, count in enumerate(counts, start=1) if count == other])}: {write(other)}"
        for other in sorted(set(counts) - {usual})
    )
    return StepLine(write(usual), what, differs)


def _rounds(numbers: Sequence[int]) -> str:
    return f"round{'s' * (len(numbers) > 1)} {listed(map(str, numbers))}"


def repeat_words(steps: Sequence[Step], rounds: int) -> str:
    """Say how often the pattern comes."""
    which = listed(str(one.number) for one in steps)
    return f"Do {which} once." if rounds == 1 else f"Repeat {which}: ×{rounds}"  # noqa: RUF001 - the sign for times


def heights_after(sheet: Sheet) -> tuple[tuple[int, str], ...]:
    """Return how high the pile stands after each round."""
    ends = {one.round: one for one in sheet.layers if one.round}
    told = ((n, height(one.top_pct, one.top_cm)) for n, one in sorted(ends.items()))
    return tuple((n, words) for n, words in told if words)
