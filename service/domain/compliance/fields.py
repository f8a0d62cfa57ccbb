"""Reading a rule's data file strictly: every key known, every value of its type and in its range."""

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import Final, TypeVar

from service.domain.errors import FieldError, Invalid

T = TypeVar("T")
WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Fields:
    """One table of a rule file, handed out key by key.

    Parameters
    ----------
    file
        Name of the file, for the refusal.
    table
        As read from TOML, numbers with a point as :class:`~decimal.Decimal`.
    path
        RFC 6901 pointer of the table in the file.

    Notes
    -----
    A value that does not fit raises ``Invalid`` at once; keys nobody asked for are refused by :meth:`finish`.
    """

    def __init__(self, file: str, table: object, path: str = "") -> None:
        self._file, self._path = file, path
        if not isinstance(table, dict):
            raise self.refusal("", f"{table!r} is not a table; write it as [{path.strip('/') or 'table'}]")
        self._left: dict[str, object] = dict(table)

    def refusal(self, key: str, reason: str) -> Invalid:
        """Return a refusal that names file, key and reason."""
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
        if not isinstance(value, str) or not value.strip():
            raise self.refusal(key, f"{value!r} is not a text; write words in quotes")
        return value

    def choice(self, key: str, allowed: tuple[str, ...]) -> str:
        """Return one of a few words."""
        value = self._take(key)
        if value not in allowed or not isinstance(value, str):
            raise self.refusal(key, f"{value!r} is unknown; use one of {', '.join(allowed)}")
        return value

    def flag(self, key: str, *, default: bool) -> bool:
        """Return true or false."""
        value = self._left.pop(key, default)
        if not isinstance(value, bool):
            raise self.refusal(key, f"{value!r} is neither true nor false")
        return value

    def number(self, key: str, *, low: int = 0, high: int = 100_000, default: int | None = None) -> Fraction:
        """Return a number between two limits, exactly as written."""
        value = self._left.pop(key, default) if default is not None else self._take(key)
        if isinstance(value, bool) or not isinstance(value, (int, Decimal)) or not Decimal(value).is_finite():
            raise self.refusal(key, f"{value!r} is not a number")
        if not low <= value <= high:
            raise self.refusal(key, f"{value} is out of range; give {low} to {high}")
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
            raise self.refusal(key, f"{value!r} is not a list of texts; write it as ['…', '…']")
        return tuple(value)

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
            raise self.refusal(key, f"{value!r} is not a list of tables; write them as [[{key}]]")
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
            raise self.refusal(
                unknown[0], f"{', '.join(unknown)} is not known here; correct the name or delete it"
            )
