"""What went into a pile and what was measured of it, for an evidence pack."""

from collections.abc import Mapping
from typing import Any, Final

from service.domain.piles import in_force, of_kind
from service.domain.recipes import evaluate
from service.operations.evidence_log import entry_of
from service.storage.piles import Loaded
from service.storage.recipes import ingredients_of
from service.storage.tables import FeedstockRow

_FIGURES: Final = (
    "moisture_pct",
    "nitrogen_pct",
    "carbon_pct",
    "carbon_nitrogen_ratio",
    "bulk_density_kg_m3",
)
_MEASURED: Final = (
    "laboratory",
    "carbon_nitrogen_ratio",
    "moisture_pct",
    "nitrogen_pct",
    "ph",
    "fecal_coliform_mpn_g",
    "salmonella_mpn_4g",
    "duties",
)


def recipe_of(loaded: Loaded) -> dict[str, Any] | None:
    """Return the recipe a pile was built to, each ingredient with its figures and where they came from."""
    row = loaded.recipe
    if row is None:
        return None
    mix = evaluate(ingredients_of(row.ingredients))
    return {
        "id": row.id,
        "name": row.name,
        "ingredients": [
            {name: one.get(name) for name in ("name", "feedstock", "mass_kg", "volume_m3", *_FIGURES)}
            | {"sources": one.get("sources") or {}}
            for one in row.ingredients
        ],
        "moisture_pct": mix.moisture_pct,
        "carbon_nitrogen_ratio": mix.carbon_nitrogen_ratio,
        "bulk_density_kg_m3": mix.bulk_density_kg_m3,
        "free_air_space_pct": mix.free_air_space_pct,
    }


def loads_of(loaded: Loaded, feedstocks: Mapping[str, FeedstockRow]) -> list[dict[str, Any]]:
    """Return every load on record, in order of time."""
    built_at = loaded.pile.built_at
    found = []
    for one in of_kind(in_force(loaded.events), "load"):
        code = one.details.get("feedstock")
        row = None if code is None else feedstocks.get(code)
        found.append(
            {
                **entry_of(one, loaded),
                "feedstock": code,
                "name": one.details.get("material") or (code if row is None else row.name),
                "mass_kg": one.number("mass_kg"),
                "volume_m3": one.number("volume_m3"),
                "source": None if row is None else row.source,
                "after_build": built_at is not None and one.at > built_at,
            }
        )
    return found


def samples_of(loaded: Loaded) -> list[dict[str, Any]]:
    """Return every sample on record, in order of time; what was not measured is null."""
    return [
        {**entry_of(one, loaded), **{name: one.details.get(name) for name in _MEASURED}}
        for one in of_kind(in_force(loaded.events), "sample")
    ]
