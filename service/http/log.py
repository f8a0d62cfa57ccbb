"""The log of what was taken in: its checkpoint, and proofs of what is in it and that it only grew."""

from typing import Annotated, Any, Final
from uuid import UUID

from fastapi import APIRouter, Query, Request
from fastapi.responses import PlainTextResponse
from pydantic import Field

from service.domain.errors import Invalid, NotConfigured
from service.http.authority import CanRead, Database
from service.http.values import Out
from service.operations import log, piles
from service.operations.log_proofs import proofs_for_pile
from service.operations.signing import Signer
from service.storage.database import Session

router = APIRouter(tags=["log"])

_MOST: Final = 2**62
_NO_KEY: Final = (
    "this deployment signs no checkpoints: it has no key; set HEAPLEDGER_LOG_KEY to 32 random bytes in base64"
    " (openssl rand -base64 32) and keep it"
)
Count = Annotated[int, Field(ge=0, le=_MOST)]


def signer_of(request: Request) -> Signer | None:
    """Return what signs checkpoints here, if anything does."""
    signer: Signer | None = request.app.state.signer
    return signer


def _must_sign(request: Request) -> Signer:
    signer = signer_of(request)
    if signer is None:
        raise NotConfigured(_NO_KEY)
    return signer


class ItemOut(Out):
    """Something on the log with its proof, and with the record as it is now."""

    leaf: int
    entry: str = Field(description="What the log says, byte for byte.")
    path: list[int] = Field(description="Hashes from the leaf to the root, by their place in 'hashes'.")
    content: dict[str, Any] | None = Field(
        default=None, description="The row as it is now, numbers as strings; null if it is gone."
    )
    probe: str | None = Field(default=None, description="The serial of the probe the row speaks of.")
    words: dict[str, str] | None = Field(default=None, description="What persons wrote, by where it stands.")
    word_key: str | None = Field(default=None, description="The key of the words' digests, hexadecimal.")
    replaced_by: str | None = Field(default=None, description="The later version of the same placement.")
    series: list[dict[str, Any]] | None = Field(
        default=None,
        description="Of a batch, this pile's probes: place, entry, path, readings as they are now.",
    )


class ProofsOut(Out):
    """What is on record of a pile, with what proves that nobody changed it since it was logged."""

    form: str
    pile_id: UUID
    checkpoint: str
    key: str | None = Field(description="The public key; trust one you were given by other means.")
    items: list[ItemOut]
    hashes: list[str] = Field(description="base64.")
    pending: list[str] = Field(description="On record, and not on the log yet; a minute is usual.")
    uncovered: list[list[str | int]] = Field(
        description="Readings of no sealed batch, as probe, quantity and microseconds since 1970."
    )


class InclusionOut(Out):
    """A leaf and the path that proves it (RFC 9162, 2.1.3)."""

    leaf: int
    size: int
    entry: str | None = Field(description="What the log says; null to a key that is limited to one site.")
    hash: str = Field(description="base64.")
    path: list[str] = Field(description="base64, from the leaf to the root.")
    checkpoint: str
    key: str


class ConsistencyOut(Out):
    """The path that proves that a log grew and holds what it held (RFC 9162, 2.1.4)."""

    from_: int = Field(validation_alias="from", serialization_alias="from")
    to: int
    path: list[str] = Field(description="base64.")
    checkpoint: str
    key: str


@router.get("/log/checkpoint", response_class=PlainTextResponse)
def get_checkpoint(caller: CanRead, database: Database, request: Request) -> str:
    """Return the log's signed checkpoint (C2SP tlog-checkpoint); keep one, to hold the log to it later."""
    signer = _must_sign(request)
    with database.begin(caller.organisation_id) as session:
        return log.checkpoint(session, caller.organisation_id, signer)


@router.get("/log/proof", response_model=ProofsOut | InclusionOut, response_model_exclude_unset=True)
def get_proof(
    caller: CanRead,
    database: Database,
    request: Request,
    pile_id: Annotated[UUID | None, Query(description="All that is on record of this pile.")] = None,
    leaf: Annotated[Count | None, Query(description="One leaf, counted from 0.")] = None,
    size: Annotated[
        Count | None, Query(description="The log's size then; by default the present one.")
    ] = None,
) -> object:
    """Prove that a leaf, or all that is on record of a pile, is in the log; name one of the two."""
    if (pile_id is None) == (leaf is None):
        raise Invalid.field("/leaf", "name either a leaf or a pile_id")
    if pile_id is not None and size is not None:
        raise Invalid.field("/size", "goes with a leaf; a pile is proved at the log's present size")
    signer = _must_sign(request)
    with database.begin(caller.organisation_id) as session:
        if pile_id is not None:
            pile = piles.pile_of(session, caller, pile_id)
            return proofs_for_pile(session, caller.organisation_id, pile.id, signer)
        assert leaf is not None
        found = log.inclusion(session, caller.organisation_id, leaf, size)
        if caller.site_id is not None:
            found["entry"] = None
        return found | _signed(session, caller.organisation_id, signer, found["size"])


@router.get("/log/consistency", response_model=ConsistencyOut)
def get_consistency(
    caller: CanRead,
    database: Database,
    request: Request,
    since: Annotated[Count, Query(alias="from", description="The size of the log in the older checkpoint.")],
    until: Annotated[
        Count | None, Query(alias="to", description="The newer size; by default the present one.")
    ] = None,
) -> object:
    """Prove that the log holds, unchanged, what it held at an older size."""
    signer = _must_sign(request)
    with database.begin(caller.organisation_id) as session:
        found = log.consistency(session, caller.organisation_id, since, until)
        return found | _signed(session, caller.organisation_id, signer, found["to"])


def _signed(session: Session, organisation_id: int, signer: Signer, size: int) -> dict[str, str]:
    return {
        "checkpoint": log.checkpoint(session, organisation_id, signer, size=size),
        "key": signer.verifier_key(organisation_id),
    }
