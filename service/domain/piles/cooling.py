"""Whether a pile has cooled for good: the end of the hot phase as the probes show it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.piles.series import Heard, from_us, to_us

HOT_ONCE_C: Final = 50.0
COOLED_BELOW_C: Final = 40.0
COOLED_FOR_DAYS: Final = 3.0
COOLED_NOT_BEFORE_DAYS: Final = 14.0
HEARD_WITHIN_DAYS: Final = 4.0
"""When a pile counts as cooled; the last allows a long weekend of a crew that reads by hand. Common practice, no
source."""

_DAY: Final = timedelta(days=1)
_DAY_US: Final = 86_400_000_000


@dataclass(frozen=True)
class Cooling:
    """Since when a pile has cooled for good, None while it has not, and why."""

    since: datetime | None
    because: str


def cooling(
    heard: Sequence[Heard], *, turns: Sequence[datetime], started_at: datetime, now: datetime
) -> Cooling:
    """Judge whether a pile has cooled for good.

    It has when it was once at 50 Cel or more, is at least 14 days past its last fresh material, and every probe
    in place stayed below 40 Cel over 3 days that no turn interrupts, with nothing at 40 Cel or more since. A
    probe that has gone silent leaves the question open: a hot part nobody sees has not cooled.

    Parameters
    ----------
    heard
        Every placement of the pile, ended ones included.
    turns
        Instants of turns.
    started_at
        The build or the last restart after it.
    """
    age_days = max(0.0, (now - started_at) / _DAY)
    if age_days < COOLED_NOT_BEFORE_DAYS:
        return Cooling(
            None,
            f"a pile {age_days:.1f} days old is in its hot phase; up to {COOLED_NOT_BEFORE_DAYS:g} days a cool one"
            " has stalled, not finished",
        )
    start_us = to_us(started_at)
    parts = [(one, one.usable_us >= start_us) for one in heard]
    peak_c = max((float(one.usable_c[part].max()) for one, part in parts if part.any()), default=None)
    if peak_c is None or peak_c < HOT_ONCE_C:
        seen = (
            "no reading shows" if peak_c is None else f"its highest reading, {peak_c:.1f} °C, does not show"
        )
        return Cooling(None, f"{seen} that it has been at {HOT_ONCE_C:g} °C, so cool is not finished")
    return _since_last_heat(heard, parts, turns, started_at)


def _since_last_heat(
    heard: Sequence[Heard],
    parts: Sequence[tuple[Heard, NDArray[np.bool_]]],
    turns: Sequence[datetime],
    started_at: datetime,
) -> Cooling:
    in_place = [one for one in heard if one.in_place]
    if not in_place:
        return Cooling(
            None, "no probe stands in it to show that it has cooled; record a move to curing instead"
        )
    for one in in_place:
        if one.sound_age_h > HEARD_WITHIN_DAYS * 24:
            return Cooling(
                None,
                f"{one.name} has given no sound reading for days, so nobody can say that it has cooled there",
            )
    last_heat_us = max(_last_heat_us(one, part) for one, part in parts)
    edges = [last_heat_us, *sorted(at for at in map(to_us, turns) if at > last_heat_us)]
    for opens, closes in zip(edges, [*edges[1:], None], strict=True):
        quiet_us = _quiet_from_us(in_place, opens, closes)
        if quiet_us is not None:
            since = max(from_us(quiet_us), started_at + COOLED_NOT_BEFORE_DAYS * _DAY)
            return Cooling(
                since,
                f"every probe stayed below {COOLED_BELOW_C:g} °C for {COOLED_FOR_DAYS:g} days without a turn and"
                " nothing has reheated since",
            )
    return Cooling(
        None,
        f"no {COOLED_FOR_DAYS:g} days have passed since its last heat and turn with every probe below"
        f" {COOLED_BELOW_C:g} °C",
    )


def _last_heat_us(one: Heard, part: NDArray[np.bool_]) -> int:
    hot = np.flatnonzero(part & (one.usable_c >= COOLED_BELOW_C))
    return int(one.usable_us[hot[-1]]) if hot.size else -1


def _quiet_from_us(in_place: Sequence[Heard], opens: int, closes: int | None) -> int | None:
    """Return when the last probe completed its days in the stretch, None when one did not."""
    completed = []
    for one in in_place:
        first = np.searchsorted(one.usable_us, opens, "right")
        last = one.usable_us.size if closes is None else np.searchsorted(one.usable_us, closes, "left")
        stretch = one.usable_us[first:last]
        if not stretch.size or stretch[-1] - stretch[0] < COOLED_FOR_DAYS * _DAY_US:
            return None
        completed.append(int(stretch[0]) + round(COOLED_FOR_DAYS * _DAY_US))
    return max(completed)
