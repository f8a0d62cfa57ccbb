"""What puts a recorded pile right: its record, its site's stock and measures, and what it costs the rules' counts."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.compliance import Verdict, judge
from service.domain.errors import Conflict, Invalid
from service.domain.pile_remedies import FromRecord, PutOn, from_record, must_stand
from service.domain.piles import Event, Volume, built_volume, current_bay, of_kind, up_to
from service.domain.piles.volume import SAME_HEAP_WITHIN
from service.domain.recipes import Available, Ingredient, evaluate
from service.domain.remedies import Asked, Remedy, remedy
from service.operations import piles, stocks
from service.operations.recipes import OwnMaterials, material_of, own_materials
from service.operations.sites import measures_of
from service.operations.standing import Standing, standing
from service.storage import piles as stored
from service.storage import stocks as stored_stocks
from service.storage.histories import history_of, positions_of
from service.storage.piles import Loaded
from service.storage.recipes import ingredients_of
from service.storage.tables import BayRow


@dataclass(frozen=True)
class Kept:
    """A pile with its site's stock, read in one transaction.

    Attributes
    ----------
    loaded
        The pile.
    bay
        Where it stands now.
    own
        The organisation's own materials among those of its loads and of the stock.
    stock
        By feedstock, what there is fit for use today.
    """

    loaded: Loaded
    bay: BayRow | None
    own: OwnMaterials
    stock: dict[str, stocks.StockLimit]


@dataclass(frozen=True)
class Count:
    """What fresh material now would cost a rule's count, as its judge has it."""

    rule: str
    state: str
    held_days: float | None
    required_days: float | None
    state_after: str
    held_days_after: float | None
    words: str


@dataclass(frozen=True)
class PileRemedy:
    """A remedy from the record, what it rests on, and what it costs."""

    remedy: Remedy
    found: FromRecord
    standing: Standing
    counts: Sequence[Count]


def read(session: Session, caller: Caller, pile_id: UUID, *, now: datetime) -> Kept:
    """Read a pile and what its site has to put it right with.

    Raises
    ------
    NotFound
        No such pile for this key.
    """
    loaded = stored.load(session, piles.pile_of(session, caller, pile_id))
    site, organisation_id = loaded.site, caller.organisation_id
    events = up_to(loaded.events, now)
    bay_id = current_bay(loaded.pile.bay_id, events)
    codes = [book.feedstock for book in stored_stocks.books_of(session, organisation_id, site.id)]
    today = now.astimezone(ZoneInfo(site.time_zone)).date()
    loads = [code for one in of_kind(events, "load") if (code := one.details.get("feedstock")) is not None]
    return Kept(
        loaded,
        None if bay_id is None else session.get_one(BayRow, (organisation_id, bay_id)),
        own_materials(session, caller, [*codes, *loads], site_id=site.id),
        stocks.limits(session, caller, site.id, codes, today=today),
    )


def of_pile(kept: Kept, symptom: str, *, now: datetime) -> PileRemedy:
    """Work out what puts a recorded pile right; touches no record.

    Raises
    ------
    Invalid
        An unknown symptom.
    Conflict
        The pile is closed, or not built; its record does not tell what it is made of; material is needed and the site
        keeps no stock.
    """
    loaded = kept.loaded
    stands = standing(loaded, now=now)
    built_at = must_stand(stands.status, loaded.pile.built_at)
    events = up_to(loaded.events, now)
    put_on, has_water = _put_on(kept, events, built_at)
    found = from_record(
        put_on,
        events,
        positions_of(loaded),
        stands.status,
        built_at=built_at,
        symptom=symptom,
        recipe_has_water=has_water,
    )
    asked = Asked(
        symptom=symptom,
        state=found.state,
        evidence=found.evidence,
        stock=tuple(_stock(kept)),
        measures=measures_of(loaded.site.measures),
        bay_m3=None if kept.bay is None else kept.bay.volume_m3,
        keep_shut=any(one.code == "fire_danger" for one in stands.status.warnings),
    )
    if loaded.site.lifting_limit_kg:
        asked = replace(asked, lifting_limit_kg=loaded.site.lifting_limit_kg)
    told = remedy(asked)
    if told.needs_material and not kept.stock:
        raise Conflict(
            f"{told.because} That needs material, and {loaded.site.name} keeps no stock: record what there is with POST"
            f" /v1/sites/{loaded.site.id}/stock/movements (a count will do), or ask POST /v1/recipes/remedy with it"
        )
    return PileRemedy(told, found, stands, _counts(loaded, stands, now) if told.adds_material else ())


def _put_on(kept: Kept, events: Sequence[Event], built_at: datetime) -> tuple[list[PutOn], bool]:
    """Return what came on, and whether the build's water is among it: its loads, else its recipe."""
    loads = of_kind(events, "load")
    built = [_of_load(one, kept.own) for one in loads if one.at <= built_at]
    known = [one for one in built if one is not None]
    if known and len(known) == len(built):
        found, has_water = [PutOn(built_at, tuple(known), "Built of the loads on record.")], False
    else:
        found = list(_of_recipe(kept.loaded, events, built_at))
        has_water = any(one.is_all_water for made in found for one in made.ingredients)
    if not found:
        return [], False
    for one in (one for one in loads if one.at > built_at):
        material = _of_load(one, kept.own)
        if material is not None:
            found.append(PutOn(one.at, (material,), "Later loads on record are counted from their day on."))
        else:
            said = (
                f"The load of {one.at:%Y-%m-%d} is not counted: its feedstock or its amount is not on record."
            )
            found[0] = replace(found[0], basis=f"{found[0].basis} {said}")
    return found, has_water


def _of_load(load: Event, own: OwnMaterials) -> Ingredient | None:
    """Return a load as a material; ``None`` when its record does not tell which or how much."""
    code, mass, volume = load.details.get("feedstock"), load.number("mass_kg"), load.number("volume_m3")
    if code is None or (mass is None and volume is None):
        return None
    try:
        material = material_of(code, "/feedstock", own)
    except Invalid:
        return None
    if mass is None and material.bulk_density_kg_m3 is None:
        return None
    return replace(material, mass_kg=mass, volume_m3=volume if mass is None else None)


def _of_recipe(loaded: Loaded, events: Sequence[Event], built_at: datetime) -> Iterator[PutOn]:
    """Yield the recipe at the size the pile was built to; as it is written where that is not known."""
    if loaded.recipe is None:
        return
    listed = ingredients_of(loaded.recipe.ingredients)
    made = evaluate(listed)
    volume = built_volume(events, built_at) or _told_at_build(events, built_at)
    whole = made.settled_volume_m3 if volume is not None and volume.basis == "measured" else made.volume_m3
    scale = 1.0 if volume is None or not whole else volume.volume_m3 / whole
    size = (
        "as it is written"
        if volume is None or not whole
        else f"at the {volume.volume_m3:.2f} m3 it was built to"
    )
    scaled = tuple(
        replace(one, mass_kg=scale * portion.mass_kg, volume_m3=None)
        for one, portion in zip(listed, made.ingredients, strict=True)
    )
    yield PutOn(
        built_at, scaled, f"Built by its recipe, {loaded.recipe.name}, {size}; not every load tells enough."
    )


def _told_at_build(events: Sequence[Event], built_at: datetime) -> Volume | None:
    """Return the first volume told within a day of the build, of a pile whose loads are not on record."""
    for one in of_kind(events, "observe", "turn"):
        told = one.number("volume_m3")
        if told is not None and built_at <= one.at <= built_at + SAME_HEAP_WITHIN:
            return Volume(told, "measured", one.at)
    return None


def _stock(kept: Kept) -> Iterator[Available]:
    """Yield what there is, each under a name of its own; what cannot be told in kg counts as none."""
    names: set[str] = set()
    for code, limit in kept.stock.items():
        material = material_of(code, "/stock", kept.own)
        name = material.name if material.name.casefold() not in names else f"{material.name} ({code})"
        names.add(name.casefold())
        yield Available(replace(material, name=name), max_kg=limit.max_kg or 0.0)


def _counts(loaded: Loaded, stands: Standing, now: datetime) -> list[Count]:
    """Judge each of the pile's rules once more as if fresh material had come on now."""
    if not stands.verdicts:
        return []
    zone, history = ZoneInfo(loaded.site.time_zone), history_of(loaded, now=now)
    with_fresh = replace(history, restarts=(*history.restarts, now))
    return [
        _count(rule, verdict, judge(loaded.book[rule], with_fresh, judged_at=now, time_zone=zone))
        for rule, verdict in stands.verdicts.items()
    ]


def _count(rule: str, verdict: Verdict, after: Verdict) -> Count:
    held = 0.0 if verdict.held_days is None else verdict.held_days
    lost = held - (after.held_days or 0.0)
    if verdict.state == "met" and after.state != "met":
        words = f"{rule} is met now; fresh material opens it again, and its heat must be held anew."
    elif lost > 0:
        required = "" if verdict.required_days is None else f" of {verdict.required_days:g}"
        words = (
            f"{rule}: fresh material starts its count again; {lost:.1f}{required} days held so far are lost."
        )
    elif verdict.state == "met":
        words = f"{rule} would still read as met, but what is put on now has not been through its heat."
    else:
        words = f"{rule}: fresh material starts its count again; no day was counted so far."
    return Count(
        rule, verdict.state, verdict.held_days, verdict.required_days, after.state, after.held_days, words
    )
