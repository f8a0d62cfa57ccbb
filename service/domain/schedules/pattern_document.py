"""A pattern as it is kept on record, in files and in requests, read back into the domain's."""

import dataclasses
from collections.abc import Mapping
from typing import Any

from service.domain.schedules.pattern import Pattern
from service.domain.schedules.reminders import Reminder


def read_pattern(kept: Mapping[str, Any]) -> Pattern:
    """Return the pattern of a mapping with its fields' names; whether it fits, :meth:`Pattern.errors` says.

    Parameters
    ----------
    kept
        Lists for tuples and mappings for reminders, as JSON and TOML give them.
    """
    turn_on = kept.get("turn_on")
    reminders = tuple(
        Reminder(**{**one, "on_days": tuple(one.get("on_days") or ())}) for one in kept.get("reminders") or ()
    )
    return Pattern(**{**kept, "turn_on": None if turn_on is None else tuple(turn_on), "reminders": reminders})


def kept_pattern(pattern: Pattern) -> dict[str, Any]:
    """Return a pattern as JSON keeps it: what :func:`read_pattern` reads."""
    kept = dataclasses.asdict(pattern)
    turn_on = kept["turn_on"]
    return kept | {
        "turn_on": None if turn_on is None else list(turn_on),
        "reminders": [one | {"on_days": list(one["on_days"])} for one in kept["reminders"]],
    }
