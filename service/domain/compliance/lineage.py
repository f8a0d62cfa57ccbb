"""What a pile's material was before: the records of merged and split piles, each followed into this one.

Every part of a batch must have met a rule. The record of a parent and that of the pile it went into make one line;
each line is judged on its own, and the least advanced governs. A split takes its parent's line along.
"""

import hashlib
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from service.domain.compliance.digest import readings_digest
from service.domain.compliance.history import History, Parent
from service.domain.compliance.instants import to_us
from service.domain.compliance.series import Series
from service.domain.errors import Invalid

MOST_LINES: Final = 64
"""Beyond it nobody could read the verdict; such a pile is judged as begun anew, which is for the caller to say."""


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One part of a pile followed from its beginning; ``name`` is None where it is the whole pile."""

    name: str | None
    history: History


def lines_of(history: History, judged: int) -> tuple[Line, ...]:
    """Return every line of a pile, as of the instant of judging.

    Parameters
    ----------
    history
        With its parents.
    judged
        What comes together later has not come together yet [us].

    Raises
    ------
    Invalid
        If a time has no offset, or there are more than 64 lines.
    """
    parents = [one for one in history.parents if to_us(one.until, "/parents/until") <= judged]
    if not parents:
        return (Line(None, history),)
    alone = replace(history, parents=())
    lines = [Line("the pile as it stood", alone)] if history.stood_alone else []
    for parent in parents:
        joined = to_us(parent.until, "/parents/until")
        for line in lines_of(parent.history, min(judged, joined)):
            name = parent.name if line.name is None else f"{parent.name}, {line.name}"
            only = len(parents) == 1 and not history.stood_alone
            lines.append(Line(name, _followed(replace(parent, history=line.history), alone, only=only)))
            if len(lines) > MOST_LINES:
                raise Invalid.field(
                    "/parents", f"more than {MOST_LINES} piles came together; leave the oldest out"
                )
    return tuple(lines)


def _followed(parent: Parent, pile: History, *, only: bool) -> History:
    """Return the record of a parent up to the joining and that of the pile from then on."""
    before, until = parent.history, to_us(parent.until, "/parents/until")
    series = [_until(one, parent) for one in before.series if one.starts_us < until]
    series += [_since(one, parent.until) for one in pile.series if one.ends_us > until]
    required = None
    if before.required_positions is not None and pile.required_positions is not None:
        required = pile.required_positions | {_named(parent, one) for one in before.required_positions}
    return replace(
        pile,
        series=tuple(series),
        turns=_spliced(before.turns, pile.turns, until),
        restarts=_spliced(before.restarts, pile.restarts, until),
        moves=(*_spliced(before.moves, pile.moves, until), parent.until),
        initial_carbon_nitrogen_ratio=before.initial_carbon_nitrogen_ratio,
        duties_recorded=before.duties_recorded | pile.duties_recorded,
        required_positions=required,
        # A sample of one part says nothing of the whole; a half is what the whole was.
        samples=(*before.samples, *pile.samples) if only else pile.samples,
        measures={**before.measures, **pile.measures} if only else pile.measures,
        method=pile.method or before.method,
        parents=(),
    )


def _named(parent: Parent, position: str) -> str:
    return f"{parent.name}: {position}"


def _until(series: Series, parent: Parent) -> Series:
    until = parent.until if series.ends_us > to_us(parent.until, "/parents/until") else series.required_until
    return replace(series, position=_named(parent, series.position), required_until=until)


def _since(series: Series, since: datetime) -> Series:
    later = series.starts_us >= to_us(since, "/parents/until")
    return series if later else replace(series, required_from=since)


def _spliced(before: tuple[datetime, ...], after: tuple[datetime, ...], until: int) -> tuple[datetime, ...]:
    """Return what happened to the parent up to the joining and to the pile after it; the joining is neither."""
    return (
        *(at for at in before if to_us(at, "/parents") < until),
        *(at for at in after if to_us(at, "/parents") > until),
    )


def digest_of(history: History, judged: int) -> str:
    """Return a digest of every reading seen, that of :func:`readings_digest` for a pile without parents.

    For others SHA-256 over that digest and, for each parent in order of its name, a zero byte, the name in UTF-8, a
    zero byte and the parent's digest up to the joining.
    """
    own = readings_digest(history, judged)
    parents = sorted(history.parents, key=lambda one: (one.name, one.until))
    seen = [one for one in parents if to_us(one.until, "/parents/until") <= judged]
    if not seen:
        return own
    digest = hashlib.sha256(own.encode())
    for one in seen:
        found = digest_of(one.history, to_us(one.until, "/parents/until"))
        digest.update(b"\0" + one.name.encode() + b"\0" + found.encode())
    return f"sha256:{digest.hexdigest()}"
