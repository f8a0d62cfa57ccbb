"""Published time-temperature rules, judged over real readings."""

from service.domain.compliance.history import History, Reading, Series, readings_digest, series_of
from service.domain.compliance.judge import judge
from service.domain.compliance.rule import INTERPRETATIONS, Interpretation, Rule
from service.domain.compliance.rulebook import RULES, load_rules, read_rule
from service.domain.compliance.verdict import (
    AtRisk,
    Caution,
    Criterion,
    Difference,
    Lost,
    RuleReference,
    State,
    TurnNotCounted,
    Verdict,
    Window,
)

__all__ = [
    "INTERPRETATIONS",
    "RULES",
    "AtRisk",
    "Caution",
    "Criterion",
    "Difference",
    "History",
    "Interpretation",
    "Lost",
    "Reading",
    "Rule",
    "RuleReference",
    "Series",
    "State",
    "TurnNotCounted",
    "Verdict",
    "Window",
    "judge",
    "load_rules",
    "read_rule",
    "readings_digest",
    "series_of",
]
