"""The steps and cautions of a remedy, in short sentences."""

from collections.abc import Iterator, Sequence
from typing import Final

from service.domain.build_sheets.measures import Measure
from service.domain.build_sheets.practice import PRACTICE
from service.domain.published import plain

from .adding import Addition, Additions, Option
from .evidence import Evidence
from .measuring import Measured
from .planning import Plan
from .state import PresentState
from .symptoms import Symptom
from .watering import Watering

RESTARTS: Final = (
    "Fresh material starts every time-temperature count again: the days a rule has counted so far are lost, and it has"
    " to hold its heat anew. Mix in only what must be."
)
STARTS_NOTHING: Final = "Water and turning start no time-temperature count again."
_LOCAL: Final = "Site rules, local rules and the fire service come first."
_KEEP_AWAY: Final = (
    "Do not open, turn or water it from near: air feeds a fire.",
    "Keep people and animals away and upwind. Call the fire service.",
    "Keep water and a loader ready. Never stand or drive on it.",
)
_STEAM: Final = (
    "Heat and steam: it may be above 70 °C inside. Open it from the side, let the steam out before you lean over it,"
    " gloves and closed boots. If it smokes or smells burnt, leave it shut and call the fire service."
)
_HOT_C: Final = 60.0
_UNSURE_POINTS: Final = 5.0
_A_LOT: Final = 0.5


def steps_of(
    symptom: Symptom, plan: Plan, state: PresentState, additions: Additions | None, water: Measured | None
) -> tuple[str, ...]:
    """Return what to do, in order.

    Parameters
    ----------
    symptom, plan, state
        What for, what is decided, and the pile.
    additions, water
        What goes in, and the water in cans; ``None`` without.
    """
    if plan.doing == "leave_shut":
        return _KEEP_AWAY
    if plan.doing == "wait":
        return (plan.because,)
    return (
        *symptom.before,
        *_additions(additions, state),
        *_water(plan.watering, water),
        *symptom.after,
    )


def _additions(additions: Additions | None, state: PresentState) -> Iterator[str]:
    if additions is None:
        return
    options = additions.options
    if options and options[0].reaches:
        opening = "Mix in, layer by layer over the whole pile" + (
            ", one of these:" if len(options) > 1 else ":"
        )
        yield f"{opening} {'; or '.join(_option(one) for one in options)}."
    elif options:
        yield f"{additions.words} It helps in part: {_option(options[0])}."
    else:
        yield additions.words
    if options and _is_a_lot(options[0], state):
        yield (
            "That is a lot beside the pile. Where it is too wet, two or three turns in dry wind take water too: do that"
            " first, squeeze again, and ask again."
        )
    if options and state.moisture_pct.high - state.moisture_pct.value > _UNSURE_POINTS:
        yield "Half of it first. Squeeze a handful; then the rest, if it is still needed."
    if additions.purchase is not None:
        yield additions.purchase.words


def _is_a_lot(option: Option, state: PresentState) -> bool:
    litres = [one.volume_l for one in option.additions]
    if state.volume_m3 is None or None in litres:
        return False
    return sum(one or 0.0 for one in litres) > 1000 * _A_LOT * state.volume_m3.value


def _option(option: Option) -> str:
    told = [_addition(one) for one in option.additions]
    if option.water_l > 1:
        told.append(f"{plain(option.water_l)} L of water")
    return " and ".join(told)


def _addition(one: Addition) -> str:
    exact = f"{plain(one.mass_kg)} kg of {one.name}"
    if one.in_measures is None:
        return exact + ("" if one.volume_l is None else f" ({plain(one.volume_l)} L loose)")
    return f"{exact} ({one.in_measures.words})"


def _water(watering: Watering | None, measured: Measured | None) -> Iterator[str]:
    if watering is None or not watering.needed_l.value:
        return
    if watering.now_l:
        much = f"{plain(watering.now_l)} L of water" + ("" if measured is None else f": {measured.words}")
        each = plain(watering.now_l / watering.passes)
        passes = f", in {watering.passes} passes of about {each} L" if watering.passes > 1 else ""
        yield f"Give {much}{passes}, with a soft spray while you fork it over, layer by layer."
        yield "Stop when water runs out at the foot."
    if watering.words:
        yield watering.words
    if watering.now_l and watering.later_l >= 1:
        yield f"About {plain(watering.later_l)} L more at later turns, each after a squeeze."


def cautions_of(
    symptom: Symptom,
    evidence: Evidence,
    additions: Additions | None,
    measures: Sequence[Measure],
    lifting_limit_kg: float,
) -> tuple[str, ...]:
    """Return what can hurt someone: of the symptom, the heat, the weights and the materials."""
    hottest = evidence.hottest_c if evidence.hottest_c is not None else evidence.peak_c
    found = [_STEAM] if hottest is None or hottest >= _HOT_C else []
    found += symptom.cautions
    options = () if additions is None else additions.options
    for option in options:
        found += _weights(option, measures, lifting_limit_kg)
        found += [advice.text for advice in option.after.advice if advice.about == "safety"]
    return tuple(dict.fromkeys([*found, _LOCAL]))


def _weights(option: Option, measures: Sequence[Measure], limit_kg: float) -> Iterator[str]:
    kinds = {one.name: one.kind for one in measures}
    for one in option.additions:
        told = one.in_measures
        if told is None or kinds.get(told.measure) == "scale":
            continue
        each = told.mass_kg / told.count
        hangs = each * (PRACTICE["handle_share"].value if kinds.get(told.measure) == "barrow" else 1.0)
        if hangs > limit_kg:
            yield (
                f"One {told.measure} of {one.name} is {plain(each)} kg, too heavy for one"
                f" (limit {plain(limit_kg)} kg): two lift or push, or half fill twice."
            )
