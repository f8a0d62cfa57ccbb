"""Reading from a rule's data by what kind of evidence each demand is shown."""

from collections.abc import Callable, Mapping
from typing import Final, Literal, cast

from service.domain.compliance.fields import Fields
from service.domain.compliance.proofs import (
    LIMITS,
    AnyOne,
    ByMethod,
    Calibrated,
    Depths,
    Duty,
    Every,
    Laboratory,
    Limit,
    Measured,
    OnRecord,
    Places,
    Proof,
    ReadingDays,
    ReadingGaps,
    Shown,
    TurnsOnFile,
)

METHODS: Final = (
    "any",
    "in_vessel",
    "static",
    "static_aerated",
    "turned",
    "turned_windrow",
    "turned_windrow_housed",
    "raw_manure",
    "not_for_compost",
)
DEEPEST: Final = 4


def read_duty(fields: Fields) -> Duty:
    """Read something the rule asks besides temperature, time and turning."""
    return Duty(
        name=fields.text("name"),
        requirement=fields.text("requirement"),
        proof=_proof(fields, 1),
        instead=frozenset(fields.texts("instead")) if fields.has("instead") else frozenset(),
        guidance=fields.flag("guidance", default=False),
    )


def _proof(fields: Fields, depth: int) -> Proof:
    kind = fields.choice("evidence", (*LEAVES, "all_of", "any_of"))
    if kind in LEAVES:
        return LEAVES[kind](fields)
    if depth > DEEPEST:
        raise fields.refusal("of", f"nested more than {DEEPEST} levels deep; write it flatter")
    parts = fields.each("of", lambda part: _shown(part, depth + 1))
    if not parts:
        raise fields.refusal("of", "nothing to choose from; add at least one part")
    return Every(parts) if kind == "all_of" else AnyOne(parts)


def _shown(fields: Fields, depth: int) -> Shown:
    name = fields.text("name") if fields.has("name") else ""
    found = Shown(name, _proof(fields, depth))
    if not name and isinstance(found.proof, OnRecord):
        raise fields.refusal("name", "name is missing; a record carries it")
    return found


def _laboratory(fields: Fields) -> Laboratory:
    statistic = fields.choice("statistic", ("each", "geometric_mean")) if fields.has("statistic") else "each"
    return Laboratory(
        figure=fields.text("figure"),
        operator=cast("Limit", fields.choice("operator", LIMITS)),
        limit=fields.number("limit", high=10**12),
        statistic=cast("Literal['each', 'geometric_mean']", statistic),
        samples=fields.whole("samples", low=1) if fields.has("samples") else 1,
    )


def _measured(fields: Fields) -> Measured:
    least = fields.number("least", high=10**9) if fields.has("least") else None
    most = fields.number("most", high=10**9) if fields.has("most") else None
    if least is None and most is None:
        raise fields.refusal("least", "neither least nor most is given; add one of them")
    if least is not None and most is not None and least > most:
        raise fields.refusal("most", f"{float(most):g} is below the least")
    return Measured(fields.text("figure"), least, most)


def _depths(fields: Fields) -> Depths:
    found = Depths(float(fields.number("least_cm", high=1000)), float(fields.number("most_cm", high=1000)))
    if found.least_cm > found.most_cm:
        raise fields.refusal("most_cm", f"{found.most_cm:g} is below the least depth")
    return found


def _places(fields: Fields) -> Places:
    per_m = float(fields.number("per_m", low=1)) if fields.has("per_m") else None
    per_m3 = float(fields.number("per_m3", low=1)) if fields.has("per_m3") else None
    return Places(per_m, per_m3, fields.whole("least", low=1) if fields.has("least") else 1)


def _by_method(fields: Fields) -> ByMethod:
    return ByMethod(read_methods(fields))


def read_methods(fields: Fields) -> tuple[str, ...]:
    """Read ways of composting."""
    found = fields.texts("methods")
    for method in found:
        if method not in METHODS:
            raise fields.refusal("methods", f"{method!r} is unknown; use {', '.join(METHODS)}")
    return found


LEAVES: Final[Mapping[str, Callable[[Fields], Proof]]] = {
    "record": lambda _: OnRecord(),
    "reading_days": lambda fields: ReadingDays(fields.weekdays("weekdays")),
    "turns": lambda fields: TurnsOnFile(fields.whole("least", low=1)),
    "reading_gaps": lambda fields: ReadingGaps(float(fields.number("max_gap_h", low=1, high=24 * 7))),
    "laboratory": _laboratory,
    "measured": _measured,
    "depths": _depths,
    "places": _places,
    "calibration": lambda fields: Calibrated(float(fields.number("within_days", low=1, high=3660))),
    "method": _by_method,
}
