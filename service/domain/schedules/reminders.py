"""What a pattern reminds a crew of beside turning: to cover and to wet, on days, with tasks or under a condition."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from service.domain.errors import FieldError

ReminderKind = Literal["cover", "wet"]
Measure = Literal["moisture_pct", "temperature_c", "rain_24h_mm"]
WithTask = Literal["build", "turn", "move"]
Standing = Literal["published", "common practice, no source"]

MOST_REMINDERS: Final = 20


@dataclass(frozen=True)
class Reminder:
    """One thing to think of; it says when by days, by a task, by a condition, or by a condition on such a day.

    Attributes
    ----------
    kind
        ``cover`` or ``wet``.
    say
        What to do, as the crew reads it.
    on_days
        Days of the pile [d]; on one without a crew it waits for the next crew day.
    with_task
        Each ``build``, ``turn`` or ``move`` brings it.
    when
        The condition in words; None: always.
    measure, below, above
        The condition as a figure: ``moisture_pct`` [% of wet mass], ``temperature_c`` [degC] of the core or
        ``rain_24h_mm`` [mm] below or above a value. None where the words alone say it.
    source, status
        What it was taken from (``none`` for common practice), and whether that is published.
    """

    kind: ReminderKind
    say: str
    on_days: tuple[int, ...] = ()
    with_task: WithTask | None = None
    when: str | None = None
    measure: Measure | None = None
    below: float | None = None
    above: float | None = None
    source: str = "none"
    status: Standing = "common practice, no source"

    def errors(self, at: str, last_day: int) -> Iterator[FieldError]:
        """Yield what does not fit, with pointers below ``at``; ``last_day`` is the pattern's last turn."""
        if not self.say.strip():
            yield FieldError(f"{at}/say", "says nothing; write what the crew is to do")
        if not self.on_days and self.with_task is None and self.when is None:
            yield FieldError(at, "never comes; give on_days, with_task or when")
        if self.on_days and self.with_task is not None:
            detail = f"'{self.with_task}' stands beside on_days; a reminder has days or a task: leave one out"
            yield FieldError(f"{at}/with_task", detail)
        for index, day in enumerate(self.on_days):
            if not 0 <= day <= last_day:
                detail = f"day {day} lies outside the turning; give 0 to {last_day}"
                yield FieldError(f"{at}/on_days/{index}", detail)
            elif day in self.on_days[:index]:
                yield FieldError(f"{at}/on_days/{index}", f"day {day} stands twice; name each day once")
        yield from self._condition_errors(at)
        if self.status == "published" and self.source == "none":
            yield FieldError(f"{at}/source", "a published reminder names its source")

    def _condition_errors(self, at: str) -> Iterator[FieldError]:
        limits = [value for value in (self.below, self.above) if value is not None]
        if limits and self.measure is None:
            yield FieldError(f"{at}/measure", "is missing beside the limit; say what is measured")
        if self.measure is not None and not limits:
            yield FieldError(f"{at}/measure", f"'{self.measure}' has no limit; give below or above")
        if self.measure is not None and self.when is None:
            yield FieldError(f"{at}/when", "is missing beside the measure; say the condition in words too")
        if self.below is not None and self.above is not None and self.above >= self.below:
            detail = f"no value lies above {self.above:g} and below {self.below:g}; give a smaller one"
            yield FieldError(f"{at}/above", detail)
