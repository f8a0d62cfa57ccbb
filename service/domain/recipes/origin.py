"""Where a figure that is in use came from."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Origin:
    """Where one figure of an ingredient came from.

    Attributes
    ----------
    came_from
        ``given`` in the request, an ``analysis``, the organisation's own ``feedstock``, the shipped ``library``, or
        ``derived`` from other figures of the material.
    source
        The publication, the analysis with its date, or the words the organisation gave.
    status
        How a published figure came to us (``read``, ``second-hand``, ``from memory``, ``low confidence`` ...),
        ``measured`` for an analysis, ``given`` for what was typed in.
    low, high
        The printed range, or the measured value less and plus its accuracy; in the figure's own unit.
    plus_minus
        The accuracy of a measurement, in the figure's own unit.
    analysis_id
        The analysis, where there is one.
    note
        What must be known of the number.
    """

    came_from: str
    source: str
    status: str
    low: float | None = None
    high: float | None = None
    plus_minus: float | None = None
    analysis_id: str | None = None
    note: str = ""


GIVEN: Final = Origin("given", "given in the request", "given")

WEAKEST_FIRST: Final = (
    "common practice, no source",
    "low confidence",
    "from memory",
    "second-hand",
    "read",
    "definition",
    "given",
    "measured",
)
"""What a figure rests on, the weakest first; published ones by :class:`~service.domain.published.Status`."""


def weakest(statuses: Iterable[str]) -> str:
    """Return the status a figure has that was computed from figures of these."""
    return min(statuses, key=WEAKEST_FIRST.index)
