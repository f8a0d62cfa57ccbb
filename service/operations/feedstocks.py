"""What a caller can change of feedstocks, and which figure of a feedstock is in force."""

from collections.abc import Mapping, Sequence
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Invalid
from service.domain.recipes import Ingredient, library
from service.domain.recipes.ingredient import CARBON_FORMS, check_figures
from service.storage import records
from service.storage.tables import AnalysisRow, FeedstockRow

FIGURES: Final = (
    "moisture_pct",
    "nitrogen_pct",
    "carbon_pct",
    "carbon_nitrogen_ratio",
    "volatile_solids_pct",
    "bulk_density_kg_m3",
)


def create_feedstock(session: Session, caller: Caller, values: Mapping[str, Any]) -> FeedstockRow:
    """Register a feedstock of the organisation."""
    caller.must_be_organisation_wide("feedstocks")
    _must_agree(values)
    return records.add(session, FeedstockRow(organisation_id=caller.organisation_id, **values))


def change_feedstock(
    session: Session, caller: Caller, feedstock_id: UUID, version: int, changes: Mapping[str, Any]
) -> FeedstockRow:
    """Change a feedstock under its version."""
    caller.must_be_organisation_wide("feedstocks")
    row = records.find(session, FeedstockRow, caller.organisation_id, feedstock_id, lock=True)
    _must_agree({**{name: getattr(row, name) for name in ("name", *FIGURES)}, **changes})
    return records.change(session, row, version, changes)


def add_analysis(
    session: Session, caller: Caller, feedstock_id: UUID, values: Mapping[str, Any]
) -> AnalysisRow:
    """Add a measurement; the record is only ever added to."""
    caller.must_be_organisation_wide("analyses of feedstocks")
    row = records.find(session, FeedstockRow, caller.organisation_id, feedstock_id)
    if all(values.get(name) is None for name in FIGURES):
        raise Invalid.field("", f"measures nothing; give at least one of {', '.join(FIGURES)}")
    _must_agree({"name": row.name, **values})
    return records.add(
        session, AnalysisRow(organisation_id=caller.organisation_id, feedstock_id=row.id, **values)
    )


def _must_agree(values: Mapping[str, Any]) -> None:
    figures = {name: values.get(name) for name in FIGURES}
    errors = check_figures(Ingredient(name=values["name"], **figures), "")
    if errors:
        raise Invalid(*errors)


def in_force(row: FeedstockRow, analyses: Sequence[AnalysisRow]) -> tuple[dict[str, float], dict[str, str]]:
    """Return a feedstock's figures and where each comes from: newest analysis, own figure, shipped library.

    Carbon has three forms that exclude one another, so they stand or fall together: the source that tells carbon
    at all tells its form.
    """
    layers: list[tuple[str, Mapping[str, Any]]] = [
        (f"analysis of {a.sampled_on} ({a.method})", {name: getattr(a, name) for name in FIGURES})
        for a in analyses
    ]
    layers.append((row.source or "the organisation's own figure", {n: getattr(row, n) for n in FIGURES}))
    shipped = library().get(row.code)
    if shipped is not None:
        ingredient = shipped.ingredient()
        layers.append(("shipped library", {name: getattr(ingredient, name) for name in FIGURES}))
    figures: dict[str, float] = {}
    sources: dict[str, str] = {}
    for source, layer in layers:
        has_carbon = any(form in figures for form in CARBON_FORMS)
        for name, value in layer.items():
            if value is None or name in figures or (name in CARBON_FORMS and has_carbon):
                continue
            figures[name], sources[name] = value, source
    return figures, sources
