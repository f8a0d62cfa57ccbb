"""What a body may be: JSON, of ordinary size; anything else is refused before it reaches an endpoint."""

from collections.abc import Mapping
from typing import Any, Final

from fastapi.responses import JSONResponse
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.http.problems import problem

JSON: Final = "application/json"
FORM: Final = "application/x-www-form-urlencoded"

_WITH_BODY: Final = frozenset({"POST", "PUT", "PATCH"})


class BodyLimits:
    """Reads a body up to its limit and hands it on whole; refuses other media types, codings and sizes.

    Parameters
    ----------
    max_body_bytes
        Largest body on the wire.
    larger
        Paths that take more, with their own limit.
    unlimited
        Paths that look after their bodies themselves.
    forms
        Where paths begin that take a browser's form instead.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        max_body_bytes: int,
        larger: Mapping[str, int],
        unlimited: frozenset[str] = frozenset(),
        forms: tuple[str, ...] = (),
    ) -> None:
        self._app = app
        self._unlimited = unlimited
        self._forms = forms
        self._max_body_bytes = max_body_bytes
        self._larger = larger

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer why not."""
        is_checked = (
            scope["type"] == "http" and scope["method"] in _WITH_BODY and scope["path"] not in self._unlimited
        )
        if not is_checked:
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        limit = self._larger.get(scope["path"], self._max_body_bytes)
        taken = FORM if self._forms and scope["path"].startswith(self._forms) else JSON
        refusal = _of_headers(headers, limit, taken)
        body = b"" if refusal is not None else await _read(receive, limit)
        if refusal is None and body is None:
            refusal = _too_large(limit)
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        message: dict[str, Any] | None = {"type": "http.request", "body": body, "more_body": False}

        async def replay() -> Message:
            nonlocal message
            if message is None:
                return await receive()
            whole, message = message, None
            return whole

        await self._app(scope, replay, send)


def _of_headers(headers: Headers, limit: int, taken: str) -> JSONResponse | None:
    length = headers.get("content-length", "0")
    if length.isdigit() and int(length) > limit:
        return _too_large(limit)
    has_body = length != "0" or "transfer-encoding" in headers
    media_type = headers.get("content-type", "").partition(";")[0].strip().lower()
    if has_body and media_type != taken:
        return problem(
            415,
            "unsupported-media-type",
            "Unsupported Media Type",
            f"{ascii(media_type)[:60]} is not taken; send the body as {taken}",
            headers={"Accept": taken},
        )
    if headers.get("content-encoding", "identity").strip().lower() not in {"", "identity"}:
        return problem(
            415,
            "unsupported-content-coding",
            "Unsupported content coding",
            "send the body without Content-Encoding",
            headers={"Accept-Encoding": "identity"},
        )
    return None


async def _read(receive: Receive, limit: int) -> bytes | None:
    """Return the body, or None once it is over the limit; a body cut short is what it is."""
    parts: list[bytes] = []
    size = 0
    more = True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            break
        parts.append(message.get("body", b""))
        size += len(parts[-1])
        if size > limit:
            return None
        more = message.get("more_body", False)
    return b"".join(parts)


def _too_large(limit: int) -> JSONResponse:
    return problem(
        413,
        "too-large",
        "The body is too large",
        f"this address takes at most {limit} bytes in one request; halve it and send both halves",
    )
