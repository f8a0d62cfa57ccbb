"""``POST /v1/readings``: the address gateways post to, as a bare ASGI route.

The framework's routing and models cost more than the work itself at one reading a request, so this one route
goes without; its description is put into the OpenAPI document by hand (``ingest_schema.py``).
"""

import asyncio
import time
from datetime import UTC, datetime
from typing import Any, Final

import msgspec
import structlog
from fastapi.responses import JSONResponse
from starlette.types import Receive, Scope, Send

from service.domain.authority import Caller
from service.domain.authority import Scope as KeyScope
from service.domain.errors import DomainError, Invalid
from service.http.asking import Asked, NotTaken, asked_of
from service.http.authority import Authenticator, must_have
from service.http.formats.bodies import BAG, LINES
from service.http.formats.read import Sorted, Unreadable, pack_of
from service.http.imports import take_import
from service.http.line_stream import LineStream
from service.http.metrics import note
from service.http.problems import of_domain_error, problem
from service.http.quota import Quota
from service.http.readers import Readers, receive_body, receive_pieces
from service.http.receipts import STRICT, count, pointer_of, receipt_body, refused_items
from service.operations.intake import Intake
from service.operations.packs import MOST_LISTED, Receipt
from service.settings import Settings
from service.storage.database import Database

log = structlog.get_logger()


ADDRESS: Final = "/v1/readings"
_ON_LOOP: Final = 64 << 10
"""Bytes; a larger body in another form than our own is read in a thread, so that others are answered meanwhile."""


class Reply:
    """An answer with a body of JSON."""

    __slots__ = ("body", "headers", "status")

    def __init__(self, status: int, body: Any, headers: dict[str, str] | None = None) -> None:  # noqa: ANN401
        self.status = status
        self.body = body if isinstance(body, bytes) else msgspec.json.encode(body)
        self.headers = headers or {}


class IngestRoute:
    """Keeps readings in any of the forms and says, reading by reading, what became of them."""

    def __init__(
        self, authenticator: Authenticator, intake: Intake, database: Database, settings: Settings
    ) -> None:
        self._authenticator = authenticator
        self._intake = intake
        self._database = database
        self._settings = settings
        self._quota = Quota(settings.posts_per_minute)
        self._readers = Readers(database, most=settings.max_records)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, and count it."""
        began = time.perf_counter()
        reply, fields = await self._reply(scope, receive)
        if isinstance(reply, Reply):
            await _send(send, reply, fields)
            status = reply.status
        else:
            for name, value in fields.items():
                reply.headers.setdefault(name, value)
            await reply(scope, receive, send)
            status = reply.status_code
        note(ADDRESS, "POST", status, time.perf_counter() - began)

    async def _reply(self, scope: Scope, receive: Receive) -> tuple[Reply | JSONResponse, dict[str, str]]:
        fields: dict[str, str] = {}
        reply: Reply | JSONResponse
        try:
            reply = await self._answer(scope, receive, fields)
        except DomainError as error:
            reply = of_domain_error(error)
        except NotTaken as error:
            reply = problem(415, error.code, "Not taken", error.detail, headers=dict([error.header]))
        except Unreadable as error:
            reply = problem(400, "unreadable", "The body cannot be read", str(error))
        except Exception:  # the last wall before the socket
            log.exception("ingest_failed")
            reply = problem(
                500, "internal", "A fault of the service", "the fault was logged; send the same bag again"
            )
        return reply, fields

    async def _answer(self, scope: Scope, receive: Receive, fields: dict[str, str]) -> Reply | JSONResponse:
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        caller = await self._caller(headers.get("authorization"))
        allowance = self._quota.spend(caller.credential_id)
        if allowance is not None:
            fields.update(allowance.fields)
            if allowance.is_spent:
                return allowance.refusal()
        asked = asked_of(headers, scope["query_string"])
        if asked.responds_async:
            pieces = receive_pieces(receive)
            return Reply(*await take_import(caller, asked, pieces, self._database, self._settings))
        if asked.media_type == LINES:
            return await self._lines(caller, asked, receive)
        body = await receive_body(receive, headers, asked.coding, self._settings.max_bag_bytes)
        now = datetime.now(UTC)
        bag = await self._read(caller, asked, body, now)
        if asked.is_dry_run:
            return await self._tried(caller, asked, bag)
        if asked.is_strict and bag.refused:
            return _all_or_nothing(bag, asked)
        receipt = await self._intake.submit_on_loop(pack_of(bag, caller, now=now))
        count(receipt)
        return _receipt(receipt, asked)

    async def _caller(self, authorization: str | None) -> Caller:
        kind, _, token = (authorization or "").partition(" ")
        token = token.strip() if kind.lower() == "bearer" else ""
        caller = self._authenticator.known(token)
        if caller is None:
            caller = await asyncio.to_thread(self._authenticator.check, token)
        return must_have(caller, KeyScope.INGEST)

    async def _read(self, caller: Caller, asked: Asked, body: bytes, now: datetime) -> Sorted:
        if asked.profile is None and (asked.media_type == BAG or len(body) <= _ON_LOOP):
            return self._readers.read(caller, asked, body, now=now)
        return await asyncio.to_thread(self._readers.read, caller, asked, body, now=now)

    async def _lines(self, caller: Caller, asked: Asked, receive: Receive) -> Reply:
        stream = LineStream(self._intake, self._database, self._settings, caller, asked)
        await stream.take(receive_pieces(receive))
        body = receipt_body(stream.total, "") | {
            "committed_bytes": stream.committed_bytes,
            "lines": stream.lines,
        }
        if asked.is_dry_run:
            body = _trial(stream.total.received, stream.total.refused_count, body["refused"], 0, [])
        return Reply(207 if stream.total.refused_count else 200, body)

    async def _tried(self, caller: Caller, asked: Asked, bag: Sorted) -> Reply:
        """Say what would become of a body, and keep nothing."""
        serials = sorted(set(bag.serials))
        unknown = await asyncio.to_thread(self._readers.unknown, caller, serials)
        waiting = sum(serial in unknown for serial in bag.serials)
        listed = refused_items(bag.refused, _root(asked))
        return Reply(
            200, _trial(bag.received, len(bag.refused), listed, waiting, sorted(unknown)[:MOST_LISTED])
        )


def _trial(
    received: int, refused_count: int, refused: list[dict[str, Any]], waiting: int, unknown: list[str]
) -> dict[str, Any]:
    return {
        "dry_run": True,
        "received": received,
        "usable": received - refused_count,
        "would_be_held": waiting,
        "unknown_probes": unknown,
        "refused": refused,
        "refused_count": refused_count,
    }


def _root(asked: Asked) -> str:
    """Return where the readings stand in the body."""
    return "/readings" if asked.media_type == BAG and asked.profile is None else ""


def _all_or_nothing(bag: Sorted, asked: Asked) -> JSONResponse:
    errors = [
        {"pointer": pointer_of(place, refusal, _root(asked)), "detail": refusal.detail, "in": "body"}
        for place, refusal in bag.refused[:MOST_LISTED]
    ]
    detail = f"{len(bag.refused)} of {bag.received} readings cannot be used; nothing was kept, as you asked"
    return problem(
        422,
        Invalid.code,
        Invalid.title,
        detail,
        errors=errors,
        headers={"Preference-Applied": STRICT},
    )


def _receipt(receipt: Receipt, asked: Asked) -> Reply:
    headers = {"Preference-Applied": STRICT} if asked.is_strict else None
    return Reply(207 if receipt.refused_count else 200, receipt_body(receipt, _root(asked)), headers)


async def _send(send: Send, reply: Reply, fields: dict[str, str]) -> None:
    head = [(b"content-type", b"application/json"), (b"content-length", str(len(reply.body)).encode())]
    for name, value in (fields | reply.headers).items():
        head.append((name.lower().encode(), value.encode("latin-1")))
    await send({"type": "http.response.start", "status": reply.status, "headers": head})
    await send({"type": "http.response.body", "body": reply.body})
