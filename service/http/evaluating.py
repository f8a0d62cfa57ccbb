"""Evaluating a mix; changes no record, and reads one only for the organisation's own feedstocks."""

from typing import Annotated, Literal

from fastapi import APIRouter
from pydantic import Field

from service.domain.recipes import Evaluation, Surroundings, evaluate
from service.http.authority import CanRead, Database
from service.http.mixes import EvaluationOut, IngredientIn, SiteOfMix, ingredient_of, own_materials
from service.http.values import In, Number, Positive, shown_as

router = APIRouter(tags=["recipes"])


class EvaluateIn(In):
    """A mix."""

    model_config = shown_as(
        {
            "ingredients": [
                {
                    "name": "grass clippings",
                    "mass_kg": 10,
                    "moisture_pct": 77,
                    "nitrogen_pct": 2.4,
                    "carbon_pct": 45,
                    "bulk_density_kg_m3": 240,
                },
                {"feedstock": "leaves", "mass_kg": 6.8},
            ],
            "climate": "temperate",
            "decay": "fast",
        }
    )

    ingredients: list[IngredientIn] = Field(min_length=1, max_length=100)
    site_id: SiteOfMix = None
    mixing_shrink_pct: Annotated[Number, Field(ge=0, le=60)] | None = Field(
        default=None,
        description="Volume lost on mixing, % of the summed loose volumes, as measured; bulk density and free air space"
        " are then of the settled mix. Null: loose, and the settled volume assumes a shrink by texture.",
    )
    ambient_c: Annotated[Number, Field(ge=-60, le=60)] | None = Field(
        default=None, description="Mean air temperature of the first weeks; wins over climate [Cel]."
    )
    climate: Literal["tropical", "temperate", "cool", "cold"] | None = Field(
        default=None, description="Stands for air at 28, 15, 5 or -8 Cel."
    )
    decay: Literal["slow", "medium", "fast"] | None = Field(
        default=None, description="Leafy and woody, usual (null), or rich in grass or food."
    )
    ph: Annotated[Number, Field(ge=0, le=14)] | None = None
    bay_volume_m3: Positive | None = Field(
        default=None, description="Stands in for the volume of the mix where that is unknown."
    )


@router.post("/recipes/evaluate", response_model=EvaluationOut)
def evaluate_recipe(body: EvaluateIn, caller: CanRead, database: Database) -> Evaluation:
    """Evaluate a mix; a feedstock code is the organisation's own, as last analysed, else the library's."""
    own = own_materials(database, caller, body.ingredients, body.site_id)
    return evaluate(
        [
            ingredient_of(one, f"/ingredients/{place}", own, mass_kg=one.mass_kg, volume_m3=one.volume_m3)
            for place, one in enumerate(body.ingredients)
        ],
        mixing_shrink_pct=body.mixing_shrink_pct,
        surroundings=Surroundings(
            ambient_c=body.ambient_c,
            climate=body.climate,
            decay=body.decay,
            ph=body.ph,
            bay_volume_m3=body.bay_volume_m3,
        ),
    )
