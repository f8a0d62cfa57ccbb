"""What is asked of a build sheet, checked whole before anything is computed."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from service.domain.errors import FieldError, Invalid
from service.domain.recipes import Ingredient

from .measures import Measure, refuse_bad_measures
from .place import Place
from .practice import PRACTICE

MOST_PEOPLE: Final = 200
MOST_LAYERS: Final = 40
_RATES: Final = (0.05, 100.0)
_LAYERS_CM: Final = (2.0, 100.0)
_LIMITS_KG: Final = (1.0, 100.0)


@dataclass(frozen=True, slots=True)
class Wanted:
    """A material of the mix.

    Attributes
    ----------
    ingredient
        With its amount.
    measure
        Name of the measure to load it with; ``None`` leaves the choice to the sheet.
    """

    ingredient: Ingredient
    measure: str | None = None


@dataclass(frozen=True, slots=True)
class BuildRequest:
    """A mix to be built.

    Attributes
    ----------
    title
        What the recipe is called.
    wanted
        Its materials; water among them is given with the can.
    measures
        What the crew measures with.
    place
        What to fill: the amounts are scaled to it. ``None`` keeps the amounts.
    people
        How many build.
    layers
        At most so many layers, the bottom and the top one counted; ``None`` follows ``layer_cm``.
    layer_cm
        How thick a brown or green layer should be [cm]; ``None`` takes what is usual, and of that what makes the
        rounds most alike.
    m3_per_person_hour
        Loose volume one person loads in an hour.
    mixing_shrink_pct
        Volume lost when fines fill the voids of coarse material, % of the summed loose volumes.
    lifting_limit_kg
        What one person of this crew may lift.
    """

    title: str
    wanted: tuple[Wanted, ...]
    measures: tuple[Measure, ...]
    place: Place | None = None
    people: int = 2
    layers: int | None = None
    layer_cm: float | None = None
    m3_per_person_hour: float = field(default=PRACTICE["m3_per_person_hour"].value)
    mixing_shrink_pct: float = 0.0
    lifting_limit_kg: float = field(default=PRACTICE["lifting_limit_kg"].value)


def refuse_bad_request(request: BuildRequest) -> None:
    """Refuse what no sheet can be made of.

    Raises
    ------
    Invalid
        Measures nobody can use or none at all, nobody to build, an amount of 0, a layer or a rate out of bounds.
    """
    if not any(one.kind != "can" for one in request.measures):
        detail = (
            "no barrow, bucket, fork or scale is given; say what the crew measures with and what it holds"
        )
        raise Invalid.field("/measures", detail)
    refuse_bad_measures(request.measures)
    errors = [*_counts(request), *_figures(request), *_amounts(request.wanted)]
    if errors:
        raise Invalid(*errors)


def _counts(request: BuildRequest) -> list[FieldError]:
    errors = []
    if not 1 <= request.people <= MOST_PEOPLE:
        detail = f"{request.people} people cannot build a pile; give 1 to {MOST_PEOPLE}"
        errors.append(FieldError("/people", detail))
    if request.layers is not None and not 1 <= request.layers <= MOST_LAYERS:
        detail = (
            f"{request.layers} is not between 1 and {MOST_LAYERS} layers; leave it out to follow the height"
        )
        errors.append(FieldError("/layers", detail))
    return errors


def _figures(request: BuildRequest) -> list[FieldError]:
    bounds = (
        ("layer_cm", request.layer_cm, _LAYERS_CM, "a layer of 10 to 20 cm is usual"),
        ("m3_per_person_hour", request.m3_per_person_hour, _RATES, "by hand 1 to 3 is usual"),
        ("lifting_limit_kg", request.lifting_limit_kg, _LIMITS_KG, "give what one person may lift, in kg"),
    )
    return [
        FieldError(f"/{name}", f"{value:g} is not between {low:g} and {high:g}; {remedy}")
        for name, value, (low, high), remedy in bounds
        if value is not None and not low <= value <= high
    ]


def _amounts(wanted: Sequence[Wanted]) -> list[FieldError]:
    errors = []
    for place, one in enumerate(wanted):
        for name in ("mass_kg", "volume_m3"):
            if getattr(one.ingredient, name) == 0:
                detail = (
                    f"0 of {one.ingredient.name} cannot be loaded; leave it out, or give an amount above 0"
                )
                errors.append(FieldError(f"/ingredients/{place}/{name}", detail))
    return errors
