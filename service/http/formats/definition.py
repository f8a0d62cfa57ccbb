"""A stored definition (a layout, a profile) read member by member; every fault is kept with its pointer."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from service.domain.errors import FieldError, Invalid
from service.domain.quantities import QUANTITY_OF_LABEL, UNIT_OF_UCUM, UNITS_OF
from service.http.formats.items import REMEDIES
from service.http.formats.read import SERIAL, show

LONGEST_NAME: Final = 200


class Definition:
    """One JSON object of a definition. A null member counts as absent.

    Parameters
    ----------
    document
        What should be an object.
    pointer
        Where it stands in the whole definition.
    errors
        Where faults are gathered; shared with the objects inside it.
    """

    def __init__(self, document: object, pointer: str = "", errors: list[FieldError] | None = None) -> None:
        self._pointer = pointer
        self._errors: list[FieldError] = [] if errors is None else errors
        self._left: dict[str, Any] = {}
        self._is_object = isinstance(document, Mapping)
        if isinstance(document, Mapping):
            self._left = {name: value for name, value in document.items() if value is not None}
        else:
            self._errors.append(FieldError(pointer, f"must be an object; got {show(document)}"))

    def has(self, name: str) -> bool:
        """Return whether a member that was not read yet is there."""
        return name in self._left

    def fail(self, name: str, detail: str) -> None:
        """Keep a fault of a member; of the object itself if ``name`` is empty; none of what is no object at all."""
        if self._is_object:
            self._errors.append(FieldError(self._at(name), detail))

    def _at(self, name: str) -> str:
        return f"{self._pointer}/{name.replace('~', '~0').replace('/', '~1')}" if name else self._pointer

    def text(self, name: str, default: str | None = None, *, most: int = LONGEST_NAME) -> str | None:
        """Return a text of 1 to ``most`` characters."""
        if name not in self._left:
            return default
        value = self._left.pop(name)
        if isinstance(value, str) and 0 < len(value) <= most:
            return value
        self.fail(name, f"must be a text of 1 to {most:,} characters; got {show(value)}")
        return default

    def one_of(self, name: str, known: Sequence[str], default: str) -> str:
        """Return one of the known texts."""
        value = self._left.pop(name, default)
        if value in known:
            return str(value)
        self.fail(name, f"must be one of {', '.join(ascii(one) for one in known)}; got {show(value)}")
        return default

    def flag(self, name: str, *, default: bool) -> bool:
        """Return true or false."""
        value = self._left.pop(name, default)
        if isinstance(value, bool):
            return value
        self.fail(name, f"must be true or false; got {show(value)}")
        return default

    def count(self, name: str, *, most: int) -> int:
        """Return a whole number from 0, which is also the default."""
        value = self._left.pop(name, 0)
        if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= most:
            return value
        self.fail(name, f"must be a whole number from 0 to {most}; got {show(value)}")
        return 0

    def any_of(self, name: str) -> Any:  # noqa: ANN401 - JSON
        """Return a member as it is, for the caller to judge; None if absent."""
        return self._left.pop(name, None)

    def inner(self, name: str) -> "Definition | None":
        """Return the object inside, if there is one."""
        if name not in self._left:
            return None
        return Definition(self._left.pop(name), self._at(name), self._errors)

    def each(self, name: str, *, most: int) -> list["Definition"]:
        """Return the objects of a list of 1 to ``most``; none if it is absent."""
        if name not in self._left:
            return []
        value = self._left.pop(name)
        if isinstance(value, list) and 0 < len(value) <= most:
            at = self._at(name)
            return [Definition(one, f"{at}/{place}", self._errors) for place, one in enumerate(value)]
        self.fail(name, f"must be a list of 1 to {most} objects")
        return []

    def close(self) -> None:
        """Keep a fault for every member nobody asked for."""
        for name in self._left:
            self.fail(str(name), f"{show(name)} is not a known member here; leave it out")
        self._left = {}

    def must_hold(self) -> None:
        """Raise ``Invalid`` with all faults found, if there are any."""
        if self._errors:
            raise Invalid(*self._errors)


def is_usable(member: str, text: str) -> bool:
    """Return whether a text fits a reading's ``probe``, ``quantity`` or ``unit``."""
    if member == "probe":
        return SERIAL.fullmatch(text) is not None
    return text in (QUANTITY_OF_LABEL if member == "quantity" else UNIT_OF_UCUM)


def constant_of(definition: Definition, member: str) -> str | None:
    """Return the text under ``constant``, which must fit the reading's member it is meant for."""
    text = definition.text("constant")
    if text is not None and not is_usable(member, text):
        definition.fail("constant", f"{REMEDIES[member]}; got {show(text)}")
    return text


def names_of(definition: Definition, member: str) -> dict[str, str]:
    """Return the translations under ``names``: a sender's words to ours."""
    inner = definition.any_of("names")
    if inner is None:
        return {}
    if not isinstance(inner, Mapping) or len(inner) > LONGEST_NAME:
        definition.fail("names", 'must be an object of texts, such as {"temp": "temperature"}')
        return {}
    for theirs, ours in inner.items():
        if not (isinstance(ours, str) and is_usable(member, ours)):
            definition.fail("names", f"{show(theirs)}: {REMEDIES[member]}; got {show(ours)}")
    return {str(theirs): str(ours) for theirs, ours in inner.items()}


def must_fit(definition: Definition, quantity: str | None, unit: str | None) -> None:
    """Keep a fault if a fixed quantity is never told in the fixed unit."""
    if quantity not in QUANTITY_OF_LABEL or unit not in UNIT_OF_UCUM:
        return
    units = UNITS_OF[QUANTITY_OF_LABEL[quantity]]
    if UNIT_OF_UCUM[unit] not in units:
        known = ", ".join(sorted(one.ucum for one in units))
        definition.fail("unit", f"{quantity} is not told in {unit}; use {known}")
