"""How one kind of device's uplinks are read: a stored profile of JMESPath expressions."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from service.http.formats.definition import Definition, constant_of, must_fit, names_of
from service.http.formats.expressions import LONGEST, BadExpression, Expression, compile_expression
from service.http.formats.instants import EPOCH, PER_SECOND, from_rfc3339, utc_of
from service.http.formats.members import Unusable
from service.http.formats.read import show

RFC3339: Final = "rfc3339"


@dataclass(frozen=True)
class Found:
    """What an expression finds, put into our words where ``names`` has it."""

    expression: Expression
    names: Mapping[str, str] = field(default_factory=dict)


Part = Found | str
"""Found by an expression, or the same in every record."""


@dataclass(frozen=True)
class Clock:
    """An instant that is written in the uplink.

    Attributes
    ----------
    form
        ``rfc3339``, ``epoch_s`` or ``epoch_ms``.
    epoch
        What a count starts from. The count is of seconds without leap seconds, as in UTC: a receiver that counts as
        GPS does is ahead by as many as there were.
    """

    expression: Expression
    form: str = RFC3339
    epoch: datetime = EPOCH


@dataclass(frozen=True)
class Ago:
    """Seconds before ``received_at``: a stored history told by its age."""

    expression: Expression


@dataclass(frozen=True)
class UplinkProfile:
    """How the uplinks of one kind of device are read.

    Attributes
    ----------
    device
        Finds the device's name in the uplink.
    counter
        Finds its frame counter; only told in refusals.
    received_at
        When the network server received it. Take the server's own time, not a radio gateway's: each gateway has
        another, and one reading would become several.
    records
        Finds the list of objects that hold a reading each.
    probe, quantity, value, unit, observed_at
        Looked for in each record. Without ``probe`` it is the device; without ``observed_at``, ``received_at``.
        A record whose value is null holds no reading.
    """

    device: Expression
    records: Expression
    value: Expression
    quantity: Part
    unit: Part
    probe: Part | None = None
    counter: Expression | None = None
    received_at: Clock | None = None
    observed_at: Clock | Ago | None = None


def profile_of(document: Mapping[str, Any]) -> UplinkProfile:
    """Return a profile from its JSON form.

    Raises
    ------
    Invalid
        With a pointer for every member that does not fit, and the parser's position in a bad expression.

    Notes
    -----
    ``device``, ``counter``, ``records``, ``value`` are JMESPath texts. ``quantity``, ``unit``, ``probe`` are each
    ``{"expression": text, "names": {theirs: ours}}`` or ``{"constant": text}``. ``received_at`` is
    ``{"expression": text, "form": "rfc3339" | "epoch_s" | "epoch_ms", "epoch": RFC 3339}``, and ``observed_at`` the
    same or ``{"seconds_ago": text}``.
    """
    definition = Definition(document)
    received_at = _instant(definition, "received_at")
    observed_at = _instant(definition, "observed_at")
    if received_at is None and not isinstance(observed_at, Clock):
        definition.fail("received_at", "is missing; it is needed unless observed_at is an instant of its own")
    quantity, unit = _part(definition, "quantity"), _part(definition, "unit")
    if isinstance(quantity, str) and isinstance(unit, str):
        must_fit(definition, quantity, unit)
    profile = UplinkProfile(
        device=_needed(definition, "device"),
        records=_needed(definition, "records"),
        value=_needed(definition, "value"),
        quantity=_given(definition, "quantity", quantity),
        unit=_given(definition, "unit", unit),
        probe=_part(definition, "probe"),
        counter=_expression(definition, "counter"),
        received_at=received_at if isinstance(received_at, Clock) else None,
        observed_at=observed_at,
    )
    definition.close()
    definition.must_hold()
    return profile


_ITSELF: Final = compile_expression("@")
"""Stands in for an expression that was refused, so that the other faults are found too."""


def _expression(definition: Definition, name: str) -> Expression | None:
    text = definition.text(name, most=LONGEST)
    if text is None:
        return None
    try:
        return compile_expression(text)
    except BadExpression as error:
        definition.fail(name, str(error))
        return _ITSELF


def _needed(definition: Definition, name: str) -> Expression:
    is_there = definition.has(name)
    found = _expression(definition, name)
    if not is_there:
        definition.fail(name, "is missing; give a JMESPath expression")
    return found or _ITSELF


def _part(definition: Definition, member: str) -> Part | None:
    inner = definition.inner(member)
    if inner is None:
        return None
    part: Part
    if inner.has("constant") and not inner.has("expression"):
        part = constant_of(inner, member) or ""
    else:
        expression = _needed(inner, "expression")
        part = Found(expression, names_of(inner, member))
    inner.close()
    return part


def _given(definition: Definition, member: str, part: Part | None) -> Part:
    if part is None:
        definition.fail(member, 'is missing; give {"expression": ...} or {"constant": ...}')
        return ""
    return part


def _instant(definition: Definition, member: str) -> Clock | Ago | None:
    inner = definition.inner(member)
    if inner is None:
        return None
    found: Clock | Ago
    if member == "observed_at" and inner.has("seconds_ago") and not inner.has("expression"):
        found = Ago(_needed(inner, "seconds_ago"))
    else:
        expression = _needed(inner, "expression")
        form = inner.one_of("form", (RFC3339, *PER_SECOND), RFC3339)
        found = Clock(expression, form, _epoch(inner, form))
    inner.close()
    return found


def _epoch(definition: Definition, form: str) -> datetime:
    text = definition.text("epoch")
    if text is None:
        return EPOCH
    if form == RFC3339:
        definition.fail("epoch", "goes only with epoch_s and epoch_ms; leave it out")
    try:
        epoch = from_rfc3339(text)
    except Unusable as error:
        definition.fail("epoch", str(error))
        return EPOCH
    if epoch.tzinfo is None:
        definition.fail(
            "epoch", f"{show(text)} has no offset; write it in full, such as 2000-01-01T00:00:00Z"
        )
        return EPOCH
    return utc_of(epoch)
