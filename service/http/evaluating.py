"""Evaluating a mix; touches no record."""

from fastapi import APIRouter
from pydantic import Field

from service.domain.recipes import Evaluation, evaluate
from service.http.authority import CanRead
from service.http.mixes import EvaluationOut, IngredientIn, ingredient_of
from service.http.values import In, shown_as

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
            ]
        }
    )

    ingredients: list[IngredientIn] = Field(min_length=1, max_length=100)


@router.post("/recipes/evaluate", response_model=EvaluationOut)
def evaluate_recipe(body: EvaluateIn, caller: CanRead) -> Evaluation:  # noqa: ARG001 - the key is what is checked
    """Evaluate a mix."""
    return evaluate(
        [
            ingredient_of(one, f"/ingredients/{place}", mass_kg=one.mass_kg, volume_m3=one.volume_m3)
            for place, one in enumerate(body.ingredients)
        ]
    )
