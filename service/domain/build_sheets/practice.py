"""Figures of good practice and the handling of materials, each with its source, as shipped beside this module."""

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from service.domain.published import Status, load_figures

_FOLDER: Final = Path(__file__).parent
PRACTICE: Final = load_figures((_FOLDER / "practice.toml").read_text(encoding="utf-8"), "practice.toml")
"""By name, with its unit."""


@dataclass(frozen=True, slots=True)
class Handling:
    """How a kind of material is prepared.

    Attributes
    ----------
    name
        Of the kind.
    categories, words
        What belongs to it: the library's categories, and words of a material's name.
    coarse
        0 to 3: how well it lets air in from below.
    hint
        What to do, in short sentences; empty when the size says it all.
    source, status
        Of the size, or of the hint where there is none.
    low_mm, high_mm
        Length of the pieces [mm]; ``None`` when nothing is chopped.
    """

    name: str
    categories: frozenset[str]
    words: re.Pattern[str]
    coarse: int
    hint: str
    source: str
    status: Status
    low_mm: float | None = None
    high_mm: float | None = None


def _handlings() -> tuple[Handling, ...]:
    rows = tomllib.loads((_FOLDER / "handling.toml").read_text(encoding="utf-8"))["kind"]
    return tuple(
        Handling(
            **row
            | {
                "categories": frozenset(row["categories"]),
                "words": re.compile(rf"(?:^|\b)(?:{row['words']})(?:\b|$)"),
                "status": Status(row["status"]),
            }
        )
        for row in rows
    )


HANDLING: Final = _handlings()
"""In the order in which they are tried; the last fits everything."""


def handling_of(name: str, category: str | None) -> Handling:
    """Return how a material is handled, by its category or else by the words of its name."""
    words = name.lower()
    return next(kind for kind in HANDLING if category in kind.categories or kind.words.search(words))
