"""What requests and answers share: ETags and If-Match, idempotent creation, pages."""

import hashlib
import json
import re
from collections.abc import Callable
from typing import Annotated, Any, Final, Generic, TypeVar

from fastapi import Depends, Header, Query, Request, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from service.domain.authority import Caller
from service.domain.errors import Invalid, VersionRequired
from service.http.values import Out
from service.storage import answers
from service.storage.database import Session

Item = TypeVar("Item", bound=BaseModel)


class PageOut(Out, Generic[Item]):
    """Some items and the cursor to the next page; ``next`` is null on the last."""

    items: list[Item]
    next: str | None = Field(description="Send it as 'after' to get the next page.")


Limit = Annotated[int, Query(ge=1, le=500, description="Most items in the answer.")]
After = Annotated[str | None, Query(max_length=400, description="The 'next' of the page before; opaque.")]

_ETAG: Final = re.compile(r'"(\d{1,9})"')


def etag(version: int) -> str:
    """Return a record's version as a strong ETag."""
    return f'"{version}"'


def _version_named(
    if_match: Annotated[
        str | None, Header(description='The ETag of the record as it was read, such as "3".')
    ] = None,
) -> int:
    if if_match is None:
        raise VersionRequired("send If-Match with the ETag of the record as you read it")
    match = _ETAG.fullmatch(if_match.strip())
    if match is None:
        raise Invalid.field(
            "/If-Match", f"not an ETag of this service: {ascii(if_match)[:40]}; send it as it was given"
        )
    return int(match[1])


IfMatch = Annotated[int, Depends(_version_named)]
"""The version a change is meant for; 428 when absent."""


def answer(model: Out, response: Response, version: int) -> Any:  # noqa: ANN401 - FastAPI serialises it
    """Return a record with its ETag."""
    response.headers["ETag"] = etag(version)
    return model


IfNoneMatch = Annotated[
    str | None, Header(description="The ETag of an earlier answer; 304 if nothing has changed.")
]


def is_known(tag: str, if_none_match: str | None) -> bool:
    """Compare weakly, as RFC 9110 section 13.1.2 has it for If-None-Match."""
    if if_none_match is None:
        return False
    sent = [one.strip().removeprefix("W/") for one in if_none_match.split(",")]
    return "*" in sent or tag.removeprefix("W/") in sent


_KEY: Final = re.compile(r'"?([\x21\x23-\x7e]{1,200})"?')


class Once:
    """Makes a creating call repeatable: the same key and body give the first answer again."""

    def __init__(
        self,
        request: Request,
        idempotency_key: Annotated[
            str | None,
            Header(
                description="Any unique text, quoted or bare. Repeating a call with the same key and body"
                " gives the first answer again; keys are kept seven days."
            ),
        ] = None,
    ) -> None:
        self._operation = f"{request.method} {request.url.path}"
        self._key: str | None = None
        if idempotency_key is not None:
            match = _KEY.fullmatch(idempotency_key.strip())
            if match is None:
                raise Invalid.field("/Idempotency-Key", "must be 1 to 200 visible ASCII characters")
            self._key = match[1]

    def create(
        self,
        session: Session,
        caller: Caller,
        body: BaseModel,
        make: Callable[[], tuple[BaseModel, dict[str, str]]],
        *,
        status: int = 201,
    ) -> JSONResponse:
        """Run ``make`` unless this key was used before; keep its answer in the same transaction.

        Raises
        ------
        Invalid
            The key was used before with another body.
        """
        if self._key is None:
            model, headers = make()
            return JSONResponse(model.model_dump(mode="json", by_alias=True), status, headers)
        digest = hashlib.sha256(
            json.dumps(body.model_dump(mode="json", exclude_unset=True), sort_keys=True).encode()
        ).digest()
        claim = answers.claim(session, caller, self._operation, self._key, digest)
        if claim.request_digest != digest:
            raise Invalid.field(
                "/Idempotency-Key", "was used before with another body; use a new key for a new request"
            )
        if claim.status is not None:
            return JSONResponse(
                claim.body, claim.status, {**(claim.headers or {}), "Idempotency-Replayed": "true"}
            )
        model, headers = make()
        shown = model.model_dump(mode="json", by_alias=True)
        answers.keep(session, claim, status=status, headers=headers, body=shown)
        return JSONResponse(shown, status, headers)


CreateOnce = Annotated[Once, Depends()]
