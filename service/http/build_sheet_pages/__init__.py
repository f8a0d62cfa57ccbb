"""A build sheet typeset on one page: big, black on white, for a wall or a wet hand."""

import json
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final

import typst

from service.domain.build_sheets import Sheet, Step, wording_of
from service.http.evidence_pages import shipped_fonts
from service.http.evidence_pages.glyphs import printable
from service.http.evidence_pages.words import breakable

_TEMPLATE: Final = Path(__file__).parent / "sheet.typ"


def to_pdf(sheet: Sheet, *, printed_on: date) -> bytes:
    """Typeset a sheet as PDF/A-2 and PDF/UA-1, in the largest type that fits one page.

    Parameters
    ----------
    sheet
        What is printed.
    printed_on
        The day, at the foot.
    """
    compiler = typst.Compiler(_TEMPLATE.read_bytes(), font_paths=shipped_fonts(), ignore_system_fonts=True)
    page = printable(json.dumps(_page(sheet, printed_on), ensure_ascii=False))
    made = compiler.compile(
        format="pdf",
        sys_inputs={"page": page},
        pdf_standards=["a-2a", "ua-1"],
        timestamp=int(datetime(printed_on.year, printed_on.month, printed_on.day, tzinfo=UTC).timestamp()),
        pdf_tags=True,
    )
    assert isinstance(made, bytes)
    return made


def _page(sheet: Sheet, printed_on: date) -> dict[str, Any]:
    words = wording_of(sheet)
    told = asdict(words)
    place = sheet.request.place
    return told | {
        "title": breakable(words.title),
        "place": breakable(words.place),
        "before": [breakable(one) for one in words.before],
        "care": [breakable(one) for one in words.care],
        "bottom": _step(words.bottom),
        "rounds": [_step(one) for one in words.rounds],
        "top": _step(words.top),
        "printed": f"Printed {printed_on}.",
        "made": {"year": printed_on.year, "month": printed_on.month, "day": printed_on.day},
        "shape": "walls" if place is None else place.shape,
        "drawing": _drawing(sheet),
    }


def _step(step: Step | None) -> dict[str, Any] | None:
    if step is None:
        return None
    told = asdict(step)
    return told | {"lines": [one | {"what": breakable(one["what"])} for one in told["lines"]]}


def _drawing(sheet: Sheet) -> list[dict[str, Any]]:
    """Return the layers as parts of the height, with the words at those that end a round; none if not known."""
    ends = {one.round: one.number for one in sheet.layers if one.round}
    drawn: list[dict[str, Any]] = []
    below = 0.0
    for one in sheet.layers:
        if one.top_pct is None:
            return []
        drawn.append(
            {
                "role": one.role,
                "from": below / 100,
                "to": one.top_pct / 100,
                "round": one.round if ends.get(one.round) == one.number else 0,
                "height": f"{round(one.top_cm)} cm" if one.top_cm is not None else f"{round(one.top_pct)} %",
            }
        )
        below = one.top_pct
    return drawn
