"""Files of readings for tests of imports, sent and read."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from fastapi.testclient import TestClient
from sqlalchemy import text

from service.jobs.imports import read_import
from service.settings import Settings
from service.storage.database import Database
from tests.builders import a_reading
from tests.conftest import Tenant

JSON, SENML, CBOR = "application/json", "application/senml+json", "application/senml+cbor"
LINES, TABLE = "application/x-ndjson", "text/csv"
START = datetime(2025, 3, 1, tzinfo=UTC)
ASYNC = {"Prefer": "respond-async"}
COUNTS = ("received", "stored", "duplicate", "disputed", "held", "refused")
MANY = 30_000


def at(place: int) -> str:
    return (START + timedelta(minutes=place)).isoformat()


def reading(serial: str, place: int, **overrides: Any) -> dict[str, Any]:
    return a_reading(serial, 0, 40 + place % 300 / 10, observed_at=at(place)) | overrides


def lines(serial: str, count: int, *, bad: Callable[[int], bool] = lambda _: False) -> bytes:
    """One reading a line; those that ``bad`` chooses have no number for a value."""
    return "".join(
        json.dumps(reading(serial, place, **({"value": "warm"} if bad(place) else {}))) + "\n"
        for place in range(count)
    ).encode()


def table(serial: str, count: int, *, bad: Callable[[int], bool] = lambda _: False) -> bytes:
    """The same as a table with our own header."""
    rows = ["probe,observed_at,quantity,value,unit"]
    for place in range(count):
        value = "warm" if bad(place) else f"{40 + place % 300 / 10}"
        rows.append(f"{serial},{at(place)},temperature,{value},Cel")
    return "\r\n".join([*rows, ""]).encode()


def post(
    tenant: Tenant,
    body: bytes,
    media_type: str = LINES,
    *,
    query: str = "",
    key: str | None = None,
    client: TestClient | None = None,
    **headers: str,
) -> Any:
    sent = {"Authorization": f"Bearer {key or tenant.key}", "Content-Type": media_type, **ASYNC}
    sent |= {name.replace("_", "-"): value for name, value in headers.items()}
    return (client or tenant.client).post(f"/v1/readings{query}", content=body, headers=sent)


def taken(tenant: Tenant, body: bytes, media_type: str = LINES, **options: Any) -> str:
    answer = post(tenant, body, media_type, **options)
    assert answer.status_code == 202, answer.text
    made: str = answer.json()["id"]
    return made


def read(database: Database, tenant: Tenant, import_id: str, **settings: Any) -> dict[str, Any]:
    """Run the job and return the import."""
    read_import(database, tenant.organisation_id, import_id, settings=Settings(**settings))
    shown: dict[str, Any] = tenant.get(f"/v1/imports/{import_id}")
    return shown


def counts(shown: dict[str, Any]) -> dict[str, int]:
    return {name: shown[name] for name in COUNTS if shown[name]}


def refusals(tenant: Tenant, import_id: str, *, limit: int = 500) -> list[dict[str, Any]]:
    """Every page of them."""
    items: list[dict[str, Any]] = []
    after = ""
    while True:
        page = tenant.get(f"/v1/imports/{import_id}/refusals?limit={limit}{after}")
        items += page["items"]
        if page["next"] is None:
            return items
        assert len(page["items"]) == limit
        after = f"&after={page['next']}"


def on_disk(database: Database, tenant: Tenant, table: str = "reading") -> int:
    with database.begin(tenant.organisation_id) as session:
        return int(session.execute(text(f"select count(*) from {table}")).scalar_one())


PEAK_KB = """
def peak_kb():
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmHWM:"))
"""
"""How much memory a program has used at most [kB]; ``ru_maxrss`` will not do, as a child is born with its parent's."""
