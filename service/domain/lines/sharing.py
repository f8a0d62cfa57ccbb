"""What several sites that share orders are planned from, and what comes of it."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from service.domain.errors import FieldError, Invalid
from service.domain.lines.allotting import SharedOrder
from service.domain.lines.answer import LinePlan
from service.domain.lines.checking import refuse_what_does_not_fit
from service.domain.lines.request import LineRequest
from service.domain.lines.watching import Begun, Watch

HOW_SHARED: Final = (
    "A sketch of each site's line with all its piles, those built only if needed among them, tells how much of each"
    " grade it could have ready by each date beside its own orders. A linear programme gives the shared orders to the"
    " sites so that least is left over, and then so that no site is filled more than it must be. Each site's line is"
    " planned by itself with its part; what a site then has not ready in time is offered once more to those that have"
    " room."
)


@dataclass(frozen=True)
class SiteLine:
    """One site of a network.

    Attributes
    ----------
    name, request
        Its line with its own orders alone.
    watch, begun
        As :func:`~service.domain.lines.planning.plan_line` takes them.
    """

    name: str
    request: LineRequest
    watch: Watch | None = None
    begun: Mapping[str, Begun] = field(default_factory=dict)


@dataclass(frozen=True)
class Part:
    """What a site makes of a shared order in time [m3]."""

    order: str
    site: str
    volume_m3: float


@dataclass(frozen=True)
class NetworkPlan:
    """The plans of several sites.

    Attributes
    ----------
    plans
        By site.
    parts
        Who makes what.
    unmet_m3
        By shared order, what no site has ready in time.
    unmet_at_least_m3
        What no plan could avoid of all shared orders together, were every pile ready as early as its pattern and the
        crew days let it be, and nothing owed to anybody else.
    gap_pct
        The largest of the sites' gaps: how much better each line could be with the part it was given.
    unmet_gap_pct
        What is unmet beyond ``unmet_at_least_m3``, % of what is wanted: how far off the sharing can be.
    took_s
        Wall-clock seconds.
    """

    plans: Mapping[str, LinePlan]
    parts: tuple[Part, ...]
    unmet_m3: Mapping[str, float]
    unmet_at_least_m3: float
    gap_pct: float
    unmet_gap_pct: float
    took_s: float


def refuse_network(sites: Sequence[SiteLine], shared: Sequence[SharedOrder]) -> None:
    """Check what is to be planned together.

    Raises
    ------
    Invalid
        With one pointer for each value that does not fit.
    """
    found: list[FieldError] = [] if sites else [FieldError("/sites", "names no site; give one or more")]
    for index, site in enumerate(sites):
        try:
            refuse_what_does_not_fit(site.request)
        except Invalid as error:
            found += [FieldError(f"/sites/{index}{one.pointer}", one.detail) for one in error.errors]
    names: set[str] = set()
    opens = min((site.request.opens for site in sites), default=dt.date.min)
    for index, order in enumerate(shared):
        at = f"/shared_orders/{index}"
        if order.name in names:
            found.append(FieldError(f"{at}/name", f"order '{order.name}' stands twice; name each order once"))
        names.add(order.name)
        if not order.volume_m3 > 0:
            found.append(
                FieldError(f"{at}/volume_m3", f"{order.volume_m3} asks for nothing; give more than 0")
            )
        if order.by < opens:
            found.append(FieldError(f"{at}/by", f"{order.by} is past; give {opens} or later"))
        if not any(order.grade in site.request.grades for site in sites):
            found.append(FieldError(f"{at}/grade", f"'{order.grade}' is no grade of any of the sites"))
    if found:
        raise Invalid(*found)


def shared_name(order: str) -> str:
    """Return what a site's part of a shared order is called in its plan."""
    return f"shared: {order}"
