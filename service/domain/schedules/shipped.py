"""The patterns that come with the service, each with its source."""

import importlib.resources
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final, Literal, get_args

from service.domain.errors import FieldError, Invalid
from service.domain.schedules.pattern import Pattern

Status = Literal["published", "common practice, no source"]

_WORDS: Final = ("code", "title", "source", "status", "note")
_FIGURES: Final = (
    "rest_days",
    "last_turn_day",
    "turn_every_days",
    "check_every_days",
    "min_spacing_days",
    "curing_days",
)
_SWITCHES: Final = ("move_on_turning", "screen")
_KNOWN: Final = frozenset({*_WORDS, *_FIGURES, *_SWITCHES, "turn_on"})
_NEEDED: Final = (*_WORDS, "rest_days", "last_turn_day")


@dataclass(frozen=True)
class ShippedPattern:
    """A pattern with its name and where it comes from.

    Attributes
    ----------
    code, title
        For programs and for people.
    source, status
        What it was taken from (``none`` for common practice), and whether that is published.
    note
        What the source leaves open, or a limit of the method.
    pattern
        The turns.
    """

    code: str
    title: str
    source: str
    status: Status
    note: str
    pattern: Pattern


@cache
def shipped_patterns() -> Mapping[str, ShippedPattern]:
    """Return the shipped patterns by code, in the order of the file."""
    text = importlib.resources.files(__package__).joinpath("patterns.toml").read_text("utf-8")
    return {shipped.code: shipped for shipped in load_patterns(text)}


def load_patterns(text: str) -> tuple[ShippedPattern, ...]:
    """Read patterns from TOML: one ``[[pattern]]`` table each, nothing missing and nothing unknown.

    Raises
    ------
    Invalid
        With a pointer such as ``/pattern/3/rest_days`` for each value that does not fit.
    """
    try:
        document: dict[str, object] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise Invalid.field("", f"this is not TOML: {error}") from error
    tables = document.pop("pattern", None)
    faults = [
        FieldError(f"/{name}", "is unknown here; only [[pattern]] tables are read") for name in document
    ]
    if not isinstance(tables, list) or not tables:
        raise Invalid(*faults, FieldError("/pattern", "holds no pattern; write [[pattern]] tables"))
    for index, table in enumerate(tables):
        faults += _table_errors(table, f"/pattern/{index}")
    if faults:
        raise Invalid(*faults)
    found = tuple(_shipped(table) for table in tables)
    for index, shipped in enumerate(found):
        faults += shipped.pattern.errors(f"/pattern/{index}")
        if shipped.code in {other.code for other in found[:index]}:
            faults.append(
                FieldError(f"/pattern/{index}/code", f"{shipped.code!r} stands twice; codes are unique")
            )
    if faults:
        raise Invalid(*faults)
    return found


def _table_errors(table: object, at: str) -> list[FieldError]:
    """Return what is missing, unknown or of the wrong type in one table."""
    if not isinstance(table, dict):
        return [FieldError(at, "is not a table; write [[pattern]]")]
    found = [FieldError(f"{at}/{name}", "is unknown; leave it out") for name in table if name not in _KNOWN]
    found += [FieldError(f"{at}/{name}", "is missing; give it") for name in _NEEDED if name not in table]
    for name, value in table.items():
        if name in _WORDS and (not isinstance(value, str) or not value.strip()):
            found.append(FieldError(f"{at}/{name}", f"{value!r} is no text; write a sentence"))
        if name in _FIGURES and type(value) is not int:  # a TOML true would pass for 1
            found.append(FieldError(f"{at}/{name}", f"{value!r} is no whole number of days"))
        if name in _SWITCHES and not isinstance(value, bool):
            found.append(FieldError(f"{at}/{name}", f"{value!r} is neither true nor false"))
        if name == "turn_on" and not (isinstance(value, list) and all(isinstance(day, str) for day in value)):
            found.append(FieldError(f"{at}/{name}", f"{value!r} is no list of weekdays"))
    status = table.get("status")
    if isinstance(status, str) and status not in get_args(Status):
        found.append(
            FieldError(f"{at}/status", f"{status!r} is unknown; use one of {', '.join(get_args(Status))}")
        )
    if status == "published" and table.get("source") == "none":
        found.append(FieldError(f"{at}/source", "a published pattern names its source"))
    return found


def _shipped(table: dict[str, object]) -> ShippedPattern:
    """Return a checked table as a pattern."""
    words = {name: table[name] for name in _WORDS}
    turns = {name: value for name, value in table.items() if name not in _WORDS}
    if "turn_on" in turns:
        turns["turn_on"] = tuple(turns["turn_on"])  # type: ignore[arg-type]  # checked: a list of words
    return ShippedPattern(**words, pattern=Pattern(**turns))  # type: ignore[arg-type]  # checked above
