"""The evidence pack typeset: one document in, the same bytes out, wherever it is done."""

import json
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Final

import typst

from service.domain.curves import Drawing, to_svg
from service.http.evidence_models import EvidenceOut
from service.http.evidence_pages.content import content
from service.http.evidence_pages.glyphs import printable

_FOLDER: Final = Path(__file__).parent
_TEMPLATE: Final = _FOLDER / "pack.typ"
_FONTS: Final = _FOLDER / "fonts"


@cache
def shipped_fonts() -> typst.Fonts:
    """Return the faces shipped with the service and with the typesetter, and no others: each host prints alike."""
    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=True, font_paths=[str(_FONTS)])


def to_pdf(pack: EvidenceOut, curves: Mapping[str, Drawing]) -> bytes:
    """Typeset an evidence pack as PDF/A-3 and PDF/UA-1, the document itself attached.

    Parameters
    ----------
    pack
        What is printed.
    curves
        A drawing for each rule of the pack, by the rule's id.
    """
    pages = content(pack, {name: (to_svg(one), one.description) for name, one in curves.items()})
    compiler = typst.Compiler(_TEMPLATE.read_bytes(), font_paths=shipped_fonts(), ignore_system_fonts=True)
    inputs = {
        "pages": printable(json.dumps(pages, ensure_ascii=False)),
        "evidence": pack.model_dump_json(by_alias=True, indent=1),
    }
    made = compiler.compile(
        format="pdf",
        sys_inputs=inputs,
        pdf_standards=["a-3a", "ua-1"],
        timestamp=_stamp(pack.generated_at),
        pdf_tags=True,
    )
    assert isinstance(made, bytes)
    return made


def _stamp(at: datetime) -> int:
    return int(at.timestamp())
