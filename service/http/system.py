"""Whether the service lives, is ready, how it does; and what its problems mean. Public: no key."""

import inspect

import prometheus_client
from fastapi import APIRouter, Response
from fastapi.responses import PlainTextResponse

from service.domain import errors
from service.domain.errors import DomainError, NotFound
from service.http.authority import Database
from service.http.values import Out

router = APIRouter(tags=["system"])

_EXPLAINED = {
    kind.code: f"{kind.title}. {inspect.getdoc(kind) or ''}".strip()
    for kind in vars(errors).values()
    if isinstance(kind, type) and issubclass(kind, DomainError) and kind is not DomainError
} | {
    "unreadable": "The body cannot be read: it is not JSON, was cut off or is nested too deeply. Do not resend it.",
    "no-such-address": "No such address. /openapi.json lists every address of this service.",
    "method-not-allowed": "The address does not take that method; the Allow header names those it takes.",
    "not-acceptable": "The address does not offer what the Accept header asks for; the detail names what it offers.",
    "quota-exceeded": "This key posts too often. Nothing was kept; send the same bytes again after Retry-After.",
    "unsupported-media-type": "Send the body as one of the media types in the Accept header.",
    "unsupported-content-coding": "Send the body in one of the codings in the Accept-Encoding header.",
    "internal": "A fault of the service; it was logged. Sending the same request again is safe.",
    "refused": "The request was refused by the web server.",
}


class Health(Out):
    """How the service does."""

    status: str


@router.get("/livez")
def livez() -> Health:
    """Say that the process runs."""
    return Health(status="alive")


@router.get("/readyz")
def readyz(database: Database) -> Health:
    """Say whether the record can be reached; 503 when not."""
    database.ping()
    return Health(status="ready")


@router.get("/healthz")
def healthz(database: Database) -> Health:
    """Say whether the service is well; 503 when the record cannot be reached."""
    database.ping()
    return Health(status="well")


@router.get("/metrics", response_class=PlainTextResponse)
def metrics() -> Response:
    """Return counters in Prometheus text form."""
    return Response(prometheus_client.generate_latest(), media_type=prometheus_client.CONTENT_TYPE_LATEST)


@router.get("/problems/{code}", response_class=PlainTextResponse)
def explain_problem(code: str) -> str:
    """Explain a problem type in words."""
    if code.startswith("reading-"):
        return "One reading of a bag cannot be used; its detail says why. The others were kept. Do not resend it."
    if code not in _EXPLAINED:
        raise NotFound(f"no problem type {ascii(code)[:60]}; known are {', '.join(sorted(_EXPLAINED))}")
    return _EXPLAINED[code]
