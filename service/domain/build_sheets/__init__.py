"""What a crew loads, in its own measures: layers, water, heights, time and the words for them."""

from .cautions import handling_words
from .measures import KINDS, Measure, refuse_bad_measures
from .parts import Layer, Load, Part
from .place import Place, Shape, place_of
from .practice import PRACTICE
from .request import BuildRequest, Wanted
from .sheet import Sheet, draw_up
from .steps import Step, StepLine
from .text import to_text
from .wording import Wording, wording_of

__all__ = [
    "KINDS",
    "PRACTICE",
    "BuildRequest",
    "Layer",
    "Load",
    "Measure",
    "Part",
    "Place",
    "Shape",
    "Sheet",
    "Step",
    "StepLine",
    "Wanted",
    "Wording",
    "draw_up",
    "handling_words",
    "place_of",
    "refuse_bad_measures",
    "to_text",
    "wording_of",
]
