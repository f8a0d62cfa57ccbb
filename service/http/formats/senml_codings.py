"""SenML packs out of their bytes: JSON (RFC 8428 section 5) and CBOR (section 6) read into the same records.

Every number is a ``Decimal``, every label a text. What the RFCs leave open is decided so:

- A label twice in a JSON record: RFC 8259 section 4 leaves its meaning open, so the record is kept apart as
  ``Doubled`` where the label has a meaning. A CBOR map with a key twice is not valid (RFC 8949 section 5.6), so that
  body is unreadable; so is one with an indefinite length (RFC 8428 section 6 asks for definite ones), with anything
  after the array, or nested deeper than eight.
- Labels in CBOR may be the integers of RFC 8428 table 4 or their texts; other keys are left out.
- A CBOR double stands for the shortest decimal that reads back as it, so that a pack has the same values and
  instants in both codings.
"""

import io
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any, Final, NoReturn

import cbor2

from service.http.formats.read import Unreadable
from service.http.formats.senml_resolve import EXACT, LABELS, NUMERIC, Doubled

_DEEPEST: Final = 8
_LONGEST_NUMBER: Final = 3000
"""Bits of an integer in CBOR; turning a longer one into a decimal takes time with the square of it."""
_NOT_A_NUMBER: Final = Decimal("NaN")


def pack_from_json(body: bytes) -> object:
    """Return what a body holds, numbers as they are written.

    Raises
    ------
    Unreadable
        It is not JSON in UTF-8, or nested too deeply.
    """
    try:
        return json.loads(
            body.decode("utf-8-sig"),
            object_pairs_hook=_record,
            parse_int=_number,
            parse_float=_number,
            parse_constant=_no_constant,
        )
    except UnicodeDecodeError as error:
        raise Unreadable(f"not UTF-8: {error.reason} at byte {error.start}") from error
    except json.JSONDecodeError as error:
        raise Unreadable(f"not JSON: {error}") from error
    except (RecursionError, MemoryError) as error:
        raise Unreadable("nested too deeply; send a flat array of records") from error


def _record(pairs: list[tuple[str, object]]) -> Mapping[str, object] | Doubled:
    fields = dict(pairs)
    if len(fields) == len(pairs):
        return fields
    counted = Counter(label for label, _ in pairs)
    twice = frozenset(label for label in LABELS if counted[label] > 1)
    return Doubled(fields, twice) if twice else fields


def _number(text: str) -> Decimal:
    try:
        return Decimal(text)
    except InvalidOperation:  # an exponent of more than eighteen digits
        return _NOT_A_NUMBER


def _no_constant(text: str) -> NoReturn:
    raise Unreadable(f"not JSON: {text} is no JSON number")


@dataclass(frozen=True)
class _Bignum:
    """Kept as bytes: integers of any length as map keys would be an open door for colliding hashes."""

    data: bytes
    sign: int

    def number(self) -> int | None:
        if len(self.data) * 8 > _LONGEST_NUMBER:
            return None
        magnitude = int.from_bytes(self.data)
        return magnitude if self.sign > 0 else ~magnitude


_LABELS: Final = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
"""RFC 8428 table 4."""


def pack_from_cbor(body: bytes) -> object:
    """Return what a body holds, with the labels and numbers of JSON.

    Raises
    ------
    Unreadable
        It is not CBOR of definite lengths, a map has a key twice, it is nested too deeply, or more follows it.
    """
    stream = io.BytesIO(body)
    decoder = cbor2.CBORDecoder(
        stream,
        max_depth=_DEEPEST,
        allow_indefinite=False,
        allow_duplicate_keys=False,
        semantic_decoders=_TAGS,
    )
    try:
        pack = decoder.decode()
    except (cbor2.CBORDecodeError, RecursionError, MemoryError) as error:
        raise Unreadable(f"not CBOR as RFC 8428 section 6 has it: {ascii(str(error))[:200]}") from error
    if stream.tell() != len(body):
        raise Unreadable(f"the array ends after {stream.tell()} of {len(body)} bytes; send one array alone")
    if isinstance(pack, list | tuple):
        return [_labelled(record) for record in pack]
    return pack


def _labelled(record: object) -> object:
    """Return a CBOR record with the labels and numbers of JSON."""
    if not isinstance(record, Mapping):
        return record
    fields: dict[str, object] = {}
    twice: set[str] = set()
    for key, value in record.items():
        # By type: True and 1.0 equal the integer 1.
        label = _LABELS.get(key) if type(key) is int else key if type(key) is str else None
        if label is None:
            continue
        if label in fields:
            twice.add(label)
        fields[label] = _plain(value) if label in NUMERIC else value
    return Doubled(fields, frozenset(twice)) if twice else fields


def _plain(value: object) -> object:
    if type(value) is float:
        return Decimal(repr(value))
    if type(value) is int or isinstance(value, _Bignum):
        whole = _whole(value)
        return _NOT_A_NUMBER if whole is None else Decimal(whole)
    return value


def _whole(value: object) -> int | None:
    if isinstance(value, _Bignum):
        return value.number()
    return value if type(value) is int else None


def _fraction(base: int) -> Any:  # noqa: ANN401 - cbor2's callbacks are untyped
    """Return what reads tag 4 (base 10) or 5 (base 2): an exponent and a whole number (RFC 8949 section 3.4.4)."""

    def decode(pair: object, immutable: object) -> Decimal:  # noqa: ARG001 - cbor2's signature
        parts = [_whole(part) for part in pair] if isinstance(pair, list | tuple) else []
        match parts:
            case [int(exponent), int(number)] if base == 10:  # noqa: PLR2004
                return EXACT.scaleb(Decimal(number), exponent)
            case [int(exponent), int(number)] if 0 <= exponent <= _LONGEST_NUMBER:
                return Decimal(number << exponent)
            case [int(exponent), int(number)] if -_LONGEST_NUMBER <= exponent < 0:
                return EXACT.divide(Decimal(number), Decimal(1 << -exponent))
        return _NOT_A_NUMBER

    return decode


def _bignum(sign: int) -> Any:  # noqa: ANN401 - cbor2's callbacks are untyped
    def decode(data: object, immutable: object) -> object:  # noqa: ARG001 - cbor2's signature
        return _Bignum(data, sign) if isinstance(data, bytes) else None

    return decode


def _inert(value: object, immutable: object) -> object:  # noqa: ARG001 - cbor2's signature
    """Return what stands under a tag that has no meaning here, unread: only in fields that are ignored."""
    return ("tagged", value)


_MEANINGLESS: Final = (
    0, 1, 25, 28, 29, 30, 35, 36, 37, 52, 54, 100, 256, 258, 260, 261, 1004, 43000,
)  # fmt: skip
"""Tags the decoder would make objects of: dates, patterns, addresses, sets, shared and cyclic values."""
_TAGS: Final = dict.fromkeys(_MEANINGLESS, _inert) | {
    2: _bignum(1), 3: _bignum(-1), 4: _fraction(10), 5: _fraction(2),
}  # fmt: skip
