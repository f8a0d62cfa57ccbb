"""The pages as HTML: templates beside this module, no script, nothing fetched from anywhere."""

import base64
import hashlib
from pathlib import Path
from typing import Any, Final

from fastapi.responses import HTMLResponse
from jinja2 import ChainableUndefined, Environment, FileSystemLoader
from markupsafe import Markup

_FOLDER: Final = Path(__file__).parent
_STYLE: Final = (_FOLDER / "page.css").read_text(encoding="utf-8")
_STYLE_HASH: Final = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
_ENVIRONMENT: Final = Environment(
    loader=FileSystemLoader(_FOLDER), autoescape=True, trim_blocks=True, undefined=ChainableUndefined
)
HEADERS: Final = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": f"default-src 'none'; style-src 'sha256-{_STYLE_HASH}'; form-action 'self';"
    " frame-ancestors 'none'; base-uri 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Robots-Tag": "noindex",
}
"""On every page: its address is a secret, and nothing but its own style may act on it."""


def page(template: str, status: int = 200, **values: Any) -> HTMLResponse:  # noqa: ANN401 - a template's values
    """Return a page; every value is escaped."""
    # The style is ours and must reach the browser to the letter: its hash is in the policy.
    html = _ENVIRONMENT.get_template(template).render(style=Markup(_STYLE), **values)  # noqa: S704
    return HTMLResponse(html, status, HEADERS)
