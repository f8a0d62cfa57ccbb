"""What a published rule demands of turning, as a schedule needs it."""

from service.domain.compliance import Rule
from service.domain.schedules import TurnConstraint

_DAY_H = 24


def turn_constraint(rule: Rule) -> TurnConstraint:
    """Return a rule's demands on turning, under the careful inspector's reading.

    Parameters
    ----------
    rule
        A rule of the book; one that asks for no turns still asks that the heat be held and read.

    Returns
    -------
    TurnConstraint
        With the shortest of the rule's alternative holds, for that is the earliest it can be met.
    """
    hold = min(rule.holds, key=lambda one: one.duration_h)
    turns = rule.turns
    return TurnConstraint(
        rule=rule.id,
        citation=rule.citation,
        minimum_turns=0 if turns is None else turns.minimum,
        window_days=int(hold.duration_h // _DAY_H)
        if turns is not None and turns.window == "sliding"
        else None,
        spacing_h=0 if turns is None else turns.spacing_h,
        turns_while_hot=turns is not None and turns.window != "any",
        hot_days=hold.duration_h / _DAY_H,
        longest_reading_gap_h=hold.max_gap_h,
    )
