"""The materials of a mix with their doubts: which figures are drawn, and which follow from them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from service.domain.errors import FieldError
from service.domain.recipes.in_force import figures_of
from service.domain.recipes.ingredient import CARBON_FORMS, Ingredient
from service.domain.recipes.origin import GIVEN, Origin

from .defaults import default_width
from .spread import Shape, Spread, Stated, spread

_CARBON_AND_NITROGEN: Final = ("carbon_pct", "nitrogen_pct", "carbon_nitrogen_ratio")


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A material whose figures are not known exactly.

    Attributes
    ----------
    name, category
        As of :class:`Ingredient`.
    figures
        What is drawn, by field. Of carbon, nitrogen and C:N never more than two, so that every draw is coherent.
    amounts
        ``mass_kg`` or ``volume_m3``, for a mix that is judged; empty for one that is solved for.
    """

    name: str
    figures: Mapping[str, Spread]
    category: str | None = None
    amounts: Mapping[str, Spread] = field(default_factory=dict)

    @property
    def derived(self) -> str | None:
        """Which of carbon, nitrogen and C:N follows from the drawn two; ``None`` when fewer are known."""
        known = [name for name in _CARBON_AND_NITROGEN if name in self.figures]
        if "volatile_solids_pct" in self.figures and "carbon_pct" not in known:
            known.append("carbon_pct")
        rest = [name for name in _CARBON_AND_NITROGEN if name not in known]
        return rest[0] if len(rest) == 1 else None

    def without_amounts(self) -> "Uncertain":
        """Return the material as such."""
        return replace(self, amounts={})

    def nominal(self) -> Ingredient:
        """Return the material with each figure at its value; not yet checked."""
        values: dict[str, Any] = {
            name: one.value for name, one in (*self.figures.items(), *self.amounts.items())
        }
        ratio = values.get("carbon_nitrogen_ratio")
        if "carbon_pct" in values and ratio is not None and "nitrogen_pct" not in values:
            del values["carbon_nitrogen_ratio"]
            values["nitrogen_pct"] = values["carbon_pct"] / ratio
        return Ingredient(self.name, category=self.category, **values)


def read_figures(stated: Mapping[str, Stated], pointer: str) -> tuple[dict[str, Spread], list[FieldError]]:
    """Turn stated figures into distributions.

    Parameters
    ----------
    stated
        By field; amounts may be among them.
    pointer
        Where the material stands in the request.

    Returns
    -------
    tuple
        The distributions, and what is wrong with the others.
    """
    errors = [fault for name, one in stated.items() for fault in one.faults(name, f"{pointer}/{name}")]
    if "carbon_pct" in stated and "carbon_nitrogen_ratio" in stated:
        detail = "carbon_pct and carbon_nitrogen_ratio are both given; give one of them, the third is derived"
        errors.append(FieldError(f"{pointer}/carbon_nitrogen_ratio", detail))
    return ({} if errors else {name: one.spread(name) for name, one in stated.items()}), errors


def material(given: Mapping[str, Spread], under: Ingredient) -> Uncertain:
    """Put a material together from what is given and, under it, what is known of its feedstock.

    Carbon varies less between samples of a material than nitrogen does, and C:N is the one over the other. So of a
    feedstock carbon is drawn, and of nitrogen and C:N the better known: measured or the organisation's own before
    published, printed with a range before without, the relatively narrower range first. The third is derived draw
    by draw. Figures given win: nitrogen alone stands beside the feedstock's carbon, a form of carbon beside the
    feedstock's nitrogen.

    Parameters
    ----------
    given
        Distributions by field, amounts among them.
    under
        The feedstock with its origins, whose ranges and accuracies are taken; of a name alone when there is none.

    Returns
    -------
    Uncertain
        Not yet checked.
    """
    amounts = {key: one for key, one in given.items() if key in ("mass_kg", "volume_m3")}
    figures = {key: one for key, one in given.items() if key not in amounts}
    known = figures_of(under)
    keys = [key for key in ("moisture_pct", "bulk_density_kg_m3") if key not in figures]
    for key in (*keys, *_carbon_and_nitrogen(known, under.origins, figures)):
        if key in known:
            figures[key] = of_origin(key, known[key], under.origins.get(key, GIVEN))
    return Uncertain(under.name, _needed(figures), under.category, amounts)


def _carbon_and_nitrogen(
    known: Mapping[str, float], origins: Mapping[str, Origin], given: Mapping[str, Spread]
) -> Sequence[str]:
    """Choose which of the feedstock's carbon, nitrogen and C:N are drawn beside the given ones."""
    if any(form in given for form in CARBON_FORMS):
        return () if "nitrogen_pct" in given else ("nitrogen_pct",)
    carbon = "carbon_pct" if "carbon_pct" in known else "carbon_nitrogen_ratio"
    if "nitrogen_pct" in given:
        return (carbon,)
    pair = [key for key in ("nitrogen_pct", "carbon_nitrogen_ratio") if key in known and key != carbon]
    return (carbon, *sorted(pair, key=lambda key: _doubt(known[key], origins.get(key, GIVEN)))[:1])


def _doubt(value: float, origin: Origin) -> tuple[bool, bool, bool, float]:
    """Order figures from the better known to the less."""
    has_range = origin.low is not None and origin.high is not None and value > 0
    breadth = ((origin.high or 0.0) - (origin.low or 0.0)) / value if has_range else 0.0
    return origin.came_from == "derived", origin.came_from == "library", not has_range, breadth


def of_origin(name: str, value: float, origin: Origin) -> Spread:
    """Return the distribution of a figure of a feedstock.

    Parameters
    ----------
    name, value
        The figure.
    origin
        An accuracy makes it normal; a printed range triangular with the peak at the value; neither leaves the
        default for the figure and its status.

    Returns
    -------
    Spread
        With its origin in words.
    """
    if origin.plus_minus is not None:
        width = origin.plus_minus
        words = f"{origin.came_from}: {origin.source}, its accuracy as stated"
        return spread(name, Shape.NORMAL, value, value - width, value + width, words)
    if origin.low is not None and origin.high is not None:
        words = f"{origin.came_from}: printed range, peak at the value; {origin.source}; {origin.status}"
        low, high = min(origin.low, value), max(origin.high, value)
        return spread(name, Shape.TRIANGULAR, value, low, high, words)
    width, words = default_width(name, value, origin.status)
    return spread(name, Shape.NORMAL, value, value - width, value + width, words)


def _needed(figures: dict[str, Spread]) -> dict[str, Spread]:
    """Leave out volatile solids that do not tell carbon, for something else does."""
    told = "carbon_pct" in figures or {"carbon_nitrogen_ratio", "nitrogen_pct"} <= set(figures)
    return {key: one for key, one in figures.items() if not (told and key == "volatile_solids_pct")}
