"""A pattern's reminders laid on the dates of a plan."""

import datetime as dt
from collections.abc import Iterable, Iterator
from typing import Final

from service.domain.schedules.answer import PlannedReminder, PlannedTask
from service.domain.schedules.reminders import Reminder
from service.domain.schedules.work_days import WorkCalendar

_LATEST_DAYS: Final = 21
"""How long a reminder waits for a crew day before it stands on a day without one."""


def planned_reminders(
    reminders: Iterable[Reminder], tasks: Iterable[PlannedTask], calendar: WorkCalendar, built_on: dt.date
) -> tuple[PlannedReminder, ...]:
    """Return the reminders on their dates, in order; those with a condition alone stand last, without a date.

    Parameters
    ----------
    reminders
        A pattern's.
    tasks, calendar, built_on
        The plan they belong to, its crew days and its day 0.
    """
    laid_out = tuple(tasks)
    found = [
        PlannedReminder(on, None if on is None else (on - built_on).days, reminder)
        for reminder in reminders
        for on in _dates(reminder, laid_out, calendar, built_on)
    ]
    return tuple(sorted(found, key=lambda one: (one.date is None, one.date or built_on, one.reminder.kind)))


def _dates(
    reminder: Reminder, tasks: tuple[PlannedTask, ...], calendar: WorkCalendar, built_on: dt.date
) -> Iterator[dt.date | None]:
    if reminder.with_task is not None:
        yield from sorted({task.date for task in tasks if task.task == reminder.with_task})
    elif reminder.on_days:
        wanted = (built_on + dt.timedelta(day) for day in reminder.on_days)
        yield from sorted({calendar.next_crew_day(on, within_days=_LATEST_DAYS) or on for on in wanted})
    else:
        yield None
