"""The OpenAPI document: what FastAPI knows, plus the bare ingest route, with problems for every refusal."""

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic.json_schema import models_json_schema

from service.http.ingest_schema import ReadingBag, ReceiptOut, SenmlPack, TrialOut, operation
from service.http.problems import MEDIA_TYPE, Problem

_PROBLEM_REF = {"$ref": "#/components/schemas/Problem"}


def describe(app: FastAPI) -> None:
    """Make ``app.openapi()`` return the whole document."""

    def document() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = _document(app)
        return app.openapi_schema

    app.openapi = document  # type: ignore[method-assign]


def _document(app: FastAPI) -> dict[str, Any]:
    document = get_openapi(
        title=app.title, version=app.version, summary=app.summary, routes=app.routes, tags=app.openapi_tags
    )
    schemas = document["components"]["schemas"]
    _, extra = models_json_schema(
        [
            (Problem, "serialization"),
            (ReadingBag, "validation"),
            (SenmlPack, "validation"),
            (ReceiptOut, "serialization"),
            (TrialOut, "serialization"),
        ],
        ref_template="#/components/schemas/{model}",
    )
    schemas.update(extra["$defs"])
    document["paths"].setdefault("/v1/readings", {})["post"] = operation(_PROBLEM_REF)
    for path in document["paths"].values():
        for described in path.values():
            _answer_problems(described)
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)
    document["paths"] = dict(sorted(document["paths"].items()))
    document["components"]["schemas"] = dict(sorted(schemas.items()))
    return document


def _answer_problems(described: dict[str, Any]) -> None:
    responses = described["responses"]
    responses.pop("422", None)
    for status, words in (("4XX", "Refused; the problem says why."), ("5XX", "Not done; try again.")):
        responses.setdefault(
            status, {"description": words, "content": {MEDIA_TYPE: {"schema": _PROBLEM_REF}}}
        )
