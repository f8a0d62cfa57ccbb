"""The calendar of a site that recorded none: its work days and closures, with hours and people that are assumed."""

import datetime as dt
import importlib.resources
from collections.abc import Collection, Mapping, Sequence
from functools import cache

from service.domain.calendars.calendar import CREW, Closure, Shift, SiteCalendar
from service.domain.published import Figure, load_figures


@cache
def assumed_figures() -> Mapping[str, Figure]:
    """Return what is assumed, each with its source: ``hours_per_work_day`` [h] and ``people_per_work_day``."""
    text = importlib.resources.files(__package__).joinpath("figures.toml").read_text("utf-8")
    return load_figures(text, "calendars/figures.toml")


def assumed_calendar(
    work_days: Collection[str], closures: Collection[dt.date], crews: Sequence[str]
) -> SiteCalendar:
    """Return the calendar of a site that has only weekdays, closed dates and names of crews.

    One crew is taken to come each work day, for nobody said which of several does; it bears the site's name for
    it if there is just one.

    Parameters
    ----------
    work_days, closures, crews
        As the site has them.
    """
    figures = assumed_figures()
    shift = Shift(
        crews[0] if len(crews) == 1 else CREW,
        round(figures["people_per_work_day"].value),
        figures["hours_per_work_day"].value,
    )
    return SiteCalendar(
        week=dict.fromkeys(work_days, (shift,)),
        closures=tuple(Closure(on, "closed") for on in sorted(set(closures))),
        is_assumed=True,
    )
