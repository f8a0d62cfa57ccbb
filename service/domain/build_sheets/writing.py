"""Amounts, heights and times as a crew reads them."""

from collections.abc import Iterable
from typing import Final

from service.domain.published import plain

from .measures import Measure

_PLURALS: Final = {"barrow": "barrows", "bucket": "buckets", "fork": "forks", "can": "cans"}


def number(value: float) -> str:
    """Write a number in three figures."""
    return plain(value)


def amount(count: int, measure: Measure, others: Iterable[Measure]) -> str:
    """Write whole measures: ``3 barrows``, ``12 kg``; with the measure's own name where two are of one kind."""
    if measure.kind == "scale":
        return f"{plain(count * (measure.mass_kg or 0.0))} kg"
    if count == 0:
        return "none"
    if sum(one.kind == measure.kind for one in others) > 1:
        return f"{count} × {measure.name}"  # noqa: RUF001 - the sign for times
    return f"{count} {measure.kind if count == 1 else _PLURALS[measure.kind]}"


def cans(halves: int, can: Measure) -> str:
    """Write water in cans and litres: ``1½ cans (15 L)``."""
    if halves == 0:
        return "none"
    whole, half = divmod(halves, 2)
    told = f"{whole or ''}{'½' if half else ''}"
    word = "can" if halves <= 2 else "cans"  # noqa: PLR2004 - up to one can
    return f"{told} {word} ({plain(halves * (can.volume_l or 0.0) / 2)} L)"


def duration(minutes: int) -> str:
    """Write a time: ``45 min``, ``2 h``, ``1 h 15``."""
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest:02d}" if rest else f"{hours} h"


def height(pct: float | None, cm: float | None) -> str:
    """Write how high a pile stands; empty when it is not known."""
    if cm is not None:
        return f"{round(cm)} cm"
    return "" if pct is None else f"{round(pct)} %"


def listed(words: Iterable[str]) -> str:
    """Join words as one says them: ``a, b and c``."""
    told = list(words)
    return told[0] if len(told) == 1 else f"{', '.join(told[:-1])} and {told[-1]}"
