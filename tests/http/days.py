"""A crew's day for tests: a site with bays, piles and planned tasks of the present day."""

import uuid
from datetime import UTC, date, datetime, timedelta
from typing import Any

from service.storage.database import Database
from service.storage.tables import PlanTaskRow
from tests.builders import a_bay, a_pile, a_placement, a_probe, a_site
from tests.conftest import Tenant

EVERY_DAY = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


def now() -> datetime:
    return datetime.now(UTC).replace(microsecond=0)


def today() -> date:
    return now().date()


def ago(**span: float) -> str:
    return (now() - timedelta(**span)).isoformat()


def a_crewed_site(tenant: Tenant, **overrides: Any) -> dict[str, Any]:
    """A site without a calendar of its own: two people for three hours are assumed each day."""
    return a_site(
        tenant, **({"time_zone": "Etc/UTC", "work_days": EVERY_DAY, "crews": ["Year 9"]} | overrides)
    )


def a_standing_pile(tenant: Tenant, site: dict[str, Any], label: str, days: float = 5, **more: Any) -> Any:
    return a_pile(tenant, site["id"], label=label, built_at=ago(days=days), **more)


def a_hand_probe(tenant: Tenant, pile: dict[str, Any], *told: tuple[float, float]) -> str:
    """Place a probe that is read by hand; ``told`` are hours ago and degrees."""
    probe = a_probe(tenant)
    a_placement(tenant, probe["id"], pile["id"], **{"from": ago(days=4)})
    tenant.post(
        "/v1/readings",
        {
            "readings": [
                {
                    "probe": probe["serial"],
                    "observed_at": ago(hours=hours),
                    "quantity": "temperature",
                    "value": value,
                    "unit": "Cel",
                }
                for hours, value in told
            ]
        },
    )
    serial: str = probe["serial"]
    return serial


def a_planned_task(
    database: Database, tenant: Tenant, site: dict[str, Any], pile: str, task: str, **overrides: Any
) -> str:
    """Put a planned task on record as a plan's issue does."""
    values: dict[str, Any] = {
        "number": 1,
        "on_date": today(),
        "bay": "1",
        "minutes": 60,
        "day_of_pile": 4,
        "reason": "the pattern turns it on this day",
    } | overrides
    row = PlanTaskRow(
        organisation_id=tenant.organisation_id,
        site_id=uuid.UUID(site["id"]),
        plan_id=uuid.uuid4(),
        pile=pile,
        task=task,
        **values,
    )
    with database.begin(tenant.organisation_id) as session:
        session.add(row)
    return str(row.id)


def the_list(tenant: Tenant, site: dict[str, Any], **query: Any) -> Any:
    asked = "&".join(f"{name}={value}" for name, value in query.items())
    return tenant.get(f"/v1/sites/{site['id']}/today?{asked}")


def a_line(tenant: Tenant, database: Database) -> tuple[dict[str, Any], dict[str, Any]]:
    """Three bays: Oak must leave bay 2 before Ash comes into it, and Elm is to be built where Ash stood."""
    site = a_crewed_site(tenant)
    bays = {label: a_bay(tenant, site["id"], label=label) for label in ("1", "2", "3")}
    ash = a_standing_pile(tenant, site, "Ash", bay_id=bays["1"]["id"])
    oak = a_standing_pile(tenant, site, "Oak", 12, bay_id=bays["2"]["id"])
    a_hand_probe(tenant, ash, (50, 62.0), (2, 66.0))
    a_hand_probe(tenant, oak, (50, 58.0), (2, 57.0))
    ids = {
        "ash": a_planned_task(database, tenant, site, "Ash", "turn", bay="1", to_bay="2", minutes=90),
        "oak": a_planned_task(
            database, tenant, site, "Oak", "turn", bay="2", to_bay="3", minutes=90, number=4
        ),
        "elm": a_planned_task(database, tenant, site, "Elm", "build", bay="1", minutes=120, day_of_pile=0),
        "check": a_planned_task(database, tenant, site, "Oak", "check", bay="2", minutes=10, number=12),
    }
    return site, {"piles": {"Ash": ash, "Oak": oak}, **ids}
