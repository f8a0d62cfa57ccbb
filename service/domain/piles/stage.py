"""Which stage a pile is in: it follows from the record, nobody types it in."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

from service.domain.piles.cooling import cooling
from service.domain.piles.events import Event, up_to
from service.domain.piles.facts import PileFacts
from service.domain.piles.history import (
    closing,
    curing_since,
    fresh_material,
    released_at,
    started_at,
    turns,
)
from service.domain.piles.series import Heard, PositionSeries, hear

Stage = Literal["planned", "filling", "hot", "curing", "ready", "closed"]

_DAY: Final = timedelta(days=1)


@dataclass(frozen=True)
class StageFound:
    """A stage, why it is that one, and since when; ``since`` is None while the pile is only planned."""

    stage: Stage
    because: str
    since: datetime | None


def stage(pile: PileFacts, positions: Sequence[PositionSeries] = (), *, now: datetime) -> Stage:
    """Return the stage alone; see :func:`explain_stage`."""
    return explain_stage(pile, positions, now=now).stage


def explain_stage(pile: PileFacts, positions: Sequence[PositionSeries] = (), *, now: datetime) -> StageFound:
    """Derive the stage of a pile and say why.

    ``closed`` after a close or after being put onto another pile; ``ready`` after a release; ``curing`` after a
    move to curing, or when the probes show that it has cooled for good; ``hot`` from the build; ``filling`` from
    the first load; else ``planned``. Fresh material undoes a release and curing.

    Parameters
    ----------
    pile
        The pile's record.
    positions
        Its readings, placement by placement; without them nothing cools by itself.
    now
        Instant of the answer; aware.
    """
    events = up_to(pile.events, now)
    return stage_found(pile, events, [hear(series, now) for series in positions], now)


def stage_found(
    pile: PileFacts, events: Sequence[Event], heard: Sequence[Heard], now: datetime
) -> StageFound:
    """Derive the stage from entries in force and what the probes had said."""
    end = closing(events)
    if end is not None:
        how = "it was put onto another pile" if end.cause == "merged" else "it was closed"
        reason = f" ({end.reason})" if end.reason else ""
        return StageFound("closed", f"On {_day(end.at)} {how}{reason}.", end.at)
    released = released_at(events)
    if released is not None:
        return StageFound(
            "ready", f"Released for use on {_day(released)}; no fresh material since.", released
        )
    set_aside = curing_since(events)
    if set_aside is not None:
        return StageFound(
            "curing", f"Moved to curing on {_day(set_aside)}; no fresh material since.", set_aside
        )
    if pile.built_at is not None and pile.built_at <= now:
        return _heating(pile.built_at, events, heard, now)
    fresh = fresh_material(events)
    if fresh:
        loads = f"{len(fresh)} load{'s' if len(fresh) > 1 else ''} since {_day(fresh[0])}"
        return StageFound("filling", f"{loads}; not built yet: give built_at when it is complete.", fresh[0])
    planned = "" if pile.built_at is None else f"; it is to be built on {_day(pile.built_at)}"
    return StageFound("planned", f"Nothing has been loaded{planned}.", None)


def _heating(
    built_at: datetime, events: Sequence[Event], heard: Sequence[Heard], now: datetime
) -> StageFound:
    start = started_at(events, built_at) or built_at
    found = cooling(heard, turns=turns(events), started_at=start, now=now)
    if found.since is not None:
        return StageFound("curing", f"Cooled for good on {_day(found.since)}: {found.because}.", found.since)
    began = f"Built on {_day(built_at)}, {(now - built_at) / _DAY:.1f} days ago"
    if start > built_at:
        began += f", fresh material on {_day(start)}"
    return StageFound("hot", f"{began}; {found.because}.", start)


def _day(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d}"
