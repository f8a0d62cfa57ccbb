"""A crew's measures as they are sent and answered."""

from typing import Literal

from pydantic import Field

from service.http.values import Amount, In, Name, Out

MeasureKind = Literal["barrow", "bucket", "fork", "scale", "can"]


class SheetMeasureIn(In):
    """A measure filled level, by volume or by mass; a scale has the step it weighs out, a can is for water."""

    name: Name
    kind: MeasureKind
    volume_l: Amount | None = Field(default=None, description="What it holds [L].")
    mass_kg: Amount | None = Field(
        default=None,
        description="What it holds, whatever the material [kg]; of a scale: the step weighed out.",
    )


class MeasureOut(Out):
    """A measure as it is on record."""

    name: str
    kind: MeasureKind
    volume_l: float | None = None
    mass_kg: float | None = None
