"""Temperature curves as drawings: pure geometry and text, one source for web page and print."""

from service.domain.curves.drawing import draw, gaps_of, scale_of
from service.domain.curves.primitives import Drawing
from service.domain.curves.record import AlsoAsked, CurveRecord, Limit, Line, LostSpan, TurnMark
from service.domain.curves.svg import to_svg

__all__ = [
    "AlsoAsked",
    "CurveRecord",
    "Drawing",
    "Limit",
    "Line",
    "LostSpan",
    "TurnMark",
    "draw",
    "gaps_of",
    "scale_of",
    "to_svg",
]
