"""Putting an answered plan into force: each task has its row for life, which a later plan moves or takes back."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.operations.calendar_starts import calendars_follow
from service.storage import plans as stored
from service.storage.sites import lock_site
from service.storage.tables import PlanTaskRow

Identity = tuple[str, str, int]
"""Pile, task, and which of its kind in the pile's life; a check's is its day of the pile."""
_SHOWN: Final = ("on_date", "bay", "to_bay", "minutes", "day_of_pile", "crew", "reason", "pile_id")


@dataclass(frozen=True)
class TaskToKeep:
    """A task of an answered plan.

    Attributes
    ----------
    pile, task, number
        Its identity at the site.
    crew
        Who does most of it; None where no crew is named.
    """

    pile: str
    task: str
    number: int
    on_date: date
    bay: str
    to_bay: str | None
    minutes: int
    day_of_pile: int
    reason: str
    crew: str | None = None


@dataclass(frozen=True)
class Issued:
    """How many tasks a plan's issue added, changed, took back and left as they were."""

    added: int
    changed: int
    cancelled: int
    kept: int


def issue_plan(
    session: Session,
    organisation_id: int,
    site_id: UUID,
    plan_id: UUID,
    tasks: Sequence[TaskToKeep],
    *,
    today: date,
    now: datetime,
    pile_ids: Mapping[str, UUID] | None = None,
    happened: Collection[Identity] = (),
) -> Issued:
    """Write a plan's tasks into the site's schedule.

    A task that was planned before keeps its row: if anything shown of it changes, its ``sequence`` is raised and
    ``changed_at`` set. One that was cancelled or missed and is planned again is ``planned`` again. Tasks from today on
    that are no longer planned become ``cancelled``; what is done is never touched, nor what lies in the past.

    Parameters
    ----------
    today
        The local date at the site.
    pile_ids
        The piles on record, by label.
    happened
        Tasks the record shows to be done although nobody ticked them off: left alone.
    """
    with calendars_follow(session, lock_site(session, organisation_id, site_id), now=now):
        known = pile_ids or {}
        before = {
            (row.pile, row.task, row.number): row
            for row in stored.every_task(session, organisation_id, site_id, lock=True)
        }
        tasks = _after_those_done(tasks, before.values())
        added = changed = 0
        for one in tasks:
            values = _values(one, known.get(one.pile))
            row = before.get((one.pile, one.task, one.number))
            if row is None:
                session.add(
                    PlanTaskRow(
                        organisation_id=organisation_id,
                        site_id=site_id,
                        plan_id=plan_id,
                        pile=one.pile,
                        task=one.task,
                        number=one.number,
                        changed_at=now,
                        **values,
                    )
                )
                added += 1
            elif row.state != "done" and _differs(row, values):
                _change(row, plan_id, now, {**values, "state": "planned"})
                changed += 1
        planned = {(one.pile, one.task, one.number) for one in tasks}
        gone = [
            row
            for identity, row in before.items()
            if identity not in planned
            and identity not in happened
            and row.state == "planned"
            and row.on_date >= today
        ]
        for row in gone:
            _change(row, plan_id, now, {"state": "cancelled"})
        session.flush()
    return Issued(added, changed, len(gone), len(tasks) - added - changed)


def _after_those_done(tasks: Sequence[TaskToKeep], rows: Iterable[PlanTaskRow]) -> list[TaskToKeep]:
    """Return the tasks with each pile's turns numbered on from the last one done.

    A plan counts the turns that were done; of those it had told before, one may have been missed and a later one done.
    """
    done: dict[str, int] = {}
    for row in rows:
        if row.task == "turn" and row.state == "done":
            done[row.pile] = max(done.get(row.pile, 0), row.number)
    first: dict[str, int] = {}
    for one in tasks:
        if one.task == "turn":
            first[one.pile] = min(first.get(one.pile, one.number), one.number)
    return [
        replace(one, number=one.number + max(0, done.get(one.pile, 0) + 1 - first[one.pile]))
        if one.task == "turn"
        else one
        for one in tasks
    ]


def _values(one: TaskToKeep, pile_id: UUID | None) -> dict[str, Any]:
    values = {name: getattr(one, name) for name in _SHOWN if name != "pile_id"}
    return values | {"pile_id": pile_id}


def _differs(row: PlanTaskRow, values: Mapping[str, object]) -> bool:
    return row.state != "planned" or any(getattr(row, name) != value for name, value in values.items())


def _change(row: PlanTaskRow, plan_id: UUID, now: datetime, values: Mapping[str, object]) -> None:
    shown = any(getattr(row, name) != value for name, value in values.items() if name != "pile_id")
    for name, value in values.items():
        setattr(row, name, value)
    if shown:
        row.plan_id, row.changed_at, row.sequence = plan_id, now, row.sequence + 1
