"""A remedy for a pile: likely causes, what to check, what goes in and how much, what to expect."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from service.domain.build_sheets.measures import Measure, refuse_bad_measures
from service.domain.build_sheets.practice import PRACTICE
from service.domain.errors import FieldError, Invalid
from service.domain.recipes import Available
from service.domain.recipes.figures import Bounds, faults
from service.domain.recipes.request_materials import check_material
from service.domain.recipes.wanted import WATER

from .adding import MOST_STOCK, Additions, Aim, find_additions
from .causes import Cause, ranked
from .evidence import NOTHING_KNOWN, Evidence
from .measuring import Measured, water_in_cans
from .planning import Doing, Plan, plan_for
from .state import PILE, PresentState
from .symptoms import SYMPTOMS, Symptom
from .watering import Watering
from .wording import RESTARTS, STARTS_NOTHING, cautions_of, steps_of

_GOAL: Final = Bounds(40, 65, "give the moisture to be reached, % of wet mass; 50 to 60 is preferred")
_BAY: Final = Bounds(1e-3, 1e6, "give what the bay holds in m3")
_LIMIT: Final = Bounds(0.1, 1000, "give what one person may lift, kg")


@dataclass(frozen=True, slots=True)
class Asked:
    """What a remedy is asked for.

    Attributes
    ----------
    symptom
        One of the codes of ``SYMPTOMS``.
    state, evidence
        The pile now, and what else is known of it.
    stock
        What there is to mix in, ``max_kg`` where it is known.
    measures, lifting_limit_kg
        The crew's.
    bay_m3
        What the bay holds; ``None`` when not known.
    moisture_goal_pct
        Moisture to be reached; ``None`` for the usual.
    keep_shut
        It smokes or may burn.
    """

    symptom: str
    state: PresentState
    evidence: Evidence = NOTHING_KNOWN
    stock: tuple[Available, ...] = ()
    measures: tuple[Measure, ...] = ()
    lifting_limit_kg: float = PRACTICE["lifting_limit_kg"].value
    bay_m3: float | None = None
    moisture_goal_pct: float | None = None
    keep_shut: bool = False


@dataclass(frozen=True, slots=True)
class Expectation:
    """When a change is to be expected [d], in words, and how to see that it worked; ``None`` where nobody can say."""

    from_days: float | None
    to_days: float | None
    words: str
    worked: str


@dataclass(frozen=True, slots=True)
class Remedy:
    """What puts a pile right.

    Attributes
    ----------
    symptom, title
        What for.
    doing, because, is_within_range
        What it comes to and why; whether the figure it is about is where it should be.
    state
        The pile as it is taken to be.
    causes
        The likeliest first.
    check_first, steps, wrong, cautions
        For the crew.
    watering, water_in_measures
        ``None`` where no water is needed.
    additions
        ``None`` where nothing is mixed in.
    needs_material
        The plan asks for material.
    adds_material, restarts
        Material goes in, and what that means for a rule's count.
    expect
        When and how.
    source
        Of the advice, and how it came to us.
    """

    symptom: str
    title: str
    doing: Doing
    because: str
    is_within_range: bool
    state: PresentState
    causes: tuple[Cause, ...]
    check_first: tuple[str, ...]
    steps: tuple[str, ...]
    wrong: tuple[str, ...]
    cautions: tuple[str, ...]
    watering: Watering | None
    water_in_measures: Measured | None
    additions: Additions | None
    needs_material: bool
    adds_material: bool
    restarts: str
    expect: Expectation
    source: str


_FROM_AFAR: Final = "Only look and smell, from upwind and from a safe distance; touch nothing."
_UNTIL_SAFE: Final = Expectation(
    None,
    None,
    "What it does next nobody can say: those who fight the fire decide when it may be opened.",
    "No smoke and no burnt smell, and below 70 °C at every place that can be measured from a safe stand, for two days.",
)


def _expected(symptom: Symptom) -> Expectation:
    return Expectation(symptom.expect_low_days, symptom.expect_high_days, symptom.expect, symptom.worked)


def remedy(asked: Asked) -> Remedy:
    """Work out what puts a pile right.

    Parameters
    ----------
    asked
        Symptom, pile, stock.

    Returns
    -------
    Remedy
        Never more water than would run off even if the pile is as wet as may be, never more of a material than there
        is, never more than the bay holds; nothing where the pile is within range.

    Raises
    ------
    Invalid
        An unknown symptom, impossible figures of the stock, names used twice, measures that cannot be used.
    """
    _refuse(asked)
    symptom = SYMPTOMS[asked.symptom]
    causes = ranked(symptom, asked.state, asked.evidence)
    plan = plan_for(
        asked.symptom, asked.state, causes, goal_pct=asked.moisture_goal_pct, keep_shut=asked.keep_shut
    )
    additions = None if plan.aim is None else _additions(asked, plan.aim)
    water = _water(plan, asked.measures)
    adds = additions is not None and bool(additions.options or additions.purchase)
    return Remedy(
        symptom=symptom.code,
        title=symptom.title,
        doing=plan.doing,
        because=plan.because,
        is_within_range=plan.is_within_range,
        state=asked.state,
        causes=tuple(replace(one, check=_FROM_AFAR) for one in causes) if asked.keep_shut else causes,
        check_first=(_FROM_AFAR,) if asked.keep_shut else symptom.checks,
        steps=steps_of(symptom, plan, asked.state, additions, water),
        wrong=symptom.wrong,
        cautions=cautions_of(symptom, asked.evidence, additions, asked.measures, asked.lifting_limit_kg),
        watering=plan.watering,
        water_in_measures=water,
        additions=additions,
        needs_material=plan.aim is not None,
        adds_material=adds,
        restarts=RESTARTS if adds else STARTS_NOTHING,
        expect=_UNTIL_SAFE if asked.keep_shut else _expected(symptom),
        source=f"{symptom.source}, {symptom.status}",
    )


def _water(plan: Plan, measures: Sequence[Measure]) -> Measured | None:
    if plan.watering is None or not plan.watering.now_l:
        return None
    return water_in_cans(measures, plan.watering.now_l)


def _additions(asked: Asked, aim: Aim) -> Additions:
    volume = asked.state.volume_m3
    room = None if asked.bay_m3 is None or volume is None else max(0.0, asked.bay_m3 - volume.high)
    return find_additions(asked.state, aim, asked.stock, room_m3=room, measures=asked.measures)


def _refuse(asked: Asked) -> None:
    """Refuse what cannot be meant, all at once."""
    if asked.symptom not in SYMPTOMS:
        listed = ", ".join(SYMPTOMS)
        raise Invalid.field("/symptom", f"'{asked.symptom[:40]}' is not a symptom; use one of {listed}")
    if len(asked.stock) > MOST_STOCK:
        detail = f"{len(asked.stock)} materials are given; give at most {MOST_STOCK}, those nearest at hand"
        raise Invalid.field("/stock", detail)
    errors = [
        *faults("/moisture_goal_pct", asked.moisture_goal_pct, _GOAL),
        *faults("/bay_volume_m3", asked.bay_m3, _BAY),
        *faults("/lifting_limit_kg", asked.lifting_limit_kg, _LIMIT),
    ]
    seen = {PILE: "the pile itself", WATER.name: "what is given as water"}
    for place, one in enumerate(asked.stock):
        errors += check_material(one, f"/stock/{place}")
        name = one.name.strip().casefold()
        if name in seen:
            detail = f"'{one.name}' is also {seen[name]}; give each a name of its own"
            errors.append(FieldError(f"/stock/{place}/name", detail))
        seen.setdefault(name, f"material {place}")
    if errors:
        raise Invalid(*errors)
    refuse_bad_measures(asked.measures)
