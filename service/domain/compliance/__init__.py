"""Published time-temperature rules, judged over real readings."""

from service.domain.compliance.digest import readings_digest
from service.domain.compliance.findings import (
    AtRisk,
    Caution,
    CorrectionHeld,
    Difference,
    Excluded,
    Lost,
    SuspectedTurn,
    TurnNotCounted,
    Window,
)
from service.domain.compliance.history import History, Parent
from service.domain.compliance.judge import judge, judge_each
from service.domain.compliance.rule import INTERPRETATIONS, Interpretation, Rule
from service.domain.compliance.rulebook import (
    RULES,
    document_version,
    load_rules,
    read_rule,
    read_rule_document,
)
from service.domain.compliance.samples import Sample
from service.domain.compliance.series import ACCEPTED, EXCLUDED, Applied, Reading, Series, series_of
from service.domain.compliance.verdict import Criterion, RuleReference, State, Verdict

__all__ = [
    "ACCEPTED",
    "EXCLUDED",
    "INTERPRETATIONS",
    "RULES",
    "Applied",
    "AtRisk",
    "Caution",
    "CorrectionHeld",
    "Criterion",
    "Difference",
    "Excluded",
    "History",
    "Interpretation",
    "Lost",
    "Parent",
    "Reading",
    "Rule",
    "RuleReference",
    "Sample",
    "Series",
    "State",
    "SuspectedTurn",
    "TurnNotCounted",
    "Verdict",
    "Window",
    "document_version",
    "judge",
    "judge_each",
    "load_rules",
    "read_rule",
    "read_rule_document",
    "readings_digest",
    "series_of",
]
