"""A planned line as it is kept on record and answered: plain values, dates as text."""

import dataclasses
import datetime as dt
from collections.abc import Mapping
from typing import Any

from service.domain.lines.answer import LinePlan
from service.domain.lines.crews import HOW_SHARED, CrewThere, shared_out
from service.domain.lines.watching import Begun, Sighting

Kept = dict[str, Any]


def plain(value: Any) -> Any:  # noqa: ANN401 - values of any kind
    """Return a domain value as JSON takes it."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {one.name: plain(getattr(value, one.name)) for one in dataclasses.fields(value)}
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(plain(name)): plain(one) for name, one in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(one) for one in value]
    return value


def kept_plan(plan: LinePlan, crews: Mapping[dt.date, tuple[CrewThere, ...]]) -> Kept:
    """Return a plan's document, with who works how long on each day and each task.

    Parameters
    ----------
    plan, crews
        Crews by date, as :func:`~service.domain.lines.crews.shared_out` takes them.
    """
    works, shares = shared_out(plan.tasks, crews)
    kept: Kept = plain(plan)
    kept["gap_pct"] = plan.gap_pct
    for told, stage in zip(kept["stages"], plan.stages, strict=True):
        told["gap_pct"] = stage.gap_pct
    for told, task in zip(kept["tasks"], plan.tasks, strict=True):
        told["crews"] = [{"crew": crew, "minutes": minutes} for crew, minutes in shares[task]]
    return kept | {"crew_work": plain(works), "how_shared": HOW_SHARED}


def kept_so_far(seen: Sighting) -> Kept:
    """Return how far a search is, with the best plan so far, for one that is taken up again."""
    return {
        "aim": seen.aim,
        "value": seen.value,
        "bound": seen.bound,
        "gap_pct": seen.gap_pct,
        "so_far": plain(seen.so_far),
    }


def read_so_far(kept: Mapping[str, Any] | None) -> dict[str, Begun]:
    """Return the best plan a search had when it was broken off; empty when there is none."""
    return {
        name: Begun(
            dt.date.fromisoformat(one["build_on"]),
            tuple(map(dt.date.fromisoformat, one["turn_on"])),
            one["bay"],
        )
        for name, one in ((kept or {}).get("so_far") or {}).items()
    }
