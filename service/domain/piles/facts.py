"""What was recorded of one pile, as everything that is derived of it starts from."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from service.domain.piles.events import Event


@dataclass(frozen=True)
class PileFacts:
    """A pile's own record.

    Attributes
    ----------
    built_at
        When it was complete; in the future it is planned; None when nobody said.
    bay_id, bay_volume_m3
        Where it was first put and what that bay holds [m3].
    design_volume_m3
        What it was meant to be [m3]; before the bay's volume when both are known.
    events
        As recorded, corrections among them, in any order; entries already folded do as well.
    """

    built_at: datetime | None = None
    bay_id: UUID | None = None
    bay_volume_m3: float | None = None
    design_volume_m3: float | None = None
    events: tuple[Event, ...] = ()
