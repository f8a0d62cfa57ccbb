"""Several sites with orders they share: who makes what is decided above the sites, and each line then planned alone."""

import datetime as dt
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from service.domain.lines.allotting import LITRE_M3, Ahead, Dated, Parts, SharedOrder, allotted, left_over
from service.domain.lines.answer import LinePlan
from service.domain.lines.model import Line, PileVars, cool_of
from service.domain.lines.planning import plan_line
from service.domain.lines.request import Order
from service.domain.lines.sharing import NetworkPlan, Part, SiteLine, refuse_network, shared_name
from service.domain.lines.starting import starting_plan

_SKETCH_SHARE: Final = 0.2
_AGAIN_SHARE: Final = 0.2

Job = tuple[SiteLine, float]
Each = Callable[[Callable[[Job], Any], Iterable[Job]], Iterable[Any]]
"""Works a function off over jobs and gives the answers in their order: ``map``, or that of a pool."""


def plan_network(
    sites: Sequence[SiteLine],
    shared: Sequence[SharedOrder],
    *,
    within_s: float,
    workers: int = 1,
    each: Each = map,
) -> NetworkPlan:
    """Plan several sites' lines and the orders they share; how, :data:`~service.domain.lines.sharing.HOW_SHARED` says.

    Parameters
    ----------
    sites
        Names are unique.
    shared
        Orders any of the sites may fill, whole or in part.
    within_s
        Seconds for all; each site has its share of them.
    workers, each
        How many sites are planned at a time, and by what.

    Returns
    -------
    NetworkPlan
        The sharing is not proven best: ``unmet_gap_pct`` says how far off it can be.

    Raises
    ------
    Invalid
        With one pointer for each value that does not fit, below ``/sites/i`` or ``/shared_orders/i``.
    """
    began = time.perf_counter()
    refuse_network(sites, shared)
    each_s = within_s * workers / len(sites)
    seen: list[tuple[Ahead, Ahead]] = []
    if shared:
        seen += each(_look, [(site, each_s * _SKETCH_SHARE) for site in sites])
    ahead = {site.name: one for site, (one, _) in zip(sites, seen, strict=False)}
    doing = _Sharing({site.name: site for site in sites}, shared, each)
    parts = allotted(shared, ahead)
    plans = doing.planned(parts, each_s * (1 - (_SKETCH_SHARE + _AGAIN_SHARE if shared else 0)))
    made = doing.made(plans, parts)
    missing = [replace(one, volume_m3=rest) for one in shared if (rest := left_over(one, made)) > LITRE_M3]
    if missing:
        room = {
            name: doing.beside(ahead[name], name, made)
            for name in ahead
            if not doing.is_short(name, parts, made)
        }
        more = allotted(missing, room)
        parts = {key: made.get(key, 0.0) + more.get(key, 0.0) for key in {**made, **more}}
        plans |= doing.planned(parts, each_s * _AGAIN_SHARE, only={site for _, site in more})
        made = doing.made(plans, parts)
    unmet = {one.name: left_over(one, made) for one in shared}
    best = allotted(shared, {site.name: one for site, (_, one) in zip(sites, seen, strict=False)})
    least, wanted = sum(left_over(one, best) for one in shared), sum(one.volume_m3 for one in shared)
    return NetworkPlan(
        plans={site.name: plans[site.name] for site in sites},
        parts=tuple(Part(*key, volume) for key, volume in sorted(made.items()) if volume > LITRE_M3),
        unmet_m3=unmet,
        unmet_at_least_m3=least,
        gap_pct=max(plan.gap_pct for plan in plans.values()),
        unmet_gap_pct=100 * max(0.0, sum(unmet.values()) - least) / wanted if wanted else 0.0,
        took_s=time.perf_counter() - began,
    )


@dataclass(frozen=True)
class _Sharing:
    """Sites being planned with their parts of the shared orders."""

    sites: Mapping[str, SiteLine]
    shared: Sequence[SharedOrder]
    each: Each

    def planned(self, parts: Parts, within_s: float, only: set[str] | None = None) -> dict[str, LinePlan]:
        names = [name for name in self.sites if only is None or name in only]
        jobs = [(self._with(name, parts), within_s) for name in names]
        return dict(zip(names, self.each(_solve, jobs), strict=True))

    def _with(self, name: str, parts: Parts) -> SiteLine:
        site = self.sites[name]
        mine = [
            Order(shared_name(order.name), order.grade, parts[order.name, name], order.by)
            for order in self.shared
            if parts.get((order.name, name), 0.0) > LITRE_M3
        ]
        return replace(site, request=replace(site.request, orders=[*site.request.orders, *mine]))

    def made(self, plans: Mapping[str, LinePlan], parts: Parts) -> Parts:
        """Return what each site really has ready in time of its parts."""
        short = {
            (order.name, site): one.short_m3 or 0.0
            for site, plan in plans.items()
            for one in plan.misfits
            for order in self.shared
            if one.kind == "order" and one.wish == shared_name(order.name)
        }
        return {key: max(0.0, volume - short.get(key, 0.0)) for key, volume in parts.items()}

    def is_short(self, site: str, parts: Parts, made: Parts) -> bool:
        return any(volume - made[key] > LITRE_M3 for key, volume in parts.items() if key[1] == site)

    def beside(self, ahead: Ahead, site: str, made: Parts) -> Ahead:
        """Return what a site could have ready beside its own orders and the parts it has."""
        owed: dict[str, list[tuple[dt.date, float]]] = {
            grade: [*dated] for grade, dated in ahead.owed.items()
        }
        for order in self.shared:
            owed.setdefault(order.grade, []).append((order.by, made.get((order.name, site), 0.0)))
        return Ahead(ahead.ready, owed)


def _solve(job: Job) -> LinePlan:
    site, within_s = job
    return plan_line(site.request, within_s=within_s, watch=site.watch, begun=site.begun, is_even=False)


def _look(job: Job) -> tuple[Ahead, Ahead]:
    """Return what a sketch of a site's line has ready with every spare pile, and what nothing could surpass.

    Of the latter each pile is ready as early as pattern, rule and crew days let it be, and nothing is owed.
    """
    site, within_s = job
    piles = [replace(one, is_spare=False) for one in site.request.piles]
    line = Line(replace(site.request.counted_on, piles=piles))
    found = {name: column.ready for name, column in starting_plan(line, within_s=within_s).items()}
    ready = {pile.wish.name: min(_ready_days(pile)) for pile in line.piles if pile.courses}
    return _dated(line, found), replace(_dated(line, ready), owed={})


def _ready_days(pile: PileVars) -> Iterable[int]:
    if pile.wish.built_on is not None:
        return [0]
    return (cool_of(pile.wish, course) + (pile.wish.pattern.curing_days or 0) for course in pile.courses)


def _dated(line: Line, ready: Mapping[str, int]) -> Ahead:
    request = line.request
    volumes = {one.name: one.volume_m3 * request.kept_pct / 100 for one in request.piles}
    made: dict[str, Dated] = {
        grade: [
            (request.first, request.on_hand_m3.get(grade, 0.0)),
            *((request.first + dt.timedelta(day), volumes[name] * share) for name, day in ready.items()),
        ]
        for grade, share in request.grades.items()
    }
    owed: dict[str, list[tuple[dt.date, float]]] = defaultdict(list)
    for order in request.orders:
        owed[order.grade].append((order.by, order.volume_m3))
    return Ahead(made, owed)
