"""A build sheet: what goes into each layer, how high it then stands, and what mix that really is."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from service.domain.errors import Invalid
from service.domain.recipes import Evaluation, Ingredient, evaluate

from .labour import heavy, minutes_for
from .layering import Bed, ends_of, fewer_rounds, lay, odd_rounds, rounds_of
from .materials import Counted, Material, count_out, materials_of
from .parts import Layer, Load, Part
from .place import height_part
from .request import BuildRequest, refuse_bad_request
from .watering import Water, goal_of, water_for

SAME_FILL_PCT = 3.0
"""Whole measures that come this near to the full bay fill it: loose volumes are told no better. Common practice."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a crew builds.

    Attributes
    ----------
    request
        What was asked.
    scale
        What the recipe's amounts were multiplied by.
    rounds
        How often the pattern of brown and green is repeated.
    loads, layers
        By material, in the order of the recipe; by layer, from the bottom.
    water
        For all layers.
    planned, loaded
        The mix by the recipe, scaled, and as it is really loaded, with the water given.
    loose_m3
        Sum of the loose volumes loaded; ``None`` when one is not known.
    fill_pct
        Of the place's volume, after the shrink on mixing; ``None`` without a place.
    mark_cm, full_cm
        Where this load ends, and the mark of the full place; ``None`` when its height is not known.
    minutes
        For the crew; ``None`` without a volume.
    """

    request: BuildRequest
    scale: float
    rounds: int
    loads: tuple[Load, ...]
    layers: tuple[Layer, ...]
    water: Water
    planned: Evaluation
    loaded: Evaluation
    loose_m3: float | None
    fill_pct: float | None
    mark_cm: float | None
    full_cm: float | None
    minutes: int | None


def draw_up(request: BuildRequest) -> Sheet:
    """Draw up a build sheet.

    Parameters
    ----------
    request
        The mix, the measures and the place.

    Returns
    -------
    Sheet
        Each material in the whole number of measures nearest to the recipe, dealt to the layers by largest
        remainders; what is left of the difference is evaluated and shown, not hidden.

    Raises
    ------
    Invalid
        A figure, an amount, a measure or a place cannot be; a material cannot be measured with what there is.
    """
    refuse_bad_request(request)
    ingredients = [one.ingredient for one in request.wanted]
    asked = evaluate(ingredients, mixing_shrink_pct=request.mixing_shrink_pct)
    masses = [portion.mass_kg for portion in asked.ingredients]
    scale = _scale(request, ingredients, masses)
    scaled = [
        replace(one, mass_kg=mass * scale, volume_m3=None)
        for one, mass in zip(ingredients, masses, strict=True)
    ]
    planned = evaluate(scaled, mixing_shrink_pct=request.mixing_shrink_pct)
    materials = materials_of(request, scale, masses)
    if not materials:
        raise Invalid.field("/ingredients", "this mix is water alone; name what it is to wet")
    rounds, counted, beds = _laid(request, materials)
    can = next((one for one in request.measures if one.kind == "can"), None)
    has_water = any(one.is_all_water for one in ingredients)
    water = water_for(beds, goal_of(planned, has_water=has_water), can)
    return _gathered(request, scale, planned, rounds, counted, beds, water)


def _scale(request: BuildRequest, ingredients: Sequence[Ingredient], masses: Sequence[float]) -> float:
    """Return what fills the place: water soaks in, so the solids alone take room."""
    if request.place is None:
        return 1.0
    loose_m3 = 0.0
    for place, (one, mass_kg) in enumerate(zip(ingredients, masses, strict=True)):
        if one.is_all_water:
            continue
        if one.bulk_density_kg_m3 is None:
            detail = (
                f"how much {one.name} fills the bay cannot be told without its bulk density; weigh a bucket of it, or"
                " leave the bay out"
            )
            raise Invalid.field(f"/ingredients/{place}/bulk_density_kg_m3", detail)
        loose_m3 += mass_kg / one.bulk_density_kg_m3
    if not loose_m3:
        raise Invalid.field("/ingredients", "this mix is water alone; name what it is to wet")
    return request.place.volume_m3 / (loose_m3 * (1 - request.mixing_shrink_pct / 100))


def _laid(request: BuildRequest, materials: Sequence[Material]) -> tuple[int, list[Counted], list[Bed]]:
    """Lay the materials in the number of rounds that makes the rounds most alike."""
    ends = ends_of(materials, request.place)
    best: tuple[int, int, list[Counted], list[Bed]] | None = None
    for wished in rounds_of(materials, ends, request.place, layers=request.layers, layer_cm=request.layer_cm):
        needed = [wished + (one is ends.bottom) + (one is ends.top) for one in materials]
        counted = count_out(materials, request.measures, needed)
        rounds = wished if request.layers is not None else fewer_rounds(counted, wished)
        beds = lay(counted, ends, rounds)
        odd = odd_rounds(beds, rounds)
        if best is None or odd < best[0]:
            best = (odd, rounds, counted, beds)
    assert best is not None
    return best[1:]


def _gathered(
    request: BuildRequest,
    scale: float,
    planned: Evaluation,
    rounds: int,
    counted: Sequence[Counted],
    beds: Sequence[Bed],
    water: Water,
) -> Sheet:
    volumes = [bed.volume_m3 for bed in beds]
    known = [one for one in volumes if one is not None]
    loose_m3 = sum(known) if len(known) == len(volumes) else None
    place = request.place
    fill = None
    if place is not None and loose_m3 is not None:
        fill = loose_m3 * (1 - request.mixing_shrink_pct / 100) / place.volume_m3
    full_cm = None if place is None or place.height_m is None else 100 * place.height_m
    layers = _layers(request, beds, water, fill=fill, full_cm=full_cm)
    return Sheet(
        request=request,
        scale=scale,
        rounds=rounds,
        loads=tuple(_load(one, request.lifting_limit_kg) for one in counted),
        layers=layers,
        water=water,
        planned=planned,
        loaded=_loaded(counted, water, request.mixing_shrink_pct),
        loose_m3=loose_m3,
        fill_pct=None if fill is None else 100 * fill,
        mark_cm=layers[-1].top_cm,
        full_cm=full_cm,
        minutes=minutes_for(loose_m3, request.people, request.m3_per_person_hour),
    )


def _loaded(counted: Sequence[Counted], water: Water, shrink_pct: float) -> Evaluation:
    solids = [replace(one.material.ingredient, mass_kg=one.mass_kg) for one in counted]
    given = [Ingredient("water", moisture_pct=100.0, bulk_density_kg_m3=1000.0, mass_kg=water.total_l)]
    return evaluate(solids + (given if water.total_l else []), mixing_shrink_pct=shrink_pct)


def _load(one: Counted, limit_kg: float) -> Load:
    planned = one.material.mass_kg
    return Load(
        ingredient=one.material.place,
        name=one.material.ingredient.name,
        category=one.material.ingredient.category,
        measure=one.measure,
        count=one.count,
        mass_per_measure_kg=one.unit_kg,
        planned_kg=planned,
        loaded_kg=one.mass_kg,
        difference_pct=100 * (one.mass_kg / planned - 1),
        volume_m3=None if one.unit_m3 is None else one.count * one.unit_m3,
        is_brown=one.material.is_brown,
        handling=one.material.handling,
        is_heavy=heavy(one.measure.kind, one.unit_kg, limit_kg),
    )


def _layers(
    request: BuildRequest, beds: Sequence[Bed], water: Water, *, fill: float | None, full_cm: float | None
) -> tuple[Layer, ...]:
    tops = _tops(request, beds, fill)
    layers: list[Layer] = []
    below_cm = 0.0
    for number, (bed, halves, top) in enumerate(zip(beds, water.halves, tops, strict=True), start=1):
        top_cm = None if top is None or full_cm is None else top * full_cm
        layers.append(
            Layer(
                number=number,
                role=bed.role,
                round=bed.round,
                parts=tuple(_part(one.counted, one.count) for one in bed.portions),
                water_l=halves * water.half_l,
                cans=halves / 2,
                mass_kg=bed.mass_kg,
                volume_m3=bed.volume_m3,
                thickness_cm=None if top_cm is None else top_cm - below_cm,
                top_pct=None if top is None else 100 * top,
                top_cm=top_cm,
            )
        )
        below_cm = top_cm or 0.0
    return tuple(layers)


def _tops(request: BuildRequest, beds: Sequence[Bed], fill: float | None) -> list[float | None]:
    """Return how high the pile stands on each layer, as a part of the full height."""
    volumes = [bed.volume_m3 for bed in beds]
    known = [one for one in volumes if one is not None]
    if len(known) < len(volumes):
        return [None] * len(beds)
    reach = 1.0 if fill is None or abs(100 * fill - 100) <= SAME_FILL_PCT else fill
    shape = "walls" if request.place is None else request.place.shape
    total, below, tops = sum(known), 0.0, []
    for one in known:
        below += one
        tops.append(height_part(shape, reach * min(1.0, below / total)))
    return [*tops[:-1], height_part(shape, reach)]


def _part(one: Counted, count: int) -> Part:
    return Part(
        ingredient=one.material.place,
        name=one.material.ingredient.name,
        measure=one.measure.name,
        kind=one.measure.kind,
        count=count,
        mass_kg=count * one.unit_kg,
        volume_m3=None if one.unit_m3 is None else count * one.unit_m3,
    )
