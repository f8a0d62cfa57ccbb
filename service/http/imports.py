"""Imports: files of readings put on disk as they come in, read by a job, with progress, cancel and refusals."""

import asyncio
import hashlib
import json
from collections.abc import AsyncIterator, Mapping
from datetime import UTC, datetime
from typing import Any, Final
from uuid import UUID

from fastapi import APIRouter, Response

from service.domain.authority import Caller
from service.domain.errors import Invalid, TooLarge, Unavailable
from service.http.asking import Asked
from service.http.authority import CanIngest, CanReadOrIngest, Database
from service.http.exchange import After, Limit, PageOut, answer
from service.http.formats.bodies import BAG, TABLE
from service.http.formats.codings import IDENTITY
from service.http.formats.read import show
from service.http.import_answers import ImportOut, ImportRefusalOut, shown, shown_refusal
from service.operations import imports
from service.settings import Settings
from service.storage import answers, profiles
from service.storage import imports as stored
from service.storage.database import Database as Record
from service.storage.database import Session

router = APIRouter(tags=["readings"])

CHUNK: Final = 1 << 20
"""Bytes put on disk together."""
_OPERATION: Final = "POST /v1/readings"
APPLIED: Final = {"Preference-Applied": "respond-async"}

Answer = tuple[int, dict[str, Any], dict[str, str]]
"""Status, body, header fields."""


async def take_import(
    caller: Caller, asked: Asked, pieces: AsyncIterator[bytes], database: Record, settings: Settings
) -> Answer:
    """Put a body on disk and have it read later; what the answer names is on disk.

    A body that breaks off leaves an import in the state ``receiving``, of which nothing is read.

    Raises
    ------
    Invalid
        A parameter does not fit, or the idempotency key was used before with another body.
    TooLarge
        The body has more than ``max_import_bytes`` on the wire.
    Conflict
        The import was cancelled while it came in.
    """
    taking = _Taking(caller, asked, database, settings.max_import_bytes)
    await asyncio.to_thread(taking.open)
    async for piece in pieces:
        if taking.add(piece):
            await asyncio.to_thread(taking.write)
    return await asyncio.to_thread(taking.close)


class _Taking:
    """One body on its way in."""

    def __init__(self, caller: Caller, asked: Asked, database: Record, most: int) -> None:
        self._caller = caller
        self._asked = asked
        self._database = database
        self._most = most
        self._import_id: UUID | None = None
        self._rest = bytearray()
        self._size = 0
        self._written = 0
        self._digest = hashlib.sha256(_head(asked))

    def open(self) -> None:
        """Open the import, unless the answer to this very request is kept: then the body is only compared."""
        caller, asked = self._caller, self._asked
        if asked.is_live:
            raise Invalid.field(
                "/live", "an import is read later, so that 'now' means nothing in it; leave it out"
            )
        with self._database.begin(caller.organisation_id) as session:
            _must_have_profile(session, caller, asked)
            if asked.key is not None and stored.answered(session, caller, _OPERATION, asked.key):
                return
            form = imports.Form(
                asked.media_type,
                None if asked.coding == IDENTITY else asked.coding,
                asked.profile,
                asked.time_zone,
                is_dry_run=asked.is_dry_run,
            )
            self._import_id = imports.begin(session, caller, form).id

    def add(self, piece: bytes) -> bool:
        """Take what came in; say whether there is something to write."""
        self._digest.update(piece)
        self._size += len(piece)
        if self._import_id is not None:
            self._rest += piece
        return len(self._rest) >= CHUNK or self._size > self._most

    def write(self) -> None:
        """Put whole chunks on disk, each in its own transaction."""
        if self._size > self._most:
            self._too_large()
        while len(self._rest) >= CHUNK:
            self._write(CHUNK)

    def _write(self, size: int) -> None:
        assert self._import_id is not None
        with self._database.begin(self._caller.organisation_id) as session:
            imports.spool(session, self._caller, self._import_id, self._written, bytes(self._rest[:size]))
        del self._rest[:size]
        self._written += 1

    def _too_large(self) -> None:
        detail = f"an import may have at most {self._most} bytes on the wire; compress the file, or split it"
        if self._import_id is not None:
            with self._database.begin(self._caller.organisation_id) as session:
                imports.give_up(
                    session, self._caller.organisation_id, self._import_id, detail, now=datetime.now(UTC)
                )
        raise TooLarge(detail)

    def close(self) -> Answer:
        """Hand the import to the job, and keep the answer under its key."""
        if self._rest:
            self._write(len(self._rest))
        key = self._asked.key
        with self._database.begin(self._caller.organisation_id) as session:
            if key is None:
                return self._handed_over(session)
            digest = self._digest.digest()
            claim = answers.claim(session, self._caller, _OPERATION, key, digest)
            is_same = claim.request_digest == digest
            if is_same and claim.status is None:
                status, body, headers = self._handed_over(session)
                answers.keep(session, claim, status=status, headers=headers, body=body)
                return status, body, headers
            # Two requests under one key came in side by side, and the other was whole first.
            self._withdraw(session, key)
        if not is_same:
            raise Invalid.field(
                "/Idempotency-Key", "was used before with another body; use a new key for a new request"
            )
        return claim.status or 0, claim.body, {**(claim.headers or {}), "Idempotency-Replayed": "true"}

    def _handed_over(self, session: Session) -> Answer:
        if self._import_id is None:
            raise Unavailable("the answer to this key has just been forgotten; send the file again")
        body = shown(imports.hand_over(session, self._caller, self._import_id))
        return 202, body.model_dump(mode="json"), {"Location": body.links.self, **APPLIED}

    def _withdraw(self, session: Session, key: str) -> None:
        if self._import_id is not None:
            detail = f"the Idempotency-Key {show(key)} stands for another import"
            imports.give_up(
                session, self._caller.organisation_id, self._import_id, detail, now=datetime.now(UTC)
            )


def _head(asked: Asked) -> bytes:
    """Return what makes requests of the same body different."""
    parts = (asked.media_type, asked.coding, asked.profile, asked.time_zone, asked.is_dry_run)
    return json.dumps(parts).encode()


_PROFILE_KIND: Final[Mapping[str, str]] = {TABLE: "table", BAG: "uplink"}


def _must_have_profile(session: Session, caller: Caller, asked: Asked) -> None:
    """Refuse a profile that is not there, before the file is on its way rather than after."""
    if asked.profile is None:
        return
    kind = _PROFILE_KIND.get(asked.media_type)
    if kind is None:
        raise Invalid.field("/profile", f"goes with {BAG} or {TABLE}, not with {asked.media_type}")
    row = profiles.by_name(session, caller.organisation_id, asked.profile)
    if row is None or row.kind != kind:
        raise Invalid.field(
            "/profile", f"no {kind} profile {show(asked.profile)}; POST /v1/profiles makes one"
        )


@router.get("/imports", response_model=PageOut[ImportOut])
def list_imports(
    caller: CanReadOrIngest, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List imports, oldest first; a key without the scope 'read' sees its own."""
    with database.begin(caller.organisation_id) as session:
        page = stored.imports_page(session, caller, limit=limit, after=after)
        return {"items": [shown(row) for row in page.items], "next": page.next}


@router.get("/imports/{import_id}", response_model=ImportOut)
def get_import(import_id: UUID, caller: CanReadOrIngest, database: Database, response: Response) -> object:
    """Return how far an import has come and what became of its readings."""
    with database.begin(caller.organisation_id) as session:
        row = stored.find(session, caller.organisation_id, import_id, caller=caller)
    return answer(shown(row), response, row.version)


@router.get("/imports/{import_id}/refusals", response_model=PageOut[ImportRefusalOut])
def list_import_refusals(
    import_id: UUID, caller: CanReadOrIngest, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List every reading of an import that was refused, in the order of the file."""
    with database.begin(caller.organisation_id) as session:
        row = stored.find(session, caller.organisation_id, import_id, caller=caller)
        refused, cursor = stored.refusals_page(
            session, caller.organisation_id, import_id, limit=limit, after=after
        )
    return {"items": [shown_refusal(row, one) for one in refused], "next": cursor}


@router.post("/imports/{import_id}/cancel", response_model=ImportOut)
def cancel_import(import_id: UUID, caller: CanIngest, database: Database, response: Response) -> object:
    """Stop an import before its next piece; what was kept of it stays."""
    with database.begin(caller.organisation_id) as session:
        row = imports.cancel(session, caller, import_id, now=datetime.now(UTC))
    return answer(shown(row), response, row.version)
