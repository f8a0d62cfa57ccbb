"""A layout or profile is accepted only with a sample that is read without fault."""

from collections.abc import Callable
from typing import Final

from service.domain.errors import FieldError, Invalid, TooLarge
from service.http.formats.read import Sorted, Unreadable

MOST: Final = 1000
"""Readings in a sample."""

_LISTED: Final = 20


def must_pass(read: Callable[[int], Sorted]) -> Sorted:
    """Return what a sample is read into.

    Parameters
    ----------
    read
        Reads the sample; takes how many readings it may hold.

    Raises
    ------
    Invalid
        At ``/sample``, if it cannot be read, holds no usable reading, or any of its readings is refused.
    """
    try:
        found = read(MOST)
    except (Unreadable, TooLarge) as error:
        raise Invalid.field("/sample", str(error)) from error
    if found.refused:
        listed = [
            f"reading {place}{'' if why.line is None else f' in line {why.line}'}"
            f"{f', {why.member}' if why.member else ''}: {why.detail}"
            for place, why in found.refused[:_LISTED]
        ]
        if len(found.refused) > _LISTED:
            listed.append(f"and {len(found.refused) - _LISTED} more like these")
        raise Invalid(*(FieldError("/sample", text) for text in listed))
    if not found.places:
        remedy = "no reading comes out of it; give a sample that holds some, or correct what picks them out"
        raise Invalid.field("/sample", remedy)
    return found
