"""``POST /v1/readings``: the address gateways post to, as a bare ASGI route.

The framework's routing and models cost more than the work itself at one reading a request, so this one route
goes without; its description is put into the OpenAPI document by hand (``ingest_schema.py``).
"""

import asyncio
from datetime import UTC, datetime
from typing import Any, Final

import msgspec
import structlog
from fastapi.responses import JSONResponse
from starlette.datastructures import Headers
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from service.domain.authority import Caller
from service.domain.authority import Scope as KeyScope
from service.domain.errors import DomainError, Invalid
from service.domain.quantities import UCUM, Unit
from service.http.authority import Authenticator, must_have
from service.http.formats.bag import read_bag
from service.http.formats.read import Sorted, Unreadable, pack_of
from service.http.metrics import READINGS
from service.http.problems import of_domain_error, problem
from service.operations.intake import Intake
from service.operations.readings import MOST_LISTED, Receipt

STRICT: Final = "handling=strict"

log = structlog.get_logger()


ADDRESS: Final = "/v1/readings"


class IngestFirst:
    """Takes posted readings past the framework's own layers; everything else goes on as usual."""

    def __init__(self, app: ASGIApp, *, ingest: ASGIApp) -> None:
        self._app = app
        self._ingest = ingest
        self._route = Route(ADDRESS, ingest, methods=["POST"])

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        if scope["type"] == "http" and scope["path"] == ADDRESS and scope["method"] == "POST":
            scope["route"] = self._route  # what the counters name it by
            await self._ingest(scope, receive, send)
        else:
            await self._app(scope, receive, send)


class IngestRoute:
    """Keeps a bag of readings and says, reading by reading, what became of it."""

    def __init__(self, authenticator: Authenticator, intake: Intake, *, max_records: int) -> None:
        self._authenticator = authenticator
        self._intake = intake
        self._max_records = max_records

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        try:
            answer = await self._answer(Headers(scope=scope), receive)
            if isinstance(answer, Receipt):
                await _send(send, *_receipt(answer))
                return
        except DomainError as error:
            answer = of_domain_error(error)
        except Exception:  # the last wall before the socket
            log.exception("ingest_failed")
            answer = problem(
                500, "internal", "A fault of the service", "the fault was logged; send the same bag again"
            )
        await answer(scope, receive, send)

    async def _answer(self, headers: Headers, receive: Receive) -> JSONResponse | Receipt:
        caller = await self._caller(headers.get("authorization"))
        body = await _body(receive)
        now = datetime.now(UTC)
        try:
            bag = read_bag(body, now=now, most=self._max_records)
        except Unreadable as error:
            return problem(400, "unreadable", "The body cannot be read", str(error))
        if STRICT in headers.get("prefer", "").replace(" ", "").lower() and bag.refused:
            return _all_or_nothing(bag)
        receipt = await asyncio.wrap_future(self._intake.submit(pack_of(bag, caller, now=now)))
        _count(receipt)
        return receipt

    async def _caller(self, authorization: str | None) -> Caller:
        kind, _, token = (authorization or "").partition(" ")
        token = token.strip() if kind.lower() == "bearer" else ""
        caller = self._authenticator.known(token)
        if caller is None:
            caller = await asyncio.to_thread(self._authenticator.check, token)
        return must_have(caller, KeyScope.INGEST)


async def _body(receive: Receive) -> bytes:
    """Return the body; its size was limited on the way here."""
    parts = []
    more = True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise Invalid.field("", "the connection ended before the body did; send it again")
        parts.append(message.get("body", b""))
        more = message.get("more_body", False)
    return b"".join(parts)


def _count(receipt: Receipt) -> None:
    for outcome, count in (
        ("stored", receipt.stored),
        ("duplicate", receipt.duplicate),
        ("held", receipt.held),
        ("disputed", len(receipt.disputes)),
        ("refused", len(receipt.refused)),
    ):
        if count:
            READINGS.labels(outcome).inc(count)


def _all_or_nothing(bag: Sorted) -> JSONResponse:
    errors = [
        {"pointer": f"/readings/{place}/{refusal.member}".rstrip("/"), "detail": refusal.detail, "in": "body"}
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


def _receipt(receipt: Receipt) -> tuple[int, bytes]:
    """Return status and body."""
    refused: list[dict[str, Any]] = [
        {
            "index": place,
            "pointer": f"/readings/{place}/{refusal.member}".rstrip("/"),
            "type": f"/problems/reading-{refusal.code}",
            "detail": refusal.detail,
        }
        for place, refusal in receipt.refused[:MOST_LISTED]
    ]
    disputes = [
        {"index": d.place, "value_in_force": d.value_in_force, "unit_in_force": UCUM[Unit(d.unit_in_force)]}
        for d in receipt.disputes[:MOST_LISTED]
    ]
    body = {
        "received": receipt.received,
        "stored": receipt.stored,
        "duplicate": receipt.duplicate,
        "disputed": len(receipt.disputes),
        "held": receipt.held,
        "refused": refused,
        "refused_count": len(receipt.refused),
        "disputes": disputes,
    }
    return 207 if refused else 200, msgspec.json.encode(body)


async def _send(send: Send, status: int, body: bytes) -> None:
    head = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": body})
