"""SenML records resolved: base fields applied, times and values added exactly (RFC 8428 section 4).

A pack here is the array as it was read, with text labels (as in JSON) and every number a ``Decimal``.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import MAX_EMAX, MIN_EMIN, Context, Decimal
from typing import Any, Final

from service.domain.errors import Invalid
from service.domain.readings import Refusal
from service.http.formats.read import show

EXACT: Final = Context(prec=1100, Emax=MAX_EMAX, Emin=MIN_EMIN, traps=[])
"""Room for the sum of any two doubles; numbers longer still are rounded, and never raise."""

BASE: Final = frozenset({"bn", "bt", "bu", "bv", "bs", "bver"})
REGULAR: Final = frozenset({"n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"})
NUMERIC: Final = frozenset({"bt", "bv", "bs", "bver", "v", "s", "t", "ut"})
LABELS: Final = BASE | REGULAR
FIRST_ABSOLUTE_S: Final = 1 << 28
"""Times below it are relative to now (section 4.5.3)."""
_VALUES: Final = ("v", "vs", "vb", "vd")

VERSION: Final = Decimal(10)
UNDERSTOOD: Final = frozenset({Decimal(5), VERSION, Decimal(26)})
"""RFC 8428 is version 10, and prints examples of version 5; 26 adds the secondary units (RFC 9100 section 4)."""

_ZERO: Final = Decimal(0)
_REMEDIES: Final = {
    "bn": (str, "must be a text"),
    "bu": (str, "must be a text, such as Cel"),
    "bt": (Decimal, "must be a finite number of seconds"),
    "bv": (Decimal, "must be a finite number"),
    "bver": (Decimal, "must be a whole number"),
    "n": (str, "must be a text, such as PR-0042/temperature"),
    "u": (str, "must be a text, such as Cel"),
    "v": (Decimal, "must be a finite number"),
    "t": (Decimal, "must be a finite number of seconds"),
    "ut": (Decimal, "must be a finite number of seconds"),
}
_CODES: Final = {
    "n": "bad-name",
    "u": "bad-unit",
    "v": "bad-value",
    "t": "bad-time",
    "ut": "bad-update-time",
}
_OTHER_VALUES: Final = {
    "vs": ("text-value", "a text is not a reading; send a number as v"),
    "vb": ("boolean-value", "true or false is not a reading; send a number as v"),
    "vd": ("data-value", "data is not a reading; send a number as v"),
}


@dataclass(frozen=True)
class Doubled:
    """A record in which some labels stand more than once; the last of each is in ``fields``."""

    fields: Mapping[str, object]
    labels: frozenset[str]


@dataclass(frozen=True)
class Resolved:
    """One measurement with the base fields applied.

    Attributes
    ----------
    name
        Base name and name together; not yet looked at.
    unit
        SenML symbol; None where neither the record nor the pack gives one.
    time_s
        Base time and time together; below 2**28 it is relative to now.
    value
        Base value and value together.
    update_s
        The longest silence promised, None if nothing was.
    """

    name: str
    unit: str | None
    time_s: Decimal
    value: Decimal
    update_s: Decimal | None = None


@dataclass(frozen=True)
class _Base:
    """The base fields in force."""

    name: str = ""
    time_s: Decimal = _ZERO
    unit: str | None = None
    value: Decimal = _ZERO
    has_sum: bool = False
    version: Decimal = VERSION

    def after(self, fields: Mapping[str, Any], place: int) -> "_Base":
        """Return what is in force from this record on; a base field that cannot be read spoils all that follow."""
        for label in sorted(BASE & fields.keys() & _REMEDIES.keys()):
            if not _fits(label, fields[label]):
                raise Invalid.field(
                    f"/{place}/{label}", f"{_REMEDIES[label][1]}; got {_shown(fields[label])}"
                )
        version = fields.get("bver", self.version)
        if version not in UNDERSTOOD:
            raise Invalid.field(
                f"/{place}/bver",
                f"version {_shown(version)} is not understood; send 10, or 26 for secondary units",
            )
        if place and version != self.version:
            raise Invalid.field(
                f"/{place}/bver",
                f"{_shown(version)} after {_shown(self.version)}; give the version once, in the first record",
            )
        return replace(
            self,
            name=fields.get("bn", self.name),
            time_s=fields.get("bt", self.time_s),
            unit=fields.get("bu", self.unit),
            value=fields.get("bv", self.value),
            has_sum=self.has_sum or "bs" in fields,
            version=version,
        )


def resolve(pack: Sequence[object]) -> list[Resolved | Refusal | None]:
    """Return for each record its measurement, or why it is none; None for a record of base fields alone.

    Base fields hold from their record on until they are given again, whatever becomes of the record. A record may
    leave out ``n``, its name is then the base name. Unknown labels are ignored. Where RFC 8428 leaves a choice: a
    record with a sum is refused even if it has a value too, for the sum would be lost; a record without ``v`` is
    refused though a base value is in force, for section 4.2 asks for a value.

    Raises
    ------
    Invalid
        The pack cannot be understood as a whole: an unknown label ends in ``_`` (section 4.4), its version is
        another or not the same throughout, or a base field is of the wrong type or stands twice in its record.
    """
    base = _Base()
    found: list[Resolved | Refusal | None] = []
    for place, record in enumerate(pack):
        fields = record.fields if isinstance(record, Doubled) else record
        if not isinstance(fields, Mapping):
            found.append(Refusal("", "not-a-record", f"a record is an object; got {_shown(fields)}"))
            continue
        if not LABELS.issuperset(fields):
            _must_understand(fields, place)
        twice = record.labels if isinstance(record, Doubled) else frozenset()
        if twice & BASE:
            label = min(twice & BASE)
            raise Invalid.field(f"/{place}/{label}", "stands twice in one record; give it once")
        if not BASE.isdisjoint(fields):
            base = base.after(fields, place)
        if twice:
            label = min(twice)
            found.append(Refusal(label, "duplicate-member", f"{show(label)} stands twice; give it once"))
        else:
            found.append(_resolved(fields, base))
    return found


def _must_understand(labels: Iterable[str], place: int) -> None:
    for label in labels:
        if label.endswith("_"):
            raise Invalid.field(
                f"/{place}/{_escaped(label)}",
                f"{show(label)} must be understood, says its last character, and is not; send packs without it",
            )


def _escaped(label: str) -> str:
    """Return a foreign label as it may stand in an RFC 6901 pointer: ASCII, and cut where it is long."""
    return show(label)[1:].rstrip("'\"").replace("~", "~0").replace("/", "~1")


def _resolved(fields: Mapping[str, Any], base: _Base) -> Resolved | Refusal | None:
    if REGULAR.isdisjoint(fields) and not BASE.isdisjoint(fields):
        return None
    refusal = _misfit(fields, base)
    if refusal is not None:
        return refusal
    return Resolved(
        name=base.name + fields.get("n", ""),
        unit=fields.get("u", base.unit),
        time_s=EXACT.add(base.time_s, fields.get("t", _ZERO)),
        value=EXACT.add(base.value, fields["v"]),
        update_s=fields.get("ut"),
    )


def _misfit(fields: Mapping[str, Any], base: _Base) -> Refusal | None:
    for label, code in _CODES.items():
        if label in fields and not _fits(label, fields[label]):
            is_number = label == "v" and isinstance(fields[label], Decimal)
            detail = f"{_REMEDIES[label][1]}; got {_shown(fields[label])}"
            return Refusal(label, "not-a-number" if is_number else code, detail)
    if not 0 <= fields.get("ut", _ZERO) < FIRST_ABSOLUTE_S:
        detail = f"must be a time span from 0 to 2**28 s; got {_shown(fields['ut'])}"
        return Refusal("ut", "bad-update-time", detail)
    return _misvalued(fields, base)


def _misvalued(fields: Mapping[str, Any], base: _Base) -> Refusal | None:
    given = [label for label in _VALUES if label in fields]
    if len(given) > 1:
        return Refusal(given[1], "two-values", f"a record has one value; got {' and '.join(given)}")
    if given and given[0] != "v":
        return Refusal(given[0], *_OTHER_VALUES[given[0]])
    if "s" in fields or base.has_sum:
        detail = "sums over time are not taken; send the value as v, without s, in a pack without bs"
        return Refusal("s" if "s" in fields else "bs", "sum-not-taken", detail)
    if not given:
        return Refusal("v", "no-value", "is missing; give a number (0 where it equals the base value)")
    return None


def _fits(label: str, value: object) -> bool:
    return type(value) is _REMEDIES[label][0] and (type(value) is not Decimal or value.is_finite())


def _shown(value: object) -> str:
    if isinstance(value, Decimal):
        return f"{float(value):.15g}"
    return show(value) if value is None or isinstance(value, str | bool | bytes) else "a list or an object"
