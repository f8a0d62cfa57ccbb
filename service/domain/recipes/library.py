"""The feedstock library that comes with the service: published figures, each with its source."""

import difflib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Final

from service.domain.errors import Invalid

from .feedstock import CATEGORIES, FIGURES, Feedstock
from .feedstock_file import parse

__all__ = ["CATEGORIES", "FIGURES", "Feedstock", "find", "library", "parse"]

_FILE: Final = Path(__file__).with_name("feedstocks.toml")


@cache
def library() -> Mapping[str, Feedstock]:
    """Return the shipped library, by code."""
    return parse(_FILE.read_text(encoding="utf-8"), file=_FILE.name)


def find(code: str, pointer: str) -> Feedstock:
    """Return a feedstock by its code.

    Parameters
    ----------
    code
        Of the shipped library.
    pointer
        Where the code stands in the request.

    Returns
    -------
    Feedstock
        The row.

    Raises
    ------
    Invalid
        When there is none, naming the nearest codes.
    """
    shipped = library()
    if code in shipped:
        return shipped[code]
    near = difflib.get_close_matches(code.lower(), shipped, n=3)
    remedy = f"did you mean {', '.join(near)}?" if near else "list the library, or give the figures yourself"
    raise Invalid.field(pointer, f"the library has no feedstock '{code[:80]}'; {remedy}")
