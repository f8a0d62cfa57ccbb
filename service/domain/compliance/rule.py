"""One published time-temperature rule, and how its silences are read."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Literal, Self

from service.domain.compliance.demands import AllOf, Curing, Heat, Hold, InitialMix, Turns, heats
from service.domain.compliance.proofs import Duty

Interpretation = Literal["inspector", "literal", "cumulative"]
INTERPRETATIONS: Final[tuple[Interpretation, ...]] = ("inspector", "literal", "cumulative")

TextStatus = Literal["read", "second-hand", "unverified"]


@dataclass(frozen=True, slots=True)
class Switch:
    """One silence of the text and how each interpretation fills it.

    Attributes
    ----------
    key
        The field of :class:`TextReading` it sets.
    amb
        Number of the ambiguity, for example ``AMB-05``.
    question
        What the text leaves open.
    values
        The answer by interpretation.
    """

    key: str
    amb: str
    question: str
    values: Mapping[Interpretation, str | float]


@dataclass(frozen=True, slots=True)
class TextReading:
    """How the silences of a text are filled under one interpretation.

    Attributes
    ----------
    continuity
        ``unbroken``: one run, begun again after an interruption; ``cumulative``: hours add up.
    turn_transient_h
        A fall caused by a turning and made good within this time does not break a run [h]; 0 for none.
    turn_apart_h
        Turnings closer together than this count as one [h].
    regain_within_h
        Heat must be shown again within this time of the last turning [h]; 0 if not asked.
    above_limit
        Whether time above the upper limit ``breaks`` a run or is merely ``not_counted``.
    """

    continuity: Literal["unbroken", "cumulative"] = "unbroken"
    turn_transient_h: float = 0.0
    turn_apart_h: float = 0.0
    regain_within_h: float = 0.0
    above_limit: Literal["breaks", "not_counted"] = "breaks"

    @property
    def run_terms(self) -> tuple[str, float, str]:
        """What decides where a run ends: other silences leave the runs alone."""
        return self.continuity, self.turn_transient_h, self.above_limit

    def answering(self, switch: Switch, interpretation: Interpretation) -> Self:
        """Return a copy with one silence filled as an interpretation fills it."""
        changed: dict[str, Any] = {
            switch.key: switch.values[interpretation]
        }  # Any: the loader checked the type
        return replace(self, **changed)


@dataclass(frozen=True, slots=True)
class Rule:
    """One published rule, as its data file gives it.

    Attributes
    ----------
    id, title, jurisdiction, methods
        What it is called, where it applies, and to which ways of composting.
    phrase, citation, text_source
        The words that matter, where they stand, and the copy they were taken from.
    text_as_of, text_status
        When that copy was noted (``unverified`` if none was), and whether it was the text itself.
    process
        What is asked of heat and turning, and whatever else decides the state, as one tree.
    initial_mix, curing, duties, switches
        See the classes; duties stand beside the state.
    version
        ``sha256:`` and the digest of the data file; stored with every verdict.
    information_only
        True for a text that is not open to compost: judged, and never a pass.
    """

    id: str
    title: str
    jurisdiction: str
    methods: tuple[str, ...]
    phrase: str
    citation: str
    text_source: str
    text_as_of: str
    text_status: TextStatus
    process: AllOf
    initial_mix: InitialMix | None
    curing: Curing | None
    duties: tuple[Duty, ...]
    switches: tuple[Switch, ...]
    version: str
    information_only: bool = False

    @property
    def heats(self) -> tuple[Heat, ...]:
        """Every hold with its turnings, in the order of the file."""
        return heats(self.process)

    @property
    def holds(self) -> tuple[Hold, ...]:
        """Every hold, in the order of the file."""
        return tuple(one.hold for one in self.heats)

    @property
    def turns(self) -> Turns | None:
        """The first turnings asked for; None if none are."""
        return next((one.turns for one in self.heats if one.turns is not None), None)

    def reading(self, interpretation: Interpretation) -> TextReading:
        """Return how this interpretation fills the silences of the text."""
        # Only a text that itself lets hours add up is cumulative without a switch.
        stated = {hold.continuity for hold in self.holds}
        adds_up = bool(stated) and stated <= {"cumulative", "contiguous_if_possible"}
        text = TextReading(continuity="cumulative" if adds_up else "unbroken")
        for switch in self.switches:
            text = text.answering(switch, interpretation)
        return text
