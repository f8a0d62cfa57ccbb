"""A build sheet as it is answered."""

from typing import Literal

from pydantic import Field

from service.domain.build_sheets import PRACTICE, Load, Sheet, Wording, handling_words, wording_of
from service.http.build_measures import MeasureOut
from service.http.values import Out

Status = str


class SheetPartOut(Out):
    """Whole measures of one material in one layer."""

    name: str
    measure: str
    kind: str
    count: int
    mass_kg: float
    volume_m3: float | None


class LayerOut(Out):
    """A layer, from the bottom; heights are null when they are not known."""

    number: int
    role: Literal["bottom", "brown", "green", "top"]
    round: int = Field(description="From 1; 0 outside the rounds.")
    parts: list[SheetPartOut]
    water_l: float
    cans: float
    mass_kg: float
    volume_m3: float | None
    thickness_cm: float | None
    top_pct: float | None = Field(description="Of the full mark; without a bay, of the built height.")
    top_cm: float | None


class ChoppingOut(Out):
    """How a material is prepared, with the source."""

    low_mm: float | None
    high_mm: float | None
    words: str
    source: str
    status: str


class MaterialOut(Out):
    """A material in the whole pile, against the recipe."""

    name: str
    laid_as: Literal["brown", "green"]
    measure: MeasureOut
    count: int
    mass_per_measure_kg: float
    is_heavy: bool = Field(description="One full measure asks more of one person than the lifting limit.")
    planned_kg: float
    loaded_kg: float
    difference_pct: float
    volume_m3: float | None
    preparation: ChoppingOut

    @classmethod
    def of(cls, load: Load) -> "MaterialOut":
        """Return a material's line."""
        told = {
            name: getattr(load, name)
            for name in cls.model_fields.keys() - {"laid_as", "preparation", "measure"}
        }
        kind = load.handling
        preparation = ChoppingOut(
            low_mm=kind.low_mm,
            high_mm=kind.high_mm,
            words=handling_words(kind),
            source=kind.source,
            status=kind.status,
        )
        laid_as = "brown" if load.is_brown else "green"
        return cls(
            **told, laid_as=laid_as, measure=MeasureOut.model_validate(load.measure), preparation=preparation
        )


class MixOut(Out):
    """What a mix is; null is unknown."""

    mass_kg: float
    dry_mass_kg: float | None
    moisture_pct: float | None
    carbon_nitrogen_ratio: float | None
    bulk_density_kg_m3: float | None
    free_air_space_pct: float | None


class WaterOut(Out):
    """Water for the whole pile."""

    total_l: float | None = Field(
        description="Null: the mix's moisture is not known, so the squeeze test decides."
    )
    can: MeasureOut
    cans: float
    goal_pct: float | None = Field(description="The moisture it brings; null when none is to be added.")


class FillOut(Out):
    """How full the bay gets, and where the mark is."""

    bay: str | None
    shape: Literal["walls", "ridge"] | None
    bay_volume_m3: float | None
    scale: float = Field(description="What the recipe's amounts were multiplied by.")
    loose_m3: float | None = Field(description="Sum of the loose volumes loaded.")
    mixing_shrink_pct: float
    loaded_of_full_pct: float | None
    fill_mark_cm: float | None
    full_mark_cm: float | None
    next_day_lower_pct: list[float] = Field(description="From, to.")


class TimeOut(Out):
    """How long the crew needs; fetching and chopping are extra."""

    people: int
    m3_per_person_hour: float
    minutes: int | None


class LineOut(Out):
    """One thing to bring, and the rounds in which it is another number."""

    amount: str
    what: str
    differs: str


class StepOut(Out):
    """One layer, or one that comes back in each round."""

    number: int
    title: str
    lines: list[LineOut]
    height: str


class WordingOut(Out):
    """The words that the text and the printed page carry."""

    title: str
    place: str
    facts: list[str]
    before: list[str]
    bottom: StepOut | None
    repeat: str
    rounds: list[StepOut]
    heights: list[tuple[int, str]]
    top: StepOut | None
    mark: str
    finish: list[str]
    care: list[str]
    record: list[str]
    figures: list[str]


class PracticeOut(Out):
    """A figure of good practice that the sheet rests on."""

    figure: str
    value: float
    low: float | None
    high: float | None
    source: str
    status: str


class BuildSheetOut(Out):
    """What goes into each layer, how high it then stands, and what mix that really is."""

    recipe: str
    rounds: int
    layers: list[LayerOut]
    materials: list[MaterialOut]
    water: WaterOut
    fill: FillOut
    planned: MixOut = Field(description="The recipe, scaled.")
    loaded: MixOut = Field(description="What the whole measures and the water really make.")
    time: TimeOut
    lifting_limit_kg: float
    wording: WordingOut
    practice: list[PracticeOut]

    @classmethod
    def of(cls, sheet: Sheet, words: Wording | None = None) -> "BuildSheetOut":
        """Return a sheet's answer."""
        request = sheet.request
        return cls(
            recipe=request.title,
            rounds=sheet.rounds,
            layers=[LayerOut.model_validate(one) for one in sheet.layers],
            materials=[MaterialOut.of(one) for one in sheet.loads],
            water=_water(sheet),
            fill=_fill(sheet),
            planned=MixOut.model_validate(sheet.planned),
            loaded=MixOut.model_validate(sheet.loaded),
            time=TimeOut(
                people=request.people, m3_per_person_hour=request.m3_per_person_hour, minutes=sheet.minutes
            ),
            lifting_limit_kg=request.lifting_limit_kg,
            wording=WordingOut.model_validate(words or wording_of(sheet)),
            practice=[PracticeOut.model_validate({"figure": name, **_told(name)}) for name in PRACTICE],
        )


def _told(name: str) -> dict[str, object]:
    figure = PRACTICE[name]
    return {field: getattr(figure, field) for field in ("value", "low", "high", "source", "status")}


def _water(sheet: Sheet) -> WaterOut:
    water = sheet.water
    return WaterOut(
        total_l=None if sheet.planned.moisture_pct is None else water.total_l,
        can=MeasureOut.model_validate(water.can),
        cans=sum(water.halves) / 2,
        goal_pct=water.goal_pct,
    )


def _fill(sheet: Sheet) -> FillOut:
    place, settle = sheet.request.place, PRACTICE["next_day_lower_pct"]
    return FillOut(
        bay=None if place is None else place.label,
        shape=None if place is None else place.shape,
        bay_volume_m3=None if place is None else place.volume_m3,
        scale=sheet.scale,
        loose_m3=sheet.loose_m3,
        mixing_shrink_pct=sheet.request.mixing_shrink_pct,
        loaded_of_full_pct=sheet.fill_pct,
        fill_mark_cm=sheet.mark_cm,
        full_mark_cm=sheet.full_cm,
        next_day_lower_pct=[settle.least, settle.most],
    )
