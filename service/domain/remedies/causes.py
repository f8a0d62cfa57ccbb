"""Why a pile is as it is: causes ranked by what its record shows."""

from dataclasses import dataclass
from typing import Final, Literal

from .evidence import Evidence
from .grounds import LIKELY, RULES
from .state import PresentState
from .symptoms import KnownCause, Symptom

Standing = Literal["likely", "possible", "unlikely"]

_POSSIBLE: Final = 0.25
_UNTOLD: Final = "The record does not tell."


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause as the record bears it out.

    Attributes
    ----------
    code, text
        What it is.
    standing
        ``likely``, ``possible`` or ``unlikely``.
    weight
        0 to 1, for ranking alone; not a probability.
    because
        What the record shows, or that it does not tell.
    check
        How to find out.
    """

    code: str
    text: str
    standing: Standing
    weight: float
    because: str
    check: str


def ranked(symptom: Symptom, state: PresentState, evidence: Evidence) -> tuple[Cause, ...]:
    """Return a symptom's causes, the likeliest first; of equals, in the order of the file."""
    found = [_cause(one, state, evidence) for one in symptom.causes]
    return tuple(sorted(found, key=lambda one: -one.weight))


def _cause(known: KnownCause, state: PresentState, evidence: Evidence) -> Cause:
    shown = RULES[known.code](state, evidence)
    weight, because = (known.prior, _UNTOLD) if shown is None else shown
    standing: Standing = "likely" if weight >= LIKELY else "possible" if weight >= _POSSIBLE else "unlikely"
    return Cause(known.code, known.text, standing, weight, because, known.check)
