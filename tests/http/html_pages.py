"""A page as a browser without scripts sees it: forms, labels, links, text; read by the standard library's parser."""

from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

VOID = {"input", "meta", "link", "br", "hr", "img"}
HEADINGS = {"h1", "h2", "h3"}


@dataclass
class Control:
    """One field of a form."""

    tag: str
    attributes: dict[str, str]
    value: str = ""
    is_labelled: bool = False


@dataclass
class Seen(HTMLParser):
    """What was found on a page."""

    text: str = ""
    title: str = ""
    language: str = ""
    links: list[str] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    referred: list[str] = field(default_factory=list)
    controls: list[Control] = field(default_factory=list)
    forms: list[dict[str, str]] = field(default_factory=list)
    tags: list[str] = field(default_factory=list)
    labels: set[str] = field(default_factory=set)
    handlers: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()
        self._open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        self.tags.append(tag)
        self.handlers += [name for name in told if name.startswith("on")]
        if tag not in VOID:
            self._open.append(tag)
        if "id" in told:
            self.ids.append(told["id"])
        self.referred += told.get("aria-describedby", "").split()
        if tag == "html":
            self.language = told.get("lang", "")
        elif tag == "a":
            self.links.append(told["href"])
        elif tag == "form":
            self.forms.append(told)
        elif tag == "label" and "for" in told:
            self.labels.add(told["for"])
        elif tag in {"input", "select", "textarea"}:
            self.controls.append(Control(tag, told, told.get("value", ""), "label" in self._open))
        elif tag == "option" and "selected" in told:
            self.controls[-1].value = told["value"]

    def handle_endtag(self, tag: str) -> None:
        assert self._open, tag
        assert self._open.pop() == tag, "every element is closed where it was opened"

    def handle_data(self, data: str) -> None:
        if "style" in self._open:
            return
        if self._open and self._open[-1] == "title":
            self.title += data
        elif self._open and self._open[-1] == "textarea":
            self.controls[-1].value += data.removeprefix("\n")
        else:
            self.text += data

    def fields(self, **typed: str) -> dict[str, str]:
        """Return what a browser would send once these were typed and nothing else was touched."""
        found = {}
        for one in self.controls:
            kind, name = one.attributes.get("type", ""), one.attributes["name"]
            if kind not in {"radio", "checkbox"} or "checked" in one.attributes:
                found[name] = one.value
        names = {one.attributes["name"] for one in self.controls}
        assert set(typed) <= names, "only what is on the page can be typed"
        return found | typed


def seen(answer: Any, status: int = 200) -> Seen:
    """Read a page and check what holds of every one of them."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert "script" not in answer.headers["content-security-policy"]
    assert answer.headers["content-security-policy"].startswith("default-src 'none'; style-src 'sha256-")
    found = Seen()
    found.feed(answer.text)
    found.close()
    assert not found._open
    assert "script" not in found.tags
    assert not found.handlers
    assert found.language == "en"
    assert found.title
    assert found.tags.count("h1") == 1
    assert found.tags.count("main") == 1
    assert len(found.ids) == len(set(found.ids))
    assert set(found.referred) <= set(found.ids)
    for one in found.controls:
        named = one.is_labelled or one.attributes.get("id") in found.labels
        assert named or one.attributes["type"] == "hidden", one.attributes
    return found
