"""Imports taken in, looked at and cancelled over HTTP."""

import asyncio
import threading
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import text

from service.app import create_app
from service.operations import imports
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, Database, connect_engine
from tests.builders import a_probe, a_site
from tests.conftest import Tenant, Urls
from tests.http.imported import JSON, LINES, SENML, TABLE, at, lines, on_disk, post, read, taken


def test_taking_in_answers_202_once_the_bytes_are_on_disk(tenant: Tenant, database: Database) -> None:
    body = lines("PR-1", 20_000)
    answer = post(tenant, body)
    assert answer.status_code == 202
    shown = answer.json()
    assert answer.headers["location"] == f"/v1/imports/{shown['id']}" == shown["links"]["self"]
    assert answer.headers["preference-applied"] == "respond-async"
    assert shown["state"] == "waiting"
    assert (shown["bytes_total"], shown["bytes_done"], shown["progress_pct"]) == (len(body), 0, 0)
    with database.begin(tenant.organisation_id) as session:
        chunks = session.execute(text("select body from import_chunk order by number")).scalars().all()
        job = session.execute(
            text(
                "select args from procrastinate_jobs where task_name = 'read_import' and args->>'import_id' = :id"
            ),
            {"id": shown["id"]},
        ).scalar_one()
    assert b"".join(chunks) == body
    assert [len(chunk) for chunk in chunks[:-1]] == [1 << 20] * (len(body) >> 20)
    assert job == {"organisation_id": tenant.organisation_id, "import_id": shown["id"]}
    assert on_disk(database, tenant) == 0
