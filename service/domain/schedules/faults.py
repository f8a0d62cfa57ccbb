"""What is wrong with a plan exactly as it was asked for."""

import datetime as dt
from dataclasses import dataclass, field
from typing import Final

from service.domain.schedules.answer import Cause
from service.domain.schedules.nearest import spacing_between
from service.domain.schedules.request import PlanRequest
from service.domain.schedules.turn_constraint import HEATING_DAYS, TurnConstraint
from service.domain.schedules.work_days import WorkCalendar

BUILD: Final = -1
"""The build's place among the tasks; turns are counted from 0."""


@dataclass
class Fault:
    """All that is wrong with one task.

    Attributes
    ----------
    causes, sentences
        One word and one sentence for each thing that is wrong.
    """

    causes: list[Cause] = field(default_factory=list)
    sentences: list[str] = field(default_factory=list)


class Faults(dict[int, Fault]):
    """Faults by task: :data:`BUILD` or the turn's place."""

    def add(self, task: int, cause: Cause, sentence: str) -> None:
        """Note one more thing that is wrong with a task."""
        fault = self.setdefault(task, Fault())
        fault.causes.append(cause)
        fault.sentences.append(sentence)


def faults_of(request: PlanRequest, calendar: WorkCalendar, turns: tuple[int, ...]) -> Faults:
    """Return the faults of a build on the date asked for and of these turns, in days of the pile."""
    found = Faults()
    for task, day in enumerate((0, *turns), start=BUILD):
        on = request.build_on + dt.timedelta(day)
        if not calendar.is_crew_day(on):
            found.add(task, "closed" if on in calendar.closures else "no_crew", calendar.why_no_crew(on))
    if request.rule is not None:
        _add_spacing(found, request.rule, turns)
        _add_before_heat(found, request.rule, turns)
        _add_number(found, request.rule, turns)
    return found


def _add_spacing(found: Faults, rule: TurnConstraint, turns: tuple[int, ...]) -> None:
    """Note the turns that follow another too soon for the rule."""
    for turn in range(1, len(turns)):
        apart = turns[turn] - turns[turn - 1]
        if apart < rule.spacing_days:
            hours = max(rule.spacing_h, rule.heat_before_turn_h)
            days = "1 day" if apart == 1 else f"{apart} days"
            found.add(
                turn,
                "spacing",
                f"{rule.named} asks for {hours:g} h between turns; this one comes {days} after the last",
            )


def _add_before_heat(found: Faults, rule: TurnConstraint, turns: tuple[int, ...]) -> None:
    """Note the turns that come before the heat the rule wants ahead of a turn can have been held."""
    for turn, day in enumerate(turns):
        if day < rule.first_turn_day:
            found.add(
                turn,
                "before_heat",
                f"{rule.named} asks for {rule.heat_before_turn_h:g} h of heat before a turn; a pile needs up"
                f" to {HEATING_DAYS} days to heat, so none before day {rule.first_turn_day}",
            )


def _add_number(found: Faults, rule: TurnConstraint, turns: tuple[int, ...]) -> None:
    """Note that the rule counts too few turns, or that no window holds as many as it wants."""
    counted = [turn for turn, day in enumerate(turns) if day >= rule.first_counting_day]
    needed = rule.minimum_turns
    if len(counted) < needed:
        while_hot = " while the pile is hot" if rule.turns_while_hot else ""
        found.add(
            len(turns) - 1,
            "too_few_turns",
            f"{rule.named} asks for {needed} turns{while_hot}; this pattern gives {len(counted)}",
        )
    elif rule.window_days is not None and needed > 1:
        runs = [
            (turns[last] - turns[first] + 1, last)
            for first, last in zip(counted, counted[needed - 1 :], strict=False)
        ]
        days, last = min(runs)
        if days > rule.window_days:
            sentence = (
                f"{rule.named} asks for {needed} turns within {rule.window_days} days; the closest {needed} here"
                f" take {days}"
            )
            found.add(last, "window", sentence)


def contradiction(request: PlanRequest) -> str | None:
    """Return why no choice of days at all could keep the rule, if its window cannot hold its turns."""
    rule = request.rule
    if rule is None or rule.window_days is None or not rule.minimum_turns:
        return None
    spacing = spacing_between(request.pattern, rule)
    days = (rule.minimum_turns - 1) * spacing + 1
    if days <= rule.window_days:
        return None
    return (
        f"{rule.minimum_turns} turns at least {spacing} days apart take {days} days and never fit"
        f" the {rule.window_days} days of {rule.named}"
    )
