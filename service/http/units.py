"""The units the service reads and exchanges, under their three names."""

from typing import Literal

from fastapi import APIRouter
from pydantic import Field

from service.domain.units import UNITS
from service.http.authority import CanRead
from service.http.values import Out

router = APIRouter(tags=["readings"])


class UnitOut(Out):
    """A unit: how each standard writes it, and how it converts to the base unit of its dimension."""

    ucum: str
    name: str
    dimension: str
    senml: str | None = Field(
        description="Symbol in SenML packs (RFC 8428, RFC 8798); null where it has none."
    )
    rec20: str | None = Field(description="UN/ECE Recommendation 20 code; null where it has none.")
    factor: str = Field(description="Exact; base value = value * factor + offset.")
    offset: str
    source: str
    status: Literal["read", "from memory", "second-hand"]


class UnitsOut(Out):
    """Every unit."""

    items: list[UnitOut]


@router.get("/units", response_model=UnitsOut)
def list_units(_caller: CanRead) -> object:
    """List the units: UCUM in JSON and tables, SenML symbols in packs, Rec 20 codes for trade documents."""
    return {
        "items": [
            UnitOut(
                ucum=row.ucum,
                name=row.name,
                dimension=row.dimension,
                senml=row.senml,
                rec20=row.rec20,
                factor=str(row.factor),
                offset=str(row.offset),
                source=row.source,
                status=row.status,
            )
            for row in UNITS.values()
        ]
    }
