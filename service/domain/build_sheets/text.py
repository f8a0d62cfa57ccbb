"""A build sheet as plain text, 60 columns wide, to print on anything."""

import textwrap
from collections.abc import Iterable, Iterator
from typing import Final

from .steps import Step
from .wording import Wording

COLUMNS: Final = 60
_AMOUNT: Final = 16
_BOX: Final = "[ ] "
_POINT: Final = "  - "
_ABREAST: Final = 4


def to_text(words: Wording, *, printed: str = "") -> str:
    """Return a sheet as text.

    Parameters
    ----------
    words
        What it says.
    printed
        A last line, such as the day of printing; empty for none.

    Returns
    -------
    str
        Lines of at most ``COLUMNS`` characters, ending in a line break.
    """
    lines = [
        *_wrapped(f"BUILD SHEET: {words.title}"),
        *_wrapped(words.place),
        *_wrapped(" - ".join(words.facts)),
        *_wrapped(words.mark),
        *_block("BEFORE YOU START", words.before),
        *_step(words.bottom),
        *_rounds(words),
        *_step(words.top),
        *_block(f"STOP. {words.mark}" if words.mark else "DONE", words.finish),
        *_block("TAKE CARE", words.care),
        *_block("WRITE DOWN", words.record),
        *_block("WHAT IS LOADED", words.figures),
    ]
    if printed:
        lines += ["", *_wrapped(printed)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _wrapped(text: str, *, first: str = "", rest: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        COLUMNS,
        initial_indent=first,
        subsequent_indent=" " * len(first) if rest is None else rest,
        break_on_hyphens=False,
    )


def _block(title: str, lines: Iterable[str]) -> Iterator[str]:
    yield ""
    yield from _wrapped(title)
    for line in lines:
        yield from _wrapped(line, first="- ")


def _step(step: Step | None, *, tick: str = _BOX) -> Iterator[str]:
    if step is None:
        return
    head = f"{step.number}. {step.title}"
    yield ""
    told = f"up to {step.height}" if step.height else ""
    yield f"{head}{told.rjust(COLUMNS - len(head))}" if told else head
    for line in step.lines:
        start = f"   {tick}{line.amount:<{_AMOUNT}} "
        yield from _wrapped(line.what, first=start)
        if line.differs:
            yield from _wrapped(line.differs, first=" " * (3 + len(tick)) + "in ")


def _rounds(words: Wording) -> Iterator[str]:
    if not words.rounds:
        return
    yield ""
    yield words.repeat.center(COLUMNS, "-") if len(words.repeat) < COLUMNS else words.repeat
    for step in words.rounds:
        # in the rounds a step comes back, so it is the round that is ticked
        yield from _step(step, tick=_POINT)
    if words.heights:
        yield ""
        yield "Tick each round. How high it then stands:"
        boxes = [f"{_BOX}{n}: {told}" for n, told in words.heights]
        for start in range(0, len(boxes), _ABREAST):
            yield "   " + "".join(one.ljust(14) for one in boxes[start : start + _ABREAST])
    yield "-" * COLUMNS
