"""The evidence pack of a pile as a document and as pages to print, and its curve alone."""

import hashlib
from datetime import UTC, datetime
from typing import Annotated, Any, Final
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response

from service.domain.compliance import Rule
from service.domain.curves import draw, to_svg
from service.domain.errors import Invalid
from service.http.authority import CanRead, Database
from service.http.evidence_models import EvidenceOut
from service.http.evidence_pages import to_pdf
from service.http.exchange import IfNoneMatch, is_known
from service.http.log import signer_of
from service.http.values import Code
from service.operations import evidence, piles
from service.operations.signing import Signer
from service.storage import piles as stored

router = APIRouter(tags=["evidence"])

_PDF: Final = "application/pdf"
_SVG: Final = "image/svg+xml"
_NOT_MODIFIED: Final = 304
_UNCHANGED: Final[dict[int | str, dict[str, Any]]] = {
    _NOT_MODIFIED: {"description": "It still says what the ETag sent along says."}
}

RuleQuery = Annotated[Code | None, Query(description="Only this rule; the pile's own rules when absent.")]
CurveRule = Annotated[
    Code | None,
    Query(description="Whose limits and losses are drawn; the first of the pile's own rules when absent."),
]


class PdfResponse(Response):
    """Pages to print."""

    media_type = _PDF


class SvgResponse(Response):
    """A drawing."""

    media_type = _SVG


def _file(media_type: str, schema: dict[str, str], words: str) -> dict[int | str, dict[str, Any]]:
    return _UNCHANGED | {200: {"description": words, "content": {media_type: {"schema": schema}}}}


@router.get("/piles/{pile_id}/evidence.json", response_model=EvidenceOut, responses=_UNCHANGED)
def get_evidence(
    pile_id: UUID,
    caller: CanRead,
    database: Database,
    request: Request,
    response: Response,
    rule: RuleQuery = None,
    if_none_match: IfNoneMatch = None,
) -> Any:  # noqa: ANN401 - a document, or nothing new
    """Gather all that bears on a pile's verdicts, judged on what is on record now; nothing is written."""
    pack = _gather(pile_id, caller, database, rule, signer_of(request))
    headers = _headers(_weak(pack.document["evidence_digest"]))
    if is_known(headers["ETag"], if_none_match):
        return Response(status_code=_NOT_MODIFIED, headers=headers)
    response.headers.update(headers)
    return pack.document


@router.get(
    "/piles/{pile_id}/evidence.pdf",
    response_class=PdfResponse,
    responses=_file(_PDF, {"type": "string", "format": "binary"}, "The same evidence typeset, A4."),
)
def get_evidence_pdf(
    pile_id: UUID,
    caller: CanRead,
    database: Database,
    request: Request,
    rule: RuleQuery = None,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """Print the evidence pack; the document itself is attached to the file."""
    pack = _gather(pile_id, caller, database, rule, signer_of(request))
    headers = _headers(_weak(pack.document["evidence_digest"]))
    if is_known(headers["ETag"], if_none_match):
        return Response(status_code=_NOT_MODIFIED, headers=headers)
    shown = EvidenceOut.model_validate(pack.document)
    headers["Content-Disposition"] = f'inline; filename="evidence-{pile_id}.pdf"'
    return PdfResponse(to_pdf(shown, {name: draw(one) for name, one in pack.curves.items()}), headers=headers)


@router.get(
    "/piles/{pile_id}/curve.svg",
    response_class=SvgResponse,
    responses=_file(_SVG, {"type": "string"}, "The curve alone, with a title and a description."),
)
def get_curve(
    pile_id: UUID,
    caller: CanRead,
    database: Database,
    rule: CurveRule = None,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """Draw a pile's temperatures with turns, gaps and what was lost."""
    now = datetime.now(UTC)
    with database.begin(caller.organisation_id) as session:
        loaded = stored.load(session, piles.pile_of(session, caller, pile_id))
    wanted = rule or next(iter(loaded.pile.rules), None)
    chosen = None if wanted is None else _rule(loaded, wanted)
    drawn = to_svg(draw(evidence.curve_alone(loaded, chosen, now=now))).encode()
    headers = _headers(f'"{hashlib.sha256(drawn).hexdigest()[:32]}"')
    if is_known(headers["ETag"], if_none_match):
        return Response(status_code=_NOT_MODIFIED, headers=headers)
    # A label is a caller's own words: were one ever to slip through as markup, nothing in it may run.
    headers["Content-Security-Policy"] = "default-src 'none'; style-src 'unsafe-inline'"
    return SvgResponse(drawn, headers=headers)


def _gather(
    pile_id: UUID, caller: CanRead, database: Database, rule: str | None, signer: Signer | None
) -> evidence.Pack:
    now = datetime.now(UTC)
    with database.begin(caller.organisation_id) as session:
        record = evidence.read(session, caller, piles.pile_of(session, caller, pile_id), signer)
    wanted = record.loaded.pile.rules if rule is None else [rule]
    return evidence.gather(record, [_rule(record.loaded, one) for one in wanted], now=now)


def _rule(loaded: stored.Loaded, rule_id: str) -> Rule:
    if rule_id not in loaded.book:
        raise Invalid.field("/rule", f"{rule_id} is not a rule of this service; GET /v1/rules lists them")
    return loaded.book[rule_id]


def _weak(digest: str) -> str:
    """Return a weak ETag: two answers of one evidence differ in when they were asked."""
    return f'W/"{digest.removeprefix("sha256:")[:32]}"'


def _headers(tag: str) -> dict[str, str]:
    return {"ETag": tag, "Cache-Control": "private, no-cache"}
