"""Which materials do for what: dry browns, browns, coarse browns, greens."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from service.domain.build_sheets.practice import handling_of
from service.domain.published import plain
from service.domain.recipes import Available

from .figures import FIGURES

Role = Literal["dry_brown", "brown", "coarse", "green"]

ROLE_WORDS: Final[dict[Role, str]] = {
    "dry_brown": "dry brown material",
    "brown": "brown material",
    "coarse": "dry, coarse brown material",
    "green": "green material",
}
NOTHING_KG: Final = 1e-6
_COARSE: Final = 2
_DRIER_BY_POINTS: Final = 10.0
"""A material hardly drier than the goal would have to be heaped on; common practice, no source."""
_NEVER: Final = {
    "fertiliser": "released faster than microbes take it; a computed dose would be wrong",
    "human-waste": "not onto a working pile: sanitary rules of its own apply",
    "animal-by-product": "not onto a working pile: most countries license it",
    "nitrogen-supplement": "too strong to be mixed in evenly by fork",
}


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A material in stock that is of no use here, and why."""

    name: str
    because: str


def sorted_out(
    stock: Sequence[Available], role: Role, *, needs_ratio: bool, needs_density: bool
) -> tuple[list[Available], tuple[LeftOut, ...]]:
    """Part the stock into what does for a role and what does not.

    Parameters
    ----------
    stock
        What there is.
    role
        What it is for.
    needs_ratio
        C:N of the mix is reckoned, so that of the material must be known.
    needs_density
        The bay or the air space limits it, so its bulk density must be known.
    """
    usable, left_out = list[Available](), list[LeftOut]()
    for one in stock:
        fault = unfit(one, role, needs_ratio=needs_ratio, needs_density=needs_density)
        if fault is None:
            usable.append(one)
        else:
            left_out.append(LeftOut(one.name, fault))
    return usable, tuple(left_out)


def unfit(one: Available, role: Role, *, needs_ratio: bool, needs_density: bool) -> str | None:
    """Say why a material does not do for a role; ``None`` when it does."""
    made = one.ingredient
    if made.category in _NEVER:
        return _NEVER[made.category]
    if one.max_kg is not None and one.max_kg < NOTHING_KG:
        return (
            "there is none left"
            if made.bulk_density_kg_m3 is not None
            else "there is none left, or nobody can tell its mass: its bulk density is not known"
        )
    if made.moisture_pct is None:
        return "its moisture is not known; dry a sample or squeeze a handful"
    if needs_density and made.bulk_density_kg_m3 is None:
        return "its bulk density is not known, so nobody can tell whether it fits in; weigh a bucket of it"
    return (
        _too_wet(one, role)
        or _not_coarse(one, role)
        or _wrong_ratio(one, role, needs_ratio=needs_ratio or role in {"brown", "green"})
    )


def _too_wet(one: Available, role: Role) -> str | None:
    moisture = one.ingredient.moisture_pct or 0.0
    driest = FIGURES["moisture_goal_pct"].value - _DRIER_BY_POINTS
    if role in {"dry_brown", "coarse"} and moisture > driest:
        return f"too wet itself: {plain(moisture)} %"
    return None


def _not_coarse(one: Available, role: Role) -> str | None:
    made = one.ingredient
    if role == "coarse" and handling_of(made.name, made.category).coarse < _COARSE:
        return "not coarse: it would fill the gaps instead of opening them"
    return None


def _wrong_ratio(one: Available, role: Role, *, needs_ratio: bool) -> str | None:
    ratio = one.ingredient.ratio
    if ratio is None or one.ingredient.nitrogen_of_dry_pct is None:
        return "its carbon or nitrogen is not known" if needs_ratio else None
    goal = FIGURES["ratio_goal"]
    if role == "green":
        return None if ratio < goal.least else f"no green: C:N {plain(ratio)}"
    return None if ratio > goal.value else f"too rich in nitrogen: C:N {plain(ratio)}"
