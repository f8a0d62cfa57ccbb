"""What the last readings before a turning say of the whole pile."""

from collections.abc import Sequence
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.instants import Instants, hours_us
from service.domain.compliance.tracks import Track
from service.domain.compliance.words import hours


class Warmth(IntEnum):
    """From the best answer to the worst; the worst position decides."""

    HOT = 0
    UNSEEN = 1
    COLD = 2


def warmth_before(tracks: Sequence[Track], instants: Instants, within_h: float) -> NDArray[np.int8]:
    """Look at the last reading of every position strictly before each of some instants.

    Parameters
    ----------
    tracks
        Every required position.
    instants
        ``(n,)`` ascending [us].
    within_h
        Older readings say nothing [h].

    Returns
    -------
    NDArray
        ``(n,)`` codes of :class:`Warmth`; unseen where no probe was in the pile.
    """
    found = np.full(instants.size, -1, dtype=np.int8)
    for track in tracks:
        if track.position is None:
            continue
        here = (track.free.end[0] <= instants) & (instants <= track.free.start[-1])
        if track.at.size == 0:
            said = np.full(instants.size, Warmth.UNSEEN, dtype=np.int8)
        else:
            last = np.searchsorted(track.at, instants, side="left") - 1
            stale = (last < 0) | (instants - track.at[np.maximum(last, 0)] > hours_us(within_h))
            said = np.where(stale, Warmth.UNSEEN, Warmth.HOT).astype(np.int8)
            # Cold is cold however long ago: nothing has shown heat since.
            said[(last >= 0) & ~track.hot[np.maximum(last, 0)]] = Warmth.COLD
        found = np.where(here, np.maximum(found, said), found)
    found[found < 0] = Warmth.UNSEEN
    return found


def what_was_seen(tracks: Sequence[Track], instant: int, within_h: float) -> str:
    """Say which position speaks against heat before an instant, in words; empty if none does."""
    unseen, hot = "", False
    for track in tracks:
        if not track.belongs_at(instant):
            continue
        last = int(np.searchsorted(track.at, instant, side="left")) - 1
        if last < 0:
            unseen = f"no reading was taken at {track.position} before it"
            continue
        age = hours(instant - int(track.at[last]))
        if not track.hot[last]:
            return f"the last reading at {track.position}, {age} before it, was not at the temperature asked"
        if instant - int(track.at[last]) > hours_us(within_h):
            unseen = f"the last reading at {track.position} was {age} old by then"
        else:
            hot = True
    return unseen or ("" if hot else "no probe was in the pile")
