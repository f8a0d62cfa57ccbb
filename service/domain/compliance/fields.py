"""Reading a rule's data strictly: every key known, every value of its type and in its range."""

import reprlib
from collections.abc import Callable, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Final, TypeVar

from service.domain.errors import FieldError, Invalid

T = TypeVar("T")
LONGEST_TEXT: Final = 2000
LONGEST_SHOWN: Final = 80
MOST_PARTS: Final = 40
WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Fields:
    """One table of a rule, handed out key by key.

    Parameters
    ----------
    file
        Name of the file or document, for the refusal.
    table
        As read from TOML or JSON, numbers with a point as :class:`~decimal.Decimal` or float.
    path
        RFC 6901 pointer of the table in the file.

    Notes
    -----
    A value that does not fit raises ``Invalid`` at once; keys nobody asked for are refused by :meth:`finish`.
    """

    def __init__(self, file: str, table: object, path: str = "") -> None:
        self._file, self._path = file, path
        if not isinstance(table, Mapping) or not all(isinstance(key, str) for key in table):
            written = path.strip("/") or "table"
            raise self.refusal(
                "", f"{_shown(table)} is not a table; write it as [{written}], in JSON as an object"
            )
        # In JSON null stands for what is not there; TOML has none.
        self._left: dict[str, object] = {key: value for key, value in table.items() if value is not None}

    def refusal(self, key: str, reason: str) -> Invalid:
        """Return a refusal that names file, key and reason; slashes in ``key`` lead into tables inside this one."""
        pointer = f"{self._path}/{key}" if key else self._path
        return Invalid(FieldError(pointer, f"{self._file}: {reason}"))

    def has(self, key: str) -> bool:
        """Tell whether a key is there and has not been read yet."""
        return key in self._left

    def _take(self, key: str) -> object:
        if key not in self._left:
            raise self.refusal(key, f"{key} is missing; add it")
        return self._left.pop(key)

    def text(self, key: str) -> str:
        """Return a text that is not blank."""
        value = self._take(key)
        if not isinstance(value, str) or not value.strip() or "\0" in value:
            raise self.refusal(key, f"{_shown(value)} is not a text; write words in quotes")
        if len(value) > LONGEST_TEXT:
            raise self.refusal(key, f"a text of {len(value)} characters; at most {LONGEST_TEXT} are kept")
        return value

    def choice(self, key: str, allowed: tuple[str, ...]) -> str:
        """Return one of a few words."""
        value = self._take(key)
        if not isinstance(value, str) or value not in allowed:
            raise self.refusal(key, f"{_shown(value)} is unknown; use one of {', '.join(allowed)}")
        return value

    def flag(self, key: str, *, default: bool) -> bool:
        """Return true or false."""
        value = self._left.pop(key, default)
        if not isinstance(value, bool):
            raise self.refusal(key, f"{_shown(value)} is neither true nor false")
        return value

    def number(self, key: str, *, low: int = 0, high: int = 100_000, default: int | None = None) -> Fraction:
        """Return a number between two limits, exactly as written."""
        value = self._left.pop(key, default) if default is not None else self._take(key)
        if isinstance(value, float):
            value = Decimal(repr(value))  # the number as it was written
        if isinstance(value, bool) or not isinstance(value, (int, Decimal)) or not Decimal(value).is_finite():
            raise self.refusal(key, f"{_shown(value)} is not a number; write digits without quotes")
        if not low <= value <= high:
            raise self.refusal(key, f"{_shown(value)} is out of range; give {low} to {high}")
        return Fraction(value)

    def whole(self, key: str, *, low: int, high: int = 1000) -> int:
        """Return a whole number between two limits."""
        value = self.number(key, low=low, high=high)
        if value.denominator != 1:
            raise self.refusal(key, f"{float(value):g} is not a whole number")
        return int(value)

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of texts, at least one."""
        value = self._take(key)
        if not isinstance(value, list) or not value or not all(isinstance(one, str) and one for one in value):
            raise self.refusal(key, f"{_shown(value)} is not a list of texts; write it as ['…', '…']")
        if len(value) > MOST_PARTS or any(len(one) > LONGEST_TEXT for one in value):
            raise self.refusal(key, f"at most {MOST_PARTS} texts of {LONGEST_TEXT} characters are kept")
        return tuple(value)

    def numbers(self, key: str) -> tuple[Fraction, ...]:
        """Return a list of numbers, at least one, each only once."""
        value = self._take(key)
        if not isinstance(value, list) or not 0 < len(value) <= MOST_PARTS:
            raise self.refusal(key, f"{_shown(value)} is not a list of 1 to {MOST_PARTS} numbers")
        part = Fields(self._file, {str(place): one for place, one in enumerate(value)}, f"{self._path}/{key}")
        found = tuple(part.number(str(place)) for place in range(len(value)))
        if len(set(found)) != len(found):
            raise self.refusal(key, "a number comes twice; keep one")
        return found

    def weekdays(self, key: str) -> frozenset[int]:
        """Return days of the week, Monday 0."""
        names = self.texts(key)
        for name in names:
            if name not in WEEKDAYS:
                raise self.refusal(key, f"{name!r} is not a day; use {', '.join(WEEKDAYS)}")
        return frozenset(WEEKDAYS.index(name) for name in names)

    def table(self, key: str) -> "Fields":
        """Return a table inside this one."""
        return Fields(self._file, self._take(key), f"{self._path}/{key}")

    def each(self, key: str, read: Callable[["Fields"], T]) -> tuple[T, ...]:
        """Read every table of a list of tables; none if the key is absent."""
        value = self._left.pop(key, [])
        if not isinstance(value, list):
            raise self.refusal(
                key,
                f"{_shown(value)} is not a list of tables; write them as [[{key}]], in JSON as a list of objects",
            )
        if len(value) > MOST_PARTS:
            raise self.refusal(key, f"{len(value)} tables; at most {MOST_PARTS} are read")
        found = []
        for index, table in enumerate(value):
            part = Fields(self._file, table, f"{self._path}/{key}/{index}")
            found.append(read(part))
            part.finish()
        return tuple(found)

    def one(self, key: str, read: Callable[["Fields"], T]) -> T | None:
        """Read one table; None if the key is absent."""
        if key not in self._left:
            return None
        part = self.table(key)
        found = read(part)
        part.finish()
        return found

    def finish(self) -> None:
        """Refuse keys that nobody read: a misspelt one must not be ignored."""
        if self._left:
            unknown = sorted(self._left)
            # RFC 6901: what names a level in a pointer must not look like one inside it.
            first = unknown[0].replace("~", "~0").replace("/", "~1")
            named = ", ".join(_shown(one).strip("'") for one in unknown[:5])
            raise self.refusal(first, f"{named} is not known here; correct the name or delete it")


def _shown(value: object) -> str:
    """Return a value for a refusal, cut short."""
    return reprlib.repr(value) if not isinstance(value, str | Decimal | int) else _cut(repr(value), value)


def _cut(written: str, value: object) -> str:
    text = str(value) if isinstance(value, Decimal) else written
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}…"
