"""The rules the service ships with, read from their data files and checked on the way."""

import hashlib
import re
import tomllib
from collections.abc import Callable, Mapping
from decimal import Decimal
from importlib import resources
from importlib.resources.abc import Traversable
from types import MappingProxyType
from typing import Final, cast, get_args

from service.domain.compliance.fields import Fields
from service.domain.compliance.rule import (
    INTERPRETATIONS,
    Continuity,
    Curing,
    DayCount,
    DayGap,
    Duty,
    Hold,
    InitialMix,
    Interpretation,
    Rule,
    Switch,
    TextStatus,
    Turns,
    TurnWindow,
)
from service.domain.compliance.thresholds import TEMPERATURE_UNITS, Operator
from service.domain.errors import FieldError, Invalid
from service.domain.quantities import UCUM, UNIT_OF_UCUM

METHODS: Final = (
    "any",
    "in_vessel",
    "static",
    "static_aerated",
    "turned",
    "turned_windrow",
    "turned_windrow_housed",
)
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
EVIDENCE: Final = ("record", "reading_days", "turns", "reading_gaps")


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
    fields = Fields(file, table)
    rule = Rule(
        id=_identifier(fields, file),
        title=fields.text("title"),
        jurisdiction=fields.text("jurisdiction"),
        methods=_methods(fields),
        phrase=fields.text("phrase"),
        citation=fields.text("citation"),
        text_source=fields.text("text_source"),
        text_as_of=_as_of(fields),
        text_status=cast("TextStatus", fields.choice("text_status", get_args(TextStatus))),
        holds=fields.each("holds", _hold),
        turns=fields.one("turns", _turns),
        initial_mix=fields.one("initial_mix", _initial_mix),
        curing=fields.one("curing", lambda part: Curing(float(part.number("minimum_days", default=0)))),
        duties=fields.each("duties", _duty),
        switches=fields.each("switches", _switch),
        version=f"sha256:{hashlib.sha256(content).hexdigest()}",
    )
    fields.finish()
    _refuse_contradictions(rule, fields)
    return rule


def _identifier(fields: Fields, file: str) -> str:
    found = fields.text("id")
    if file != f"{found}.toml":
        raise fields.refusal("id", f"{found!r} does not match the name of the file; rename one of them")
    return found


def _methods(fields: Fields) -> tuple[str, ...]:
    found = fields.texts("methods")
    for method in found:
        if method not in METHODS:
            raise fields.refusal("methods", f"{method!r} is unknown; use {', '.join(METHODS)}")
    return found


def _as_of(fields: Fields) -> str:
    found = fields.text("text_as_of")
    if found != "unverified" and not AS_OF.fullmatch(found):
        raise fields.refusal(
            "text_as_of", f"{found!r} is not a date such as 2026-11; write unverified if none is known"
        )
    return found


def _hold(fields: Fields) -> Hold:
    unit = UNIT_OF_UCUM[fields.choice("unit", tuple(UCUM[unit] for unit in sorted(TEMPERATURE_UNITS)))]
    days = fields.has("duration_days")
    duration = fields.number("duration_days", low=1) * 24 if days else fields.number("duration_h", low=1)
    hold = Hold(
        name=fields.text("name"),
        operator=cast("Operator", fields.choice("operator", get_args(Operator))),
        threshold=fields.number("threshold", high=1000),
        unit=unit,
        upper_limit=fields.number("upper_limit", high=1000) if fields.has("upper_limit") else None,
        duration_h=float(duration),
        continuity=cast("Continuity", fields.choice("continuity", get_args(Continuity))),
        max_gap_h=float(fields.number("max_gap_h", low=1, high=24 * 7)),
        day_gap=fields.one("day_gap", _day_gap),
        day_count=fields.one("day_count", _day_count),
    )
    if hold.upper_limit is not None and hold.upper_limit <= hold.threshold:
        raise fields.refusal("upper_limit", f"{float(hold.upper_limit):g} is not above the threshold")
    if hold.day_count is not None and hold.day_count.days * 24 != hold.duration_h:
        raise fields.refusal("day_count/days", f"{hold.day_count.days} days do not match the duration")
    return hold


def _day_gap(fields: Fields) -> DayGap:
    return DayGap(float(fields.number("max_gap_h", low=1, high=24 * 7)), fields.weekdays("weekdays"))


def _day_count(fields: Fields) -> DayCount:
    qualifies = fields.choice("qualifies", ("one_reading", "every_reading"))
    record = fields.choice("record", ("any", "daily"))
    return DayCount(
        days=fields.whole("days", low=2),
        qualifies="one_reading" if qualifies == "one_reading" else "every_reading",
        record="any" if record == "any" else "daily",
        max_gap_h=float(fields.number("max_gap_h", low=1, high=24 * 7)),
        daily_spacing_h=float(fields.number("daily_spacing_h", low=1, high=24)),
        mixed_day_cool_h=float(fields.number("mixed_day_cool_h", high=24)),
    )


def _turns(fields: Fields) -> Turns:
    return Turns(
        minimum=fields.whole("minimum", low=1, high=100),
        window=cast("TurnWindow", fields.choice("window", get_args(TurnWindow))),
        spacing_h=float(fields.number("spacing_h", default=0)),
        hot_before_h=float(fields.number("hot_before_h", low=1)) if fields.has("hot_before_h") else None,
        regain_in_text=fields.flag("regain_in_text", default=False),
    )


def _initial_mix(fields: Fields) -> InitialMix:
    mix = InitialMix(
        fields.number("carbon_nitrogen_min", low=1, high=500),
        fields.number("carbon_nitrogen_max", low=1, high=500),
    )
    if mix.carbon_nitrogen_min >= mix.carbon_nitrogen_max:
        raise fields.refusal(
            "carbon_nitrogen_max", f"{float(mix.carbon_nitrogen_max):g} is not above the minimum"
        )
    return mix


def _duty(fields: Fields) -> Duty:
    evidence = fields.choice("evidence", EVIDENCE)
    name, requirement = fields.text("name"), fields.text("requirement")
    instead = frozenset(fields.texts("instead")) if fields.has("instead") else frozenset()
    if evidence == "reading_days":
        return Duty(name, requirement, "reading_days", weekdays=fields.weekdays("weekdays"), instead=instead)
    if evidence == "turns":
        return Duty(name, requirement, "turns", least=fields.whole("least", low=1), instead=instead)
    if evidence == "reading_gaps":
        gap = float(fields.number("max_gap_h", low=1, high=24 * 7))
        return Duty(name, requirement, "reading_gaps", max_gap_h=gap, instead=instead)
    return Duty(name, requirement, "record", instead=instead)


def _switch(fields: Fields) -> Switch:
    key = fields.choice("key", tuple(SWITCHES))
    amb = fields.text("amb")
    if not AMBIGUITY.fullmatch(amb):
        raise fields.refusal("amb", f"{amb!r} is not the number of an ambiguity; write it as AMB-05")
    read: Callable[[str], str | float]
    if SWITCHES[key]:
        read = lambda one: fields.choice(one, SWITCHES[key])  # noqa: E731 - two ways of reading one value
    else:
        read = lambda one: float(fields.number(one, high=24 * 7))  # noqa: E731
    values: dict[Interpretation, str | float] = {one: read(one) for one in INTERPRETATIONS}
    return Switch(key, amb, fields.text("question"), MappingProxyType(values))


def _refuse_contradictions(rule: Rule, fields: Fields) -> None:
    """Refuse what fits key by key and still makes no rule."""
    if not rule.holds:
        raise fields.refusal("holds", "there is no temperature to hold; add at least one [[holds]]")
    for key, names in (
        ("duties", [duty.name for duty in rule.duties]),
        ("switches", [switch.key for switch in rule.switches]),
    ):
        if len(names) != len(set(names)):
            raise fields.refusal(key, "a name comes twice; keep one")
    if (rule.text_status == "unverified") != (rule.text_as_of == "unverified"):
        raise fields.refusal("text_as_of", "text_as_of and text_status must both say unverified, or neither")
    is_silent = any(hold.continuity == "silent_maintained" for hold in rule.holds)
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
    if switch is not None and "cumulative" in {switch.values["literal"], switch.values["inspector"]}:
        raise fields.refusal(
            "switches", "a silent text may be cumulative only under the cumulative interpretation"
        )


RULES: Final[Mapping[str, Rule]] = load_rules()
