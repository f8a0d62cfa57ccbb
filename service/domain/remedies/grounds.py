"""What the record shows of each cause: how much it speaks for it, and in which words.

Weights rank and no more: common practice, no source. ``None`` where the record does not tell.
"""

from collections.abc import Callable, Mapping
from typing import Final

from service.domain.published import plain

from .evidence import Evidence
from .figures import FIGURES
from .state import PresentState

LIKELY: Final = 0.6
_HOT_C: Final = 65.0
_WORKING_C: Final = 55.0
_LATELY_DAYS: Final = 5.0
_WEEK: Final = 7.0
_ESTIMATE_COUNTS: Final = 0.6
"""How much a moisture that nobody felt counts beside one that was."""

_Shown = tuple[float, str] | None


def _moisture(state: PresentState) -> str:
    how = {"sample": "a sample", "squeeze": "a squeezed handful", "given": "as given", "symptom": "as told"}
    basis = how.get(state.moisture_from, "reckoned from its heat, nobody felt it")
    return f"Moisture about {plain(state.moisture_pct.value)} % ({basis})."


def _weighed(state: PresentState, weight: float, prior: float) -> tuple[float, str]:
    if state.moisture_from == "estimate":
        weight = _ESTIMATE_COUNTS * weight + (1 - _ESTIMATE_COUNTS) * prior
    return weight, _moisture(state)


def _dry(state: PresentState, evidence: Evidence) -> _Shown:
    del evidence
    moisture = state.moisture_pct.value
    if moisture <= FIGURES["moisture_dry_pct"].value:
        return _weighed(state, 0.9, 0.3)
    return _weighed(state, 0.6 if moisture < FIGURES["moisture_from_pct"].value else 0.1, 0.3)


def _wet(state: PresentState, evidence: Evidence) -> _Shown:
    del evidence
    moisture = state.moisture_pct.value
    if moisture >= FIGURES["moisture_wet_pct"].value:
        return _weighed(state, 0.9, 0.3)
    return _weighed(state, 0.6 if moisture > FIGURES["moisture_up_to_pct"].value else 0.1, 0.3)


def _small(state: PresentState, evidence: Evidence) -> _Shown:
    del evidence
    if state.volume_m3 is None:
        return None
    volume, enough = state.volume_m3.value, FIGURES["hot_pile_m3"].value
    weight = 0.8 if volume < 0.7 * enough else 0.6 if volume < enough else 0.1
    return weight, f"It stands at about {plain(volume)} m3; {plain(enough)} m3 hold heat."


def _no_nitrogen(state: PresentState, evidence: Evidence) -> _Shown:
    del evidence
    if state.carbon_nitrogen_ratio is None:
        return None
    ratio = state.carbon_nitrogen_ratio.value
    weight = (
        0.8 if ratio > FIGURES["ratio_high"].value else 0.4 if ratio > FIGURES["ratio_goal"].value else 0.1
    )
    return weight, f"C:N is about {plain(ratio)} now; up to {plain(FIGURES['ratio_high'].value)} works."


def _rich(state: PresentState, evidence: Evidence) -> _Shown:
    ratio, when = evidence.built_ratio, "was about {} when it was built"
    if ratio is None and state.carbon_nitrogen_ratio is not None:
        ratio, when = state.carbon_nitrogen_ratio.value, "is about {} now"
    if ratio is None:
        return None
    goal = FIGURES["ratio_goal"]
    weight = 0.9 if ratio < goal.least else 0.55 if ratio < goal.value else 0.15
    return (
        weight,
        f"C:N {when.format(plain(ratio))}; {plain(goal.least)} to {plain(goal.value)} is preferred.",
    )


def _finished(state: PresentState, evidence: Evidence) -> _Shown:
    del evidence
    if state.gone_share is None:
        return None
    gone, much = state.gone_share.value, FIGURES["finished_share"].value
    weight = 0.75 if gone >= much else 0.45 if gone >= much - 0.1 else 0.1
    return weight, f"About {gone:.0%} of what microbes can take has gone."


def _unturned(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    since = evidence.since_turn_days
    if since is None:
        return None
    weight = 0.6 if since >= FIGURES["long_unturned_days"].value else 0.35 if since >= _LATELY_DAYS else 0.1
    return weight, _turned(evidence, since)


def _turned(evidence: Evidence, since: float) -> str:
    return (
        f"Last turned {since:.0f} days ago."
        if evidence.was_turned
        else f"Not turned in the {since:.0f} days since it was built."
    )


def _airless(state: PresentState, evidence: Evidence) -> _Shown:
    if evidence.smell == "sour":
        return 0.8, "It smelt sour."
    return _unturned(state, evidence)


def _just_turned(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    since = evidence.since_turn_days
    if since is None or evidence.was_turned is None:
        return None
    is_recent = evidence.was_turned and since <= FIGURES["reheats_days"].value
    return (0.85 if is_recent else 0.02), _turned(evidence, since)


def _newly_built(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    if evidence.age_days is None:
        return None
    is_young = evidence.age_days <= FIGURES["young_days"].value
    return (0.85 if is_young else 0.02), f"It is {evidence.age_days:.0f} days old."


def _acid(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    if evidence.age_days is None:
        return None
    return (0.4 if evidence.age_days <= _WEEK else 0.05), f"It is {evidence.age_days:.0f} days old."


def _frost(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    if evidence.air_c is None:
        return None
    is_cold = evidence.air_c < FIGURES["frost_c"].value
    return (0.5 if is_cold else 0.05), f"The air is at {evidence.air_c:.0f} °C."


def _rain(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    if evidence.is_covered is None:
        return 0.45, "No cover is on record."
    return (0.15, "It is covered.") if evidence.is_covered else (0.7, "It is uncovered.")


def _wind(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    if evidence.is_covered is None:
        return None
    return (0.1, "It is covered.") if evidence.is_covered else (0.4, "It is uncovered.")


def _watered(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    if evidence.watered_l is None:
        return None
    since = evidence.since_water_days
    if since is None:
        return 0.05, "No water is on record since it was built."
    weight = 0.6 if since <= _LATELY_DAYS else 0.15
    return weight, f"Water was last given {since:.0f} days ago, {plain(evidence.watered_l)} L in all."


def _ran_off(state: PresentState, evidence: Evidence) -> _Shown:
    given = _watered(state, evidence)
    if given is None:
        return None
    return (0.7 if evidence.since_water_days is not None and given[0] >= LIKELY else 0.1), given[1]


def _unwatered(state: PresentState, evidence: Evidence) -> _Shown:
    given = _watered(state, evidence)
    if given is None or evidence.age_days is None:
        return None
    since = evidence.age_days if evidence.since_water_days is None else evidence.since_water_days
    return (0.65 if since >= _WEEK else 0.15), given[1]


def _heat(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    if evidence.peak_c is None or evidence.age_days is None:
        return None
    is_long = evidence.peak_c >= _WORKING_C and evidence.age_days >= _WEEK
    return (0.75 if is_long else 0.2), f"Its highest reading is {evidence.peak_c:.0f} °C."


def _built(dry: bool) -> Callable[[PresentState, Evidence], _Shown]:  # noqa: FBT001 - which of two
    def shown(state: PresentState, evidence: Evidence) -> _Shown:
        del state
        moisture = evidence.built_moisture_pct
        if moisture is None:
            return None
        far, near = (
            (moisture < FIGURES["moisture_dry_pct"].value, moisture < FIGURES["moisture_from_pct"].value)
            if dry
            else (
                moisture > FIGURES["moisture_wet_pct"].value,
                moisture > FIGURES["moisture_up_to_pct"].value,
            )
        )
        return (
            0.85 if far else 0.6 if near else 0.1
        ), f"The mix was at about {plain(moisture)} % when built."

    return shown


def _hot(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    if evidence.hottest_c is None:
        return None
    return (
        0.6 if evidence.hottest_c >= _HOT_C else 0.15
    ), f"The hottest place reads {evidence.hottest_c:.0f} °C."


def _first_peak(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    if evidence.age_days is None:
        return None
    return (0.6 if evidence.age_days <= 2 * _WEEK else 0.15), f"It is {evidence.age_days:.0f} days old."


def _caustic(state: PresentState, evidence: Evidence) -> _Shown:
    del state
    if evidence.is_caustic is None:
        return None
    return (
        (0.85, "Ash or lime is on record.") if evidence.is_caustic else (0.05, "No ash or lime is on record.")
    )


def _fine(state: PresentState, evidence: Evidence) -> _Shown:
    del evidence
    weights = {"fine": 0.55, "mixed": 0.3, "straw": 0.1, "wood": 0.05}
    return weights[state.structure], f"Its structure is taken as {state.structure}."


def _large(state: PresentState, evidence: Evidence) -> _Shown:
    del evidence
    if state.volume_m3 is None:
        return None
    volume = state.volume_m3.value
    return (
        0.5 if volume >= FIGURES["large_pile_m3"].value else 0.1
    ), f"It stands at about {plain(volume)} m3."


def _untold(state: PresentState, evidence: Evidence) -> _Shown:
    del state, evidence
    return None


RULES: Final[Mapping[str, Callable[[PresentState, Evidence], _Shown]]] = {
    "acid": _acid,
    "airless": _airless,
    "built_dry": _built(dry=True),
    "built_wet": _built(dry=False),
    "caustic": _caustic,
    "dry": _dry,
    "dry_hot": _dry,
    "fine": _fine,
    "finished": _finished,
    "first_peak": _first_peak,
    "frost": _frost,
    "heat": _heat,
    "hot": _hot,
    "just_turned": _just_turned,
    "large": _large,
    "lumps": _untold,
    "no_nitrogen": _no_nitrogen,
    "packed": _unturned,
    "rain": _rain,
    "ran_off": _ran_off,
    "rich": _rich,
    "settled": _unturned,
    "small": _small,
    "unturned": _unturned,
    "unwatered": _unwatered,
    "watered": _watered,
    "wet": _wet,
    "wind": _wind,
    "young": _newly_built,
}
