"""The patterns that come with the service, each with its source."""

import importlib.resources
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, get_args

from service.domain.errors import FieldError, Invalid
from service.domain.schedules.pattern import Pattern
from service.domain.schedules.pattern_document import read_pattern
from service.domain.schedules.reminders import Measure, ReminderKind, Standing, WithTask

Status = Standing

_WORDS: Final = ("code", "title", "source", "status", "note")
_CURING_WORDS: Final = ("curing_source", "curing_status")
_FIGURES: Final = (
    "rest_days",
    "last_turn_day",
    "turn_every_days",
    "check_every_days",
    "min_spacing_days",
    "curing_days",
    "done_on_day",
)
_SWITCHES: Final = ("move_on_turning", "screen")
_KNOWN: Final = frozenset({*_WORDS, *_CURING_WORDS, *_FIGURES, *_SWITCHES, "turn_on", "reminders"})
_REMINDER_WORDS: Final = ("kind", "say", "with_task", "when", "measure", "source", "status")
_REMINDER_LIMITS: Final = ("below", "above")
_REMINDER_KNOWN: Final = frozenset({*_REMINDER_WORDS, *_REMINDER_LIMITS, "on_days"})
_CHOICES: Final = {
    "kind": get_args(ReminderKind),
    "with_task": get_args(WithTask),
    "measure": get_args(Measure),
    "status": get_args(Status),
}
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
    curing_source, curing_status
        The same for the length of the curing; None where the pattern gives none.
    """

    code: str
    title: str
    source: str
    status: Status
    note: str
    pattern: Pattern
    curing_source: str | None = None
    curing_status: Status | None = None


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
        if name in (*_WORDS, *_CURING_WORDS) and not _is_text(value):
            found.append(FieldError(f"{at}/{name}", f"{value!r} is no text; write a sentence"))
        if name in _FIGURES and type(value) is not int:  # a TOML true would pass for 1
            found.append(FieldError(f"{at}/{name}", f"{value!r} is no whole number of days"))
        if name in _SWITCHES and not isinstance(value, bool):
            found.append(FieldError(f"{at}/{name}", f"{value!r} is neither true nor false"))
        if name == "turn_on" and not (isinstance(value, list) and all(isinstance(day, str) for day in value)):
            found.append(FieldError(f"{at}/{name}", f"{value!r} is no list of weekdays"))
    found += _source_errors(table, "source", "status", at)
    if "curing_days" in table:
        found += [
            FieldError(f"{at}/{name}", "is missing; give it") for name in _CURING_WORDS if name not in table
        ]
    found += _source_errors(table, *_CURING_WORDS, at)
    reminders = table.get("reminders", [])
    if not isinstance(reminders, list):
        return [*found, FieldError(f"{at}/reminders", "is no list; write [[pattern.reminders]]")]
    for index, reminder in enumerate(reminders):
        found += _reminder_errors(reminder, f"{at}/reminders/{index}")
    return found


def _is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _source_errors(table: dict[str, object], source: str, status: str, at: str) -> list[FieldError]:
    """Return an unknown status, and a claim to be published that names nothing."""
    found, value = [], table.get(status)
    if isinstance(value, str) and value not in get_args(Status):
        found.append(
            FieldError(f"{at}/{status}", f"{value!r} is unknown; use one of {', '.join(get_args(Status))}")
        )
    if value == "published" and table.get(source) == "none":
        found.append(FieldError(f"{at}/{source}", "a published pattern names its source"))
    return found


def _reminder_errors(table: object, at: str) -> list[FieldError]:
    """Return what is missing, unknown or of the wrong type in one reminder; what it says is checked by itself."""
    if not isinstance(table, dict):
        return [FieldError(at, "is not a table; write [[pattern.reminders]]")]
    found = [
        FieldError(f"{at}/{name}", "is unknown; leave it out")
        for name in table
        if name not in _REMINDER_KNOWN
    ]
    needed = ("kind", "say", "source", "status")
    found += [FieldError(f"{at}/{name}", "is missing; give it") for name in needed if name not in table]
    for name, value in table.items():
        if name in _REMINDER_WORDS and not _is_text(value):
            found.append(FieldError(f"{at}/{name}", f"{value!r} is no text; write a sentence"))
        elif name in _CHOICES and value not in _CHOICES[name]:
            found.append(
                FieldError(f"{at}/{name}", f"{value!r} is unknown; use one of {', '.join(_CHOICES[name])}")
            )
        if name in _REMINDER_LIMITS and type(value) not in {int, float}:  # a TOML true would pass for 1
            found.append(FieldError(f"{at}/{name}", f"{value!r} is no number"))
        if name == "on_days" and not (isinstance(value, list) and all(type(day) is int for day in value)):
            found.append(FieldError(f"{at}/{name}", f"{value!r} is no list of days"))
    return found


def _shipped(table: dict[str, Any]) -> ShippedPattern:
    """Return a checked table as a pattern."""
    words = {name: table[name] for name in (*_WORDS, *_CURING_WORDS) if name in table}
    turns = {name: value for name, value in table.items() if name not in words}
    return ShippedPattern(**words, pattern=read_pattern(turns))
