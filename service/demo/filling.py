"""Fills a record with the demo: once, whole or not at all, through the operations.

One transaction holds everything, so that a demo that was interrupted leaves nothing half done; only the organisation
and its key are made before it, by the steward.
"""

import time
from collections.abc import Callable
from datetime import datetime
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from rich.progress import Progress
from sqlmodel import Session

from service.demo import scenario
from service.demo.filled import Counts, Filled
from service.demo.piles import PILES
from service.demo.places import ORGANISATION, SITES
from service.demo.scenario import Scenario
from service.demo.sending import Sent, send
from service.demo.showing import addresses, table
from service.demo.writing import Written, record_label, write_records
from service.demo.year import ask_for_a_year
from service.domain.authority import Caller, Scope
from service.domain.compliance import RULES, judge
from service.domain.errors import NotFound
from service.operations import organisations, piles, verdicts
from service.operations.keys import NewKey
from service.storage import piles as stored_piles
from service.storage import sites as stored_sites
from service.storage.database import Database
from service.storage.histories import history_of
from service.storage.readings import Plain

__all__ = ["Counts", "Filled", "addresses", "fill", "table"]

ISSUED: Final = ("MY-01", "us-nop-windrow")
"""The pile and rule on which a verdict is put on file."""
SHEETS: Final = ("HS-06", "MY-08", "GH-05")
"""A pile of each site whose build sheet is there to print."""
_MOST_LISTED: Final = 500
_KEY_NAME: Final = "demo"
_EXAMPLES: Final = frozenset({Scope.READ, Scope.WRITE, Scope.INGEST})
_LOOKING: Final = frozenset({Scope.READ})


def fill(database: Database, steward: Database, *, now: datetime, progress: Progress | None = None) -> Filled:
    """Fill the record with the demo, unless it is there already; make a key either way.

    Parameters
    ----------
    database, steward
        The record as the service sees it, and as the command line makes organisations in it.
    now
        Aware; the scenario ends here.
    progress
        Shows what takes longer than a second; None for silence.

    Returns
    -------
    Filled
        With a key of scopes read, write and ingest; of read alone if the demo was there before.
    """
    began = time.monotonic()
    known = _known(database, steward)
    if known is not None:
        made = organisations.create_key(steward, ORGANISATION, name=_KEY_NAME, scopes=_LOOKING)
        return _filled(made, known, _sheets(database, made, known), None, began)
    laid = scenario.make(now, advance=_bar(progress, "simulating piles", len(PILES)))
    made = organisations.create_key(steward, ORGANISATION, name=_KEY_NAME, scopes=_EXAMPLES)
    caller = Caller(made.row.organisation_id, made.row.id, _EXAMPLES)
    with database.begin(caller.organisation_id) as session:
        written = write_records(session, caller, laid, advance=_bar(progress, "writing piles", len(PILES)))
        sent = _send(session, caller, laid, _bar(progress, "sending readings", laid.readings))
        _issue(session, caller, written, laid)
        ask_for_a_year(session, caller, written.sites, now=now)
    counts = Counts(len(written.sites), len(written.piles), len(written.probes), written.events, sent)
    return _filled(made, written, _sheets(database, made, written), counts, began)


def _known(database: Database, steward: Database) -> Written | None:
    """Return the ids of a demo that is there already; an organisation without sites was never filled."""
    try:
        organisation_id = organisations.id_of(steward, ORGANISATION)
    except NotFound:
        return None
    caller = Caller(organisation_id, UUID(int=0), _LOOKING)
    with database.begin(organisation_id) as session:
        sites = stored_sites.sites_page(session, caller, limit=_MOST_LISTED, after=None).items
        found = stored_piles.piles_page(session, caller, None, limit=_MOST_LISTED, after=None).items
    if not sites:
        return None
    site_ids = {row.name: row.id for row in sites}
    pile_ids = {row.label: row.id for row in found}
    # What a user renamed or removed is left out rather than looked for.
    return Written(
        sites={key: site_ids[site.name] for key, site in SITES.items() if site.name in site_ids},
        piles={pile.label: pile_ids[record_label(pile)] for pile in PILES if record_label(pile) in pile_ids},
    )


def _sheets(database: Database, made: NewKey, written: Written) -> dict[str, str]:
    """Return where the build sheet of a pile is: that of its recipe for its bay."""
    caller = Caller(made.row.organisation_id, made.row.id, _LOOKING)
    found: dict[str, str] = {}
    with database.begin(caller.organisation_id) as session:
        for label in SHEETS:
            if label in written.piles:
                row = piles.pile_of(session, caller, written.piles[label])
                if row.recipe_id is not None and row.bay_id is not None:
                    found[label] = f"/v1/recipes/{row.recipe_id}/build-sheet.pdf?bay_id={row.bay_id}"
    return found


def _filled(
    made: NewKey, written: Written, sheets: dict[str, str], counts: Counts | None, began: float
) -> Filled:
    return Filled(
        organisation=ORGANISATION,
        organisation_id=made.row.organisation_id,
        key=made.token,
        scopes=frozenset(map(Scope, made.row.scopes)),
        is_new=counts is not None,
        sites=written.sites,
        piles=written.piles,
        sheets=sheets,
        counts=counts,
        seconds=time.monotonic() - began,
    )


def _send(session: Session, caller: Caller, laid: Scenario, advance: Callable[[int], None]) -> Sent:
    session.flush()
    connection: Plain = session.connection().connection.driver_connection  # type: ignore[assignment]
    return send(connection, caller, laid.bags, advance=advance)


def _issue(session: Session, caller: Caller, written: Written, laid: Scenario) -> None:
    """Put one verdict on file, as an inspector would be given it."""
    label, rule = ISSUED
    pile_id = written.piles[label]
    loaded = stored_piles.load(session, piles.pile_of(session, caller, pile_id))
    zone = ZoneInfo(loaded.site.time_zone)
    history = history_of(loaded, now=laid.now)
    verdict = judge(RULES[rule], history, judged_at=laid.now, time_zone=zone)
    verdicts.issue(session, caller, pile_id, verdict)


def _bar(progress: Progress | None, words: str, total: int) -> Callable[[int], None]:
    if progress is None:
        return lambda _done: None
    bar = progress.add_task(words, total=total)
    return lambda done: progress.advance(bar, done)
