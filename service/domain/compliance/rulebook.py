"""The rules the service ships with, and rules of an organisation's own, read from data and checked on the way."""

import hashlib
import json
import re
import tomllib
from collections.abc import Callable, Mapping
from decimal import Decimal
from importlib import resources
from importlib.resources.abc import Traversable
from types import MappingProxyType
from typing import Final, cast, get_args

from service.domain.compliance.demand_fields import read_initial_mix, read_process
from service.domain.compliance.demands import Curing
from service.domain.compliance.fields import Fields
from service.domain.compliance.proof_fields import read_duty, read_methods
from service.domain.compliance.rule import INTERPRETATIONS, Interpretation, Rule, Switch, TextStatus
from service.domain.errors import FieldError, Invalid

IDENTIFIER: Final = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?")
AS_OF: Final = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?")
AMBIGUITY: Final = re.compile(r"AMB-\d{2}")
# What a switch may be set to: words, or hours.
SWITCHES: Final[Mapping[str, tuple[str, ...]]] = {
    "continuity": ("unbroken", "cumulative"),
    "above_limit": ("breaks", "not_counted"),
    "turn_transient_h": (),
    "turn_apart_h": (),
    "regain_within_h": (),
}
MOST_HOLDS: Final = 24
"""Every hold is judged on the whole record; no text needs half as many."""


def load_rules(folder: Traversable | None = None) -> Mapping[str, Rule]:
    """Read every rule file of a folder.

    Parameters
    ----------
    folder
        With one ``<id>.toml`` per rule; None for the rules shipped with the service.

    Returns
    -------
    Mapping
        Rules by id, in order of id; it cannot be changed.

    Raises
    ------
    Invalid
        If a file does not fit; names file, key and reason.
    """
    place = resources.files(__package__) / "rules" if folder is None else folder
    files = sorted((one for one in place.iterdir() if one.name.endswith(".toml")), key=lambda one: one.name)
    rules = [read_rule(one.name, one.read_bytes()) for one in files]
    return MappingProxyType({rule.id: rule for rule in rules})


def read_rule(file: str, content: bytes) -> Rule:
    """Read one rule file.

    Parameters
    ----------
    file
        Its name, ``<id>.toml``.
    content
        TOML in UTF-8; its SHA-256 is the rule's version.

    Raises
    ------
    Invalid
        If it does not fit; names file, key and reason.
    """
    try:
        table = tomllib.loads(content.decode(), parse_float=Decimal)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise Invalid(FieldError("", f"{file}: not readable as TOML: {error}")) from error
    rule = _read(file, table, f"sha256:{hashlib.sha256(content).hexdigest()}")
    if file != f"{rule.id}.toml":
        raise Invalid.field(
            "/id", f"{file}: {rule.id!r} does not match the name of the file; rename one of them"
        )
    return rule


def read_rule_document(document: Mapping[str, object], *, name: str = "body") -> Rule:
    """Read a rule an organisation wrote itself: the critical limits of a permit, or of a validated site plan.

    Parameters
    ----------
    document
        The same keys as in a rule file, as JSON values; null is the same as absent.
    name
        What to call the document in a refusal.

    Returns
    -------
    Rule
        Its version is :func:`document_version`. Whether the id is free is for the caller to say.

    Raises
    ------
    Invalid
        If it does not fit; the pointer (RFC 6901) leads to the key, the detail names document and reason.
    """
    return _read(name, document, document_version(document, name=name))


def document_version(document: Mapping[str, object], *, name: str = "body") -> str:
    """Return a digest of a rule document that does not depend on the order of keys or on how numbers are written.

    Returns
    -------
    str
        ``sha256:`` and 64 hexadecimal digits, over JSON with sorted keys, no blanks, nulls left out and every number
        as its shortest decimal.

    Raises
    ------
    Invalid
        If it holds what JSON cannot, or is nested more than twenty levels deep.
    """
    plain = _plain(document, name, "", 0)
    written = json.dumps(plain, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return f"sha256:{hashlib.sha256(written.encode('utf-8', 'surrogatepass')).hexdigest()}"


def _plain(value: object, name: str, pointer: str, depth: int) -> object:
    if depth > 20:  # noqa: PLR2004 - as the docstring says
        raise Invalid.field(pointer, f"{name}: nested more than 20 levels deep; write it flatter")
    if isinstance(value, Mapping):
        inner = {
            str(key): _plain(one, name, f"{pointer}/{_level(str(key))}", depth + 1)
            for key, one in value.items()
        }
        return {key: one for key, one in inner.items() if one is not None}
    if isinstance(value, list | tuple):
        return [_plain(one, name, f"{pointer}/{place}", depth + 1) for place, one in enumerate(value)]
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, int | float | Decimal):
        exact = Decimal(repr(value)) if isinstance(value, float) else Decimal(value)
        if exact.is_finite():
            return {"number": f"{exact.normalize():f}" if abs(exact.adjusted()) < 50 else str(exact)}  # noqa: PLR2004
    raise Invalid.field(pointer, f"{name}: {value!r:.80} is not a value of JSON; correct it or leave it out")


def _level(key: str) -> str:
    return key.replace("~", "~0").replace("/", "~1")


def _read(name: str, table: Mapping[str, object], version: str) -> Rule:
    fields = Fields(name, table)
    rule = Rule(
        id=_identifier(fields),
        title=fields.text("title"),
        jurisdiction=fields.text("jurisdiction"),
        methods=read_methods(fields),
        phrase=fields.text("phrase"),
        citation=fields.text("citation"),
        text_source=fields.text("text_source"),
        text_as_of=_as_of(fields),
        text_status=cast("TextStatus", fields.choice("text_status", get_args(TextStatus))),
        process=read_process(fields),
        initial_mix=fields.one("initial_mix", read_initial_mix),
        curing=fields.one("curing", lambda part: Curing(float(part.number("minimum_days", default=0)))),
        duties=fields.each("duties", read_duty),
        switches=fields.each("switches", _switch),
        version=version,
        information_only=fields.flag("information_only", default=False),
    )
    fields.finish()
    _refuse_contradictions(rule, fields)
    _refuse_wrong_continuity(rule, fields)
    return rule


def _identifier(fields: Fields) -> str:
    found = fields.text("id")
    if not IDENTIFIER.fullmatch(found):
        raise fields.refusal(
            "id", f"{found[:80]!r} is not an id; use up to 64 of a-z, 0-9 and -, as in permit-2026-17"
        )
    return found


def _as_of(fields: Fields) -> str:
    found = fields.text("text_as_of")
    if found != "unverified" and not AS_OF.fullmatch(found):
        raise fields.refusal(
            "text_as_of", f"{found[:80]!r} is not a date such as 2026-11; write unverified if none is known"
        )
    return found


def _switch(fields: Fields) -> Switch:
    key = fields.choice("key", tuple(SWITCHES))
    amb = fields.text("amb")
    if not AMBIGUITY.fullmatch(amb):
        raise fields.refusal("amb", f"{amb[:80]!r} is not the number of an ambiguity; write it as AMB-05")
    read: Callable[[str], str | float]
    if SWITCHES[key]:
        read = lambda one: fields.choice(one, SWITCHES[key])  # noqa: E731 - two ways of reading one value
    else:
        read = lambda one: float(fields.number(one, high=24 * 7))  # noqa: E731
    values: dict[Interpretation, str | float] = {one: read(one) for one in INTERPRETATIONS}
    return Switch(key, amb, fields.text("question"), MappingProxyType(values))


def _refuse_contradictions(rule: Rule, fields: Fields) -> None:
    """Refuse what fits key by key and still makes no rule."""
    if not rule.process.of:
        raise fields.refusal("holds", "nothing decides the state; add at least one [[holds]] or [[criteria]]")
    if len(rule.heats) > MOST_HOLDS:
        raise fields.refusal("criteria", f"{len(rule.heats)} holds; at most {MOST_HOLDS} are judged")
    for key, names in (
        ("duties", [duty.name for duty in rule.duties]),
        ("switches", [switch.key for switch in rule.switches]),
    ):
        if len(names) != len(set(names)):
            raise fields.refusal(key, "a name comes twice; keep one")
    if (rule.text_status == "unverified") != (rule.text_as_of == "unverified"):
        raise fields.refusal("text_as_of", "text_as_of and text_status must both say unverified, or neither")


def _refuse_wrong_continuity(rule: Rule, fields: Fields) -> None:
    """Ask of a text silent on interruptions how each interpretation reads it, and of no other."""
    stated = {hold.continuity for hold in rule.holds}
    is_silent = bool(stated & {"silent_maintained", "silent_attains"})
    switch = next((one for one in rule.switches if one.key == "continuity"), None)
    if is_silent != (switch is not None):
        reason = (
            "add a switch for continuity"
            if is_silent
            else "delete the switch: the text states its continuity"
        )
        raise fields.refusal(
            "switches", f"the text is {'' if is_silent else 'not '}silent on interruptions; {reason}"
        )
    if is_silent and stated & {"consecutive", "cumulative", "contiguous_if_possible"}:
        raise fields.refusal(
            "switches", "some holds are silent on interruptions and some are not; write two rules"
        )
    careful = set() if switch is None else {switch.values["literal"], switch.values["inspector"]}
    # "Attains … during the period" speaks of days, not of one run; "maintained" does not.
    if "cumulative" in careful and "silent_maintained" in stated:
        raise fields.refusal(
            "switches", "a silent text may be cumulative only under the cumulative interpretation"
        )


RULES: Final[Mapping[str, Rule]] = load_rules()
