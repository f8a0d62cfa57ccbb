"""What comes after: nutrients, beds, emissions and cautions of finished compost."""

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Query

from service.domain.application import After, Bed, Lot, Treated, after
from service.domain.errors import Invalid
from service.http.after_models import AfterOut, CompostIn, MeasuredFigureOut
from service.http.authority import CanRead, Database
from service.operations import piles
from service.operations.pile_after import pile_after
from service.storage import piles as stored

router = APIRouter(tags=["compost"])

BedArea = Annotated[
    float | None,
    Query(ge=0.01, le=1e7, allow_inf_nan=False, description="Of the bed that is to get the compost [m2]."),
]
BedDepth = Annotated[
    float | None, Query(ge=0.01, le=200, allow_inf_nan=False, description="How deep it is to lie there [cm].")
]


class PileAfterOut(AfterOut):
    """The same of a recorded pile, from its newest samples and its loads."""

    pile_id: UUID
    label: str
    measured: list[MeasuredFigureOut]


@router.post("/compost/nutrients", response_model=AfterOut)
def assess_compost(body: CompostIn, caller: CanRead) -> After:  # noqa: ARG001 - the key is what is checked
    """Say what a lot of compost holds, what plants get of it, how much a bed takes, and what to mind."""
    figures = {name: getattr(body, name) for name in Lot.__dataclass_fields__}
    return after(
        Lot(**figures),
        bed=None if body.application is None else Bed(**body.application.model_dump()),
        treated=None if body.treated_kg is None else Treated(body.treated_kg, body.treated_basis),
        start_ash_pct=body.start_ash_pct,
    )


@router.get("/piles/{pile_id}/after", response_model=PileAfterOut)
def get_after(
    pile_id: UUID,
    caller: CanRead,
    database: Database,
    area_m2: BedArea = None,
    depth_cm: BedDepth = None,
) -> object:
    """Say the same of a recorded pile; what its record does not tell is null, with the reason."""
    if (area_m2 is None) != (depth_cm is None):
        lacking = "depth_cm" if depth_cm is None else "area_m2"
        raise Invalid.field(f"/{lacking}", "area_m2 and depth_cm go together; give both or neither")
    with database.begin(caller.organisation_id) as session:
        loaded = stored.load(session, piles.pile_of(session, caller, pile_id), readings=False)
    bed = None if area_m2 is None else Bed(area_m2, depth_cm)
    finished, found = pile_after(loaded, bed)
    shown = {name: getattr(found, name) for name in AfterOut.model_fields}
    return shown | {"pile_id": loaded.pile.id, "label": loaded.pile.label, "measured": finished.measured}
