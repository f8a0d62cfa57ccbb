"""RFC 9457 problem details: the only place where a refusal becomes a status."""

import random
import re
import traceback
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any, Final

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from service.domain.errors import (
    Conflict,
    DomainError,
    Gone,
    Invalid,
    NotAllowed,
    NotAuthenticated,
    NotConfigured,
    NotFound,
    StaleVersion,
    StorageFull,
    TooLarge,
    Unavailable,
    VersionRequired,
)

MEDIA_TYPE: Final = "application/problem+json"
STATUS: Final[Mapping[type[DomainError], int]] = {
    NotAuthenticated: 401,
    NotAllowed: 403,
    NotFound: 404,
    Conflict: 409,
    Gone: 410,
    StaleVersion: 412,
    TooLarge: 413,
    Invalid: 422,
    VersionRequired: 428,
    NotConfigured: 503,
    Unavailable: 503,
    StorageFull: 507,
}
_FRAMEWORK_CODES: Final = {
    400: "unreadable",
    404: "no-such-address",
    405: "method-not-allowed",
    406: "not-acceptable",
    413: "too-large",
    415: "unsupported-media-type",
}
_REMEDIES: Final = {
    404: "no such address; /openapi.json lists every address of this service",
    405: "this address does not take that method; the Allow header names those it takes",
    413: "the body is larger than this service takes; send it in smaller parts",
    415: "send the body as application/json",
}
_RETRY_AFTER_S: Final = {HTTPStatus.SERVICE_UNAVAILABLE: (1, 5), HTTPStatus.INSUFFICIENT_STORAGE: (60, 120)}
"""Drawn anew for each answer: after an outage not every gateway is to come back at once."""
_SHOWN: Final = 80
_HOLE: Final = re.compile(r"\{[^}]+\}")

log = structlog.get_logger()


class FieldProblem(BaseModel):
    """One value that does not fit."""

    pointer: str = Field(
        description="RFC 6901 pointer to the value, in the part of the request named by 'in'."
    )
    detail: str
    in_: str = Field(default="body", alias="in", description="body, query, path or header.")


class Problem(BaseModel):
    """RFC 9457 problem details."""

    type: str = Field(examples=["/problems/invalid"])
    title: str
    status: int
    detail: str
    errors: list[FieldProblem] | None = None


def problem(
    status: int,
    code: str,
    title: str,
    detail: str,
    *,
    errors: Sequence[Mapping[str, str]] | None = None,
    headers: Mapping[str, str] | None = None,
) -> JSONResponse:
    """Return a problem answer."""
    body: dict[str, Any] = {
        "type": f"/problems/{code}",
        "title": title,
        "status": status,
        "detail": detail,
    }
    if errors is not None:
        body["errors"] = list(errors)
    return JSONResponse(body, status, dict(headers or {}), media_type=MEDIA_TYPE)


def of_domain_error(error: DomainError) -> JSONResponse:
    """Map a refusal of the trade to its status."""
    status = STATUS[type(error)]
    headers = {}
    if status == HTTPStatus.UNAUTHORIZED:
        headers["WWW-Authenticate"] = 'Bearer realm="heapledger"'
    if status in _RETRY_AFTER_S:
        headers["Retry-After"] = str(random.randint(*_RETRY_AFTER_S[HTTPStatus(status)]))  # noqa: S311 - jitter
    errors = None
    if isinstance(error, Invalid):
        errors = [{"pointer": e.pointer, "detail": e.detail, "in": "body"} for e in error.errors]
    return problem(status, error.code, error.title, str(error), errors=errors, headers=headers)


def of_validation_error(error: RequestValidationError) -> JSONResponse:
    """Name every field that does not fit, its value and the remedy."""
    found = error.errors()
    if any(item["type"] == "json_invalid" for item in found):
        return problem(
            400,
            "unreadable",
            "The body cannot be read",
            f"not JSON: {found[0].get('ctx', {}).get('error', '')}",
        )
    errors = [_field_problem(item, error.body) for item in found]
    detail = "; ".join(f"{e['pointer'] or '/'}: {e['detail']}" for e in errors[:5])
    return problem(422, Invalid.code, Invalid.title, detail, errors=errors)


def _field_problem(item: Mapping[str, Any], body: object) -> dict[str, str]:
    place, *path = item["loc"]
    if place == "body":
        path = _without_tags(path, body)
    pointer = "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in path)
    message = str(item["msg"]).removeprefix("Value error, ")
    if item["type"] in {"missing", "extra_forbidden"}:
        detail = {"missing": "is required; send it", "extra_forbidden": "is not a known field; leave it out"}
        return {"pointer": pointer, "detail": detail[item["type"]], "in": str(place)}
    shown = ascii(item.get("input"))
    shown = shown if len(shown) <= _SHOWN else shown[:_SHOWN] + "…"
    return {"pointer": pointer, "detail": f"{message}; got {shown}", "in": str(place)}


def _without_tags(path: Sequence[str | int], value: object) -> list[str | int]:
    """Leave out what the validator puts between a value and its members: the chosen model's own kind."""
    kept: list[str | int] = []
    for part in path:
        if isinstance(value, dict) and part not in value and part == value.get("kind"):
            continue
        kept.append(part)
        if isinstance(value, dict):
            value = value.get(part)
        elif isinstance(value, list) and isinstance(part, int) and part < len(value):
            value = value[part]
    return kept


def of_http_exception(request: Request, error: HTTPException) -> JSONResponse:
    """Give the framework's own refusals the same shape, with their headers (405 needs Allow)."""
    title = HTTPStatus(error.status_code).phrase
    detail = _REMEDIES.get(error.status_code, str(error.detail))
    headers = dict(error.headers or {})
    if error.status_code == HTTPStatus.UNSUPPORTED_MEDIA_TYPE:
        headers.setdefault("Accept", "application/json")
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        headers = {name: value for name, value in headers.items() if name.lower() != "allow"}
        headers["Allow"] = ", ".join(sorted(_methods_at(request)))
    code = _FRAMEWORK_CODES.get(error.status_code, "refused")
    return problem(error.status_code, code, title, detail, headers=headers)


def _methods_at(request: Request) -> set[str]:
    """Return every method an address takes; the framework names those of the first route that fits."""
    paths = request.app.openapi()["paths"]
    asked = request.url.path
    fits = [path for path in paths if re.fullmatch(_HOLE.sub("[^/]+", path), asked)]
    # A word of ours in the place of an id is an address of its own.
    holes = {path: len(_HOLE.findall(path)) for path in fits}
    nearest = [path for path in fits if holes[path] == min(holes.values())]
    return {method.upper() for path in nearest for method in paths[path]}


def _path_told(request: Request) -> str:
    """Return the path for the log; beside ``/v1`` paths may be secrets, and their pattern stands for them."""
    path = request.url.path
    if path.startswith("/v1/"):
        return path
    return str(getattr(request.scope.get("route"), "path", "unmatched"))


def install(app: FastAPI) -> None:
    """Make every refusal of the app a problem."""

    @app.exception_handler(DomainError)
    def refused(_request: Request, error: DomainError) -> JSONResponse:
        return of_domain_error(error)

    @app.exception_handler(RequestValidationError)
    def does_not_fit(_request: Request, error: RequestValidationError) -> JSONResponse:
        return of_validation_error(error)

    @app.exception_handler(HTTPException)
    def framework_refused(request: Request, error: HTTPException) -> JSONResponse:
        return of_http_exception(request, error)

    @app.exception_handler(Exception)
    def broke(request: Request, error: Exception) -> JSONResponse:
        # Its words alone: a traceback that shows variables would show keys and secret addresses.
        told = "".join(traceback.format_exception(error))
        log.error("request_failed", path=_path_told(request), method=request.method, exception=told)
        return problem(
            500, "internal", "A fault of the service", "the fault was logged; nothing half-written was kept"
        )
