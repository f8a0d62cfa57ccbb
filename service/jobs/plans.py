"""Searching for a plan: told of once a second, cancelled, taken up again; and looking for what was missed."""

import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Final, Generic, TypeVar
from uuid import UUID

import structlog
from sqlmodel import Session

from service.domain.errors import Invalid
from service.domain.lines.answer import LinePlan
from service.domain.lines.sharing import NetworkPlan
from service.domain.lines.watching import Watch
from service.jobs.tasks import Task, Tools
from service.operations import networks, plans
from service.operations.plans import Search
from service.operations.replanning import LOOK, ask_to_look, look_at_site
from service.storage import partitions, retention
from service.storage.plans import sites_with_plans

SWEEP: Final = "sweep_plans"
LOST_AFTER: Final = timedelta(minutes=15)
"""How long a plan may wait before its signal counts as lost."""
_SITES_AT_ONCE: Final = 2
_LOOK_EVERY_S: Final = 0.1
_TELL_EVERY_S: Final = 1.0
_MOST_BEFORE_DONE_PCT: Final = 99.0

log = structlog.get_logger()


def plan_site_line(tools: Tools, organisation_id: int, plan_id: str) -> None:
    """Search for a site's plan and put it into force."""
    now = datetime.now(UTC)
    try:
        with tools.database.begin(organisation_id) as session:
            search = plans.start(session, organisation_id, UUID(plan_id), now=now)
        if search is None:
            return
        watch = Watch()
        plan = _Searching(
            tools, organisation_id, {search.plan_id: watch}, search.within_s, lambda: _planned(search, watch)
        ).found()
    except Invalid as error:
        with tools.database.begin(organisation_id) as session:
            plans.fail(session, organisation_id, UUID(plan_id), str(error), now=datetime.now(UTC))
        return
    with tools.database.begin(organisation_id) as session:
        row = plans.finish(session, organisation_id, search, plan, now=datetime.now(UTC))
        log.info("line_planned", plan_id=plan_id, state=row.state, took_s=plan.took_s, gap_pct=plan.gap_pct)


def _planned(search: Search, watch: Watch) -> LinePlan:
    from service.domain.lines.planning import mended, plan_line  # noqa: PLC0415 - slow to load, and seldom needed

    asked = {"within_s": search.within_s, "watch": watch, "begun": search.begun}
    request = search.composed.request
    if search.told is None:
        return plan_line(request, **asked)  # type: ignore[arg-type]
    return mended(request, search.told, **asked)  # type: ignore[arg-type]


Found = TypeVar("Found")


class _Searching(Generic[Found]):
    """One search in a thread of its own, looked at from this one.

    Parameters
    ----------
    watches
        By plan, what tells how far it is and may stop it.
    search
        Searches.
    """

    def __init__(
        self,
        tools: Tools,
        organisation_id: int,
        watches: Mapping[UUID, Watch],
        within_s: float,
        search: Callable[[], Found],
    ) -> None:
        self._tools, self._organisation_id, self._watches = tools, organisation_id, watches
        self._within_s, self._search = within_s, search
        self._plan: Found | None = None
        self._fault: BaseException | None = None
        self._began = time.monotonic()

    def found(self) -> Found:
        """Return what is found, or raise what the search raised; a worker that is stopped keeps the best so far."""
        thread = threading.Thread(target=self._work, name="search", daemon=True)
        thread.start()
        try:
            self._look_until(thread)
        finally:
            self._stop()
            thread.join()
        if self._fault is not None:
            raise self._fault
        assert self._plan is not None, "a search ends with a plan, or raises"
        return self._plan

    def _work(self) -> None:
        try:
            self._plan = self._search()
        except BaseException as fault:  # noqa: BLE001 - raised again where the job is
            self._fault = fault

    def _look_until(self, thread: threading.Thread) -> None:
        told_at = self._began
        while thread.is_alive():
            thread.join(_LOOK_EVERY_S)
            if self._tools.stopping.is_set():
                self._tell()
                self._tools.go_on()
            if thread.is_alive() and time.monotonic() - told_at >= _TELL_EVERY_S:
                told_at = time.monotonic()
                if not self._tell():
                    self._stop()

    def _stop(self) -> None:
        for watch in self._watches.values():
            watch.stop()

    def _tell(self) -> bool:
        spent = min(_MOST_BEFORE_DONE_PCT, 100 * (time.monotonic() - self._began) / self._within_s)
        with self._tools.database.begin(self._organisation_id) as session:
            going_on = [
                plans.note_progress(session, self._organisation_id, plan_id, watch.look(), spent)
                for plan_id, watch in self._watches.items()
            ]
        return any(going_on)


def plan_sites_together(tools: Tools, organisation_id: int, network_id: str) -> None:
    """Search for the plans of several sites, two at a time, and put them into force."""
    from service.domain.lines.network import plan_network  # noqa: PLC0415 - slow to load, and seldom needed

    with tools.database.begin(organisation_id) as session:
        together = networks.start(session, organisation_id, UUID(network_id), now=datetime.now(UTC))
    if together is None:
        return

    def search() -> NetworkPlan:
        # The solver works outside the interpreter's lock, so that threads use both cores.
        with ThreadPoolExecutor(_SITES_AT_ONCE) as pool:
            return plan_network(
                together.sites,
                together.shared,
                within_s=together.within_s,
                workers=_SITES_AT_ONCE,
                each=pool.map,
            )

    try:
        made = _Searching(tools, organisation_id, together.watches, together.within_s, search).found()
    except Invalid as error:
        with tools.database.begin(organisation_id) as session:
            for plan_id in together.watches:
                plans.fail(session, organisation_id, plan_id, str(error), now=datetime.now(UTC))
        return
    with tools.database.begin(organisation_id) as session:
        networks.finish(session, organisation_id, together, made, now=datetime.now(UTC))
    log.info("network_planned", network_id=network_id, took_s=made.took_s, gap_pct=made.gap_pct)


def look_at_plans(tools: Tools, organisation_id: int) -> None:
    """Have each plan mended where work was missed or a pile cannot wait."""
    with tools.database.begin(organisation_id) as session:
        sites = list(sites_with_plans(session, organisation_id))
    for site_id in sites:
        tools.go_on()
        with tools.database.begin(organisation_id) as session:
            row = look_at_site(session, organisation_id, site_id, now=datetime.now(UTC))
            if row is not None:
                log.info("plan_to_be_mended", site_id=str(site_id), because=row.because)


def sweep_plans(tools: Tools) -> None:
    """Ask for a look at each organisation's plans, and for those whose signal was lost."""
    assert tools.owner is not None, "only a worker that knows the owner's login serves this queue"
    for policy in retention.policies(tools.owner):
        tools.go_on()
        with Session(tools.owner) as session, session.begin():
            partitions.enter_plain(session.connection(), policy.organisation_id)
            ask_to_look(session, policy.organisation_id)
            for network_id in plans.ask_again(
                session, policy.organisation_id, before=datetime.now(UTC) - LOST_AFTER
            ):
                networks.ask_to_search(session, policy.organisation_id, network_id)


TASKS: Final = (
    Task(plans.TASK, plan_site_line),
    Task(networks.TASK, plan_sites_together),
    Task(LOOK, look_at_plans),
    Task(SWEEP, sweep_plans, every="*/10 * * * *", needs_owner=True),
)
