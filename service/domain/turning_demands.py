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
        With the shortest of the rule's alternative holds, for that is the earliest it can be met; of those with
        turnings where there are any. A rule that asks for no heat asks nothing of a schedule.
    """
    turned = [one for one in rule.heats if one.turns is not None]
    heat = min(turned or rule.heats, key=lambda one: one.hold.duration_h, default=None)
    if heat is None:
        return TurnConstraint(
            rule=rule.id,
            citation=rule.citation,
            minimum_turns=0,
            window_days=None,
            spacing_h=0,
            turns_while_hot=False,
            hot_days=0,
            longest_reading_gap_h=_DAY_H,
        )
    hold, turns = heat.hold, heat.turns
    # Heat before each turning: so many blocks of it, a turning after each.
    blocks = turns.minimum if turns is not None and turns.window == "before_each" else 1
    return TurnConstraint(
        rule=rule.id,
        citation=rule.citation,
        minimum_turns=0 if turns is None else turns.minimum,
        window_days=int(hold.duration_h // _DAY_H)
        if turns is not None and turns.window == "sliding"
        else None,
        spacing_h=0
        if turns is None
        else max(turns.spacing_h, hold.duration_h if turns.window == "before_each" else 0),
        turns_while_hot=turns is not None and turns.window != "any",
        hot_days=blocks * hold.duration_h / _DAY_H,
        longest_reading_gap_h=hold.max_gap_h,
    )
