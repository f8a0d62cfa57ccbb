"""The parts of one reading from the texts and numbers its sender wrote, or why they cannot be used."""

import re
from typing import Final

from service.domain.quantities import QUANTITY_OF_LABEL, UNIT_OF_UCUM, Quantity, Unit
from service.domain.readings import Refusal
from service.http.formats.items import REMEDIES
from service.http.formats.read import SERIAL, show


class Unusable(Exception):
    """One reading cannot be used; ``refusal`` says why."""

    def __init__(self, member: str, code: str, detail: str) -> None:
        self.refusal = Refusal(member, code, detail)
        super().__init__(detail)


def _misfit(member: str, got: object) -> Unusable:
    return Unusable(member, f"bad-{member}", f"{REMEDIES[member]}; got {show(got)}")


def probe_of(given: object) -> str:
    """Return a probe's serial."""
    if isinstance(given, str) and SERIAL.fullmatch(given):
        return given
    raise _misfit("probe", given)


def quantity_of(given: object) -> Quantity:
    """Return a quantity from its label."""
    found = QUANTITY_OF_LABEL.get(given) if isinstance(given, str) else None
    if found is None:
        raise _misfit("quantity", given)
    return found


def unit_of(given: object) -> Unit:
    """Return a unit from its UCUM code."""
    found = UNIT_OF_UCUM.get(given) if isinstance(given, str) else None
    if found is None:
        raise _misfit("unit", given)
    return found


_POINT: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_COMMA: Final = re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_GROUPED: Final = re.compile(
    r"[+-]?\d{1,3}(?:(?:,\d{3})+(?:\.\d*)?|(?:\.\d{3})+(?:,\d*)?|(?:[ '\u2019\u00a0\u202f]\d{3})+(?:[.,]\d*)?)",
    re.ASCII,
)
_NOT_FINITE: Final = re.compile(r"[+-]?(nan|inf(inity)?)", re.ASCII | re.IGNORECASE)
_WITH_UNIT: Final = re.compile(r"[+-]?[0-9.,]+\s*[%\u00b0]?\s*[A-Za-z]*")


_NO_NUMBER: Final = "is not a number; write digits, such as 61.4"
_LONGEST: Final = 100
"""Characters of a number worth looking at: some looks take the square of the length."""


def number_of(text: str, *, decimal_comma: bool) -> float:
    """Return a decimal number from its text.

    Raises
    ------
    Unusable
        Not a number; says what it looks like and what to do. Nothing is guessed: ``1,234`` is a thousand to one
        sender and little more than one to another.
    """
    if len(text) <= _LONGEST and (_COMMA if decimal_comma else _POINT).fullmatch(text):
        return float(text.replace(",", "."))
    if _NOT_FINITE.fullmatch(text):
        detail = f"{show(text)} is not a number; name such texts under missing if they mean no reading"
        raise Unusable("value", "not-a-number", detail)
    remedy = _NO_NUMBER if len(text) > _LONGEST else _number_remedy(text, decimal_comma=decimal_comma)
    raise Unusable("value", "bad-value", f"{show(text)} {remedy}")


def _number_remedy(text: str, *, decimal_comma: bool) -> str:
    if text[:1] in {"=", "@"} or (text[:1] in {"+", "-"} and re.search(r"[A-Za-z(]", text)):
        return "is a formula, not a number; export the values instead"
    if not decimal_comma and _COMMA.fullmatch(text):
        return "has a decimal comma; write a point, or set decimal_comma (thousands are not to be marked off)"
    if decimal_comma and _POINT.fullmatch(text):
        return "has a point where the layout sets decimal_comma; write a comma, or set decimal_comma to false"
    if _GROUPED.fullmatch(text):
        return "has thousands marked off; write the digits in one run"
    if _WITH_UNIT.fullmatch(text):
        return (
            "carries a unit; leave the number alone in its cell and name the unit in the layout or a column"
        )
    return _NO_NUMBER
