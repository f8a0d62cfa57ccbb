"""What puts a pile right that is too wet, too dry, cold, sour, too hot or smells of ammonia."""

from .ageing import Course, Felt
from .estimating import Sampled, Seen, estimate, squeezed
from .evidence import Evidence
from .given import Given, as_given
from .pace import Pace, pace_of, usual_pace
from .parts import Part, part_of, structure_of
from .remedy import Asked, Remedy, remedy
from .state import PresentState, Structure
from .symptoms import SYMPTOMS

__all__ = [
    "SYMPTOMS",
    "Asked",
    "Course",
    "Evidence",
    "Felt",
    "Given",
    "Pace",
    "Part",
    "PresentState",
    "Remedy",
    "Sampled",
    "Seen",
    "Structure",
    "as_given",
    "estimate",
    "pace_of",
    "part_of",
    "remedy",
    "squeezed",
    "structure_of",
    "usual_pace",
]
