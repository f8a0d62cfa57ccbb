"""Looking again at verdicts on file whose evidence may have changed."""

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import groupby
from typing import Final
from uuid import UUID

import structlog

from service.jobs.tasks import Task, Tools
from service.operations import verdicts
from service.operations.reopening import REOPEN
from service.storage import piles as stored_piles
from service.storage import records
from service.storage import verdicts as stored
from service.storage.database import Database
from service.storage.tables import PileRow
from service.storage.verdicts import OnFile

log = structlog.get_logger()


class SomeNotJudged(Exception):
    """Some piles could not be judged again; the others were, and the job is tried again."""


def reopen_verdicts(tools: Tools, organisation_id: int) -> None:
    """Judge each pile with a verdict on file again, and issue successors where the record now says otherwise.

    Raises
    ------
    SomeNotJudged
        A pile could not be judged; the others were.
    """
    with tools.database.begin(organisation_id) as session:
        on_file = stored.newest_on_file(session, organisation_id)
    failed = []
    for pile_id, of_pile in groupby(on_file, key=lambda one: one.pile_id):
        tools.go_on()
        try:
            _reopen(tools.database, organisation_id, pile_id, list(of_pile))
        except Exception:
            log.exception("pile_not_judged_again", organisation_id=organisation_id, pile_id=str(pile_id))
            failed.append(str(pile_id))
    if failed:
        raise SomeNotJudged(", ".join(failed))


def _reopen(database: Database, organisation_id: int, pile_id: UUID, on_file: Sequence[OnFile]) -> None:
    known_at = datetime.now(UTC)
    with database.begin(organisation_id) as session:
        pile = records.find(session, PileRow, organisation_id, pile_id)
        loaded = stored_piles.load(session, pile, known_at=known_at)
    for one in on_file:
        verdict = verdicts.judge_again(loaded, one)
        if verdict is None:
            continue
        with database.begin(organisation_id) as session:
            looked_at = verdicts.looked_at(loaded, one.judged_at)
            came = stored.came_since(session, organisation_id, one, looked_at)
            because = verdicts.reason(loaded, one, verdict, came)
            issued = verdicts.issue_successor(
                session, organisation_id, one, verdict, because, known_at=known_at
            )
        if issued is not None:
            log.info(
                "verdict_reopened",
                organisation_id=organisation_id,
                pile_id=str(pile_id),
                rule=one.rule,
                was=one.state,
                now=issued.state,
                because=because,
            )


TASKS: Final = (Task(REOPEN, reopen_verdicts),)
