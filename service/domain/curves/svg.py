"""A drawing as an SVG file: no script, no style sheet, no font of its own, nothing fetched."""

import hashlib
from collections.abc import Iterator
from typing import Final

from service.domain.curves.page import HATCHINGS
from service.domain.curves.primitives import Drawing, Path, Shape, Stroke, Words, clean

_FACES: Final = "DejaVu Sans,Verdana,Arial,sans-serif"
_HATCHES: Final = {
    "below_threshold": "M-1 7L7-1M3 11L11 3",
    "above_limit": "M-1-1L7 7M-1 7L7-1",
    "gap": "M1 3h2",
    "flagged": "M0 3h6",
    "turn_transient": "M3 0v6",
    "restarted_by_addition": "M3 0v6M0 3h6",
    "other": "M-1-1L7 7",
}


def to_svg(drawing: Drawing) -> str:
    """Return a drawing as SVG 1.1, well formed, with a title and a description.

    Ids begin with a digest of what is drawn, so that several may stand in one page.
    """
    mark = hashlib.sha256(f"{drawing.title}\n{drawing.description}".encode()).hexdigest()[:8]
    prefix = f"c{mark}"
    body = "".join(_shape(one, prefix) for one in drawing.shapes)
    used = "".join(_hatch(name, prefix) for name in HATCHINGS if f"url(#{prefix}-{name})" in body)
    size = f"{drawing.width:g} {drawing.height:g}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" width="{drawing.width:g}"'
        f' height="{drawing.height:g}" role="img" aria-labelledby="{prefix}-title" aria-describedby="{prefix}-desc"'
        f' font-family="{_FACES}">'
        f'<title id="{prefix}-title">{escape(drawing.title)}</title>'
        f'<desc id="{prefix}-desc">{escape(drawing.description)}</desc>'
        f'<defs>{used}</defs><rect width="100%" height="100%" fill="#fff"/>{body}</svg>\n'
    )


def escape(text: str) -> str:
    """Return a text as XML holds it."""
    replaced = clean(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return replaced.replace('"', "&quot;")


def _hatch(name: str, prefix: str) -> str:
    return (
        f'<pattern id="{prefix}-{name}" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<rect width="6" height="6" fill="#fff"/><path d="{_HATCHES[name]}" stroke="#333" stroke-width="1"'
        ' fill="none"/></pattern>'
    )


def _shape(shape: Shape, prefix: str) -> str:
    if isinstance(shape, Words):
        return _words(shape)
    if isinstance(shape, Path):
        attributes = f'd="{shape.d}" fill="none" {_stroke(shape.stroke)}'
        return _titled("path", attributes, shape.title)
    fill = f"url(#{prefix}-{shape.fill})" if shape.fill in HATCHINGS else shape.fill
    edge = "" if shape.stroke is None else f" {_stroke(shape.stroke)}"
    place = f'x="{shape.x:g}" y="{shape.y:g}" width="{shape.width:g}" height="{shape.height:g}"'
    return _titled("rect", f'{place} fill="{fill}"{edge}', shape.title)


def _titled(name: str, attributes: str, title: str | None) -> str:
    if title is None:
        return f"<{name} {attributes}/>"
    return f"<{name} {attributes}><title>{escape(title)}</title></{name}>"


def _stroke(stroke: Stroke) -> str:
    dash = f' stroke-dasharray="{stroke.dash}"' if stroke.dash else ""
    return f'stroke="{stroke.colour}" stroke-width="{stroke.width:g}"{dash}'


def _words(words: Words) -> str:
    return f"<text {' '.join(_attributes(words))}>{escape(words.text)}</text>"


def _attributes(words: Words) -> Iterator[str]:
    yield f'x="{words.x:g}" y="{words.y:g}" font-size="{words.size:g}"'
    if words.anchor != "start":
        yield f'text-anchor="{words.anchor}"'
    if words.bold:
        yield 'font-weight="bold"'
    if words.turned:
        yield f'transform="rotate(-90 {words.x:g} {words.y:g})"'
    if words.halo:
        yield 'stroke="#fff" stroke-width="3" stroke-linejoin="round" paint-order="stroke"'
