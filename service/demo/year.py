"""A year of the network planned: what each site wishes for, and what a market garden wants of them all."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.demo.places import SITES
from service.domain.authority import Caller
from service.http.networks import NetworkIn
from service.operations import networks

DAYS: Final = 364
_PILES: Final = 12
_WITHIN_S: Final = 30.0
_PATTERN: Final = "week-then-mon-wed-fri"


def ask_for_a_year(session: Session, caller: Caller, sites: Mapping[str, UUID], *, now: datetime) -> None:
    """Ask for the plans of all sites together; a job searches for them once somebody works."""
    asked = NetworkIn.model_validate(
        {
            "sites": [_wish(key, site_id, now) for key, site_id in sites.items()],
            "shared_orders": [
                {"name": "market garden, raised beds", "volume_m3": 2.0, "by": _day(now, 200)},
                {"name": "market garden, orchard rows", "volume_m3": 2.5, "by": _day(now, 320)},
            ],
            "within_s": _WITHIN_S,
        }
    )
    networks.ask_network(session, caller, asked.model_dump(), now=now)


def _wish(key: str, site_id: UUID, now: datetime) -> dict[str, Any]:
    volume_m3 = min(bay.volume_m3 for bay in SITES[key].bays)
    return {
        "site_id": str(site_id),
        "days": DAYS,
        "pattern_code": _PATTERN,
        "piles": [{"name": f"{key} next", "count": _PILES, "volume_m3": volume_m3, "is_spare": True}],
        "orders": [
            {"name": f"{key} spring beds", "volume_m3": round(0.4 * volume_m3, 2), "by": _day(now, 150)},
            {"name": f"{key} autumn beds", "volume_m3": round(0.7 * volume_m3, 2), "by": _day(now, 300)},
        ],
    }


def _day(now: datetime, days: int) -> str:
    return (now + timedelta(days)).date().isoformat()
