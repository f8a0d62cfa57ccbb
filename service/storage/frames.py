"""What a series is read in: which probes sat where and when, and what was said of them and done beside them.

Loaded once in a short transaction; the readings then come in pieces, each in a transaction of its own.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlmodel import Session, col, select

from service.domain.piles import in_force, turns
from service.domain.quantities import Quantity
from service.domain.readings.corrections import reach_us
from service.storage.corrections import microseconds
from service.storage.pile_events import events_by_pile
from service.storage.probes import Stay, stays_by_pile
from service.storage.stretches import (
    FOREVER_US,
    AirProbe,
    Entries,
    air_probe,
    entries_by_probe,
    plain_of,
    span_us,
)
from service.storage.tables import PileRow, PlacementRow, ProbeRow

__all__ = ["Frame", "Scene", "Sitting", "frame_of_pile", "frame_of_probe"]

_EXTENTS: Final = """
select n,
  (select observed_at from reading where organisation_id = %(organisation_id)s and probe = n
    and quantity = %(quantity)s order by observed_at limit 1),
  (select observed_at from reading where organisation_id = %(organisation_id)s and probe = n
    and quantity = %(quantity)s order by observed_at desc limit 1)
from unnest(%(numbers)s::int4[]) as n
"""


@dataclass(frozen=True)
class Sitting:
    """A probe's stay in a pile, or a time in which it sat in none; half-open span of corrected time [us].

    ``is_wanted`` says whether it is asked for, or only stands beside what is.
    """

    probe_id: UUID
    number: int
    serial: str
    pile_id: UUID | None
    position: str | None
    depth_cm: float | None
    since_us: int
    until_us: int
    is_wanted: bool

    @property
    def place(self) -> tuple[str, str]:
        """Return the key of where it sat; stays at one place of one pile share it."""
        return str(self.pile_id or ""), self.position or ""


@dataclass(frozen=True)
class Scene:
    """What is looked at together: the stays in one pile with its turns, and who measures the air beside it."""

    sittings: tuple[Sitting, ...]
    turns_us: tuple[int, ...] = ()
    air: AirProbe | None = None

    @property
    def pile_id(self) -> UUID | None:
        """Return the pile, if it is one."""
        return self.sittings[0].pile_id


@dataclass(frozen=True)
class Frame:
    """A series to be read.

    Attributes
    ----------
    scenes
        Piles, and times outside any.
    entries
        All that was said of each probe, by its id; probes of which nothing was said are left out.
    since_us, until_us
        Half-open span of corrected time outside which there is no reading asked for [us since 1970-01-01T00:00Z].
    """

    organisation_id: int
    quantity: Quantity
    scenes: tuple[Scene, ...]
    entries: Mapping[UUID, Entries]
    since_us: int
    until_us: int

    @property
    def wanted(self) -> tuple[Sitting, ...]:
        """Return the stays asked for."""
        return tuple(one for scene in self.scenes for one in scene.sittings if one.is_wanted)


def frame_of_pile(
    session: Session,
    pile: PileRow,
    quantity: Quantity,
    *,
    position: str | None,
    since: datetime,
    until: datetime,
) -> Frame:
    """Return what the readings of a pile are read in, or those of one position of it."""
    stays = stays_by_pile(session, pile.organisation_id, [pile.id]).get(pile.id, [])
    sittings = [_sitting(one, pile.id, is_wanted=position in {None, one.position}) for one in stays]
    return _frame(session, pile.organisation_id, quantity, sittings, since, until)


def frame_of_probe(
    session: Session, probe: ProbeRow, quantity: Quantity, *, since: datetime, until: datetime
) -> Frame:
    """Return what the readings of a probe are read in, wherever it sat and while it sat nowhere."""
    placements = session.exec(
        select(PlacementRow)
        .where(
            col(PlacementRow.organisation_id) == probe.organisation_id,
            col(PlacementRow.probe_id) == probe.id,
        )
        .order_by(col(PlacementRow.since))
    ).all()
    beside = stays_by_pile(session, probe.organisation_id, {one.pile_id for one in placements})
    sittings = [
        _sitting(one, pile_id, is_wanted=one.probe_id == probe.id)
        for pile_id, stays in beside.items()
        for one in stays
    ]
    sittings += _outside(probe, [span_us(one.since, one.until) for one in placements])
    return _frame(session, probe.organisation_id, quantity, sittings, since, until)


def _sitting(stay: Stay, pile_id: UUID, *, is_wanted: bool) -> Sitting:
    since_us, until_us = span_us(stay.since, stay.until)
    return Sitting(
        stay.probe_id,
        stay.number,
        stay.serial,
        pile_id,
        stay.position,
        stay.depth_cm,
        since_us,
        until_us,
        is_wanted,
    )


def _outside(probe: ProbeRow, spans: Sequence[tuple[int, int]]) -> list[Sitting]:
    """Return the times in which a probe sat nowhere; its stays never overlap."""
    assert probe.number is not None
    edges = [0, *(edge for span in spans for edge in span), FOREVER_US]
    return [
        Sitting(probe.id, probe.number, probe.serial, None, None, None, since_us, until_us, is_wanted=True)
        for since_us, until_us in zip(edges[::2], edges[1::2], strict=True)
        if since_us < until_us
    ]


def _frame(
    session: Session,
    organisation_id: int,
    quantity: Quantity,
    sittings: Sequence[Sitting],
    since: datetime,
    until: datetime,
) -> Frame:
    # Only temperatures are compared with what was read beside them.
    is_compared = quantity is Quantity.TEMPERATURE
    by_pile: dict[UUID, list[Sitting]] = {}
    scenes = []
    for one in sittings:
        if one.pile_id is None:
            scenes.append(Scene((one,)))
        elif is_compared or one.is_wanted:
            by_pile.setdefault(one.pile_id, []).append(one)
    scenes += [Scene(tuple(same)) for same in by_pile.values()]
    probes = {one.probe_id for scene in scenes for one in scene.sittings}
    frame = Frame(
        organisation_id,
        quantity,
        tuple(scenes),
        entries_by_probe(session, organisation_id, list(probes)),
        microseconds(since),
        microseconds(until),
    )
    frame = _narrowed(session, frame)
    if not is_compared or frame.since_us >= frame.until_us:
        return frame
    return replace(frame, scenes=_with_context(session, frame))


def _narrowed(session: Session, frame: Frame) -> Frame:
    """Leave out the time before the first reading asked for and after the last."""
    rows = (
        plain_of(session)
        .execute(
            _EXTENTS,
            {
                "organisation_id": frame.organisation_id,
                "quantity": int(frame.quantity),
                "numbers": list({one.number for one in frame.wanted}),
            },
        )
        .fetchall()
    )
    spoken = {
        number: (microseconds(first), microseconds(last)) for number, first, last in rows if first is not None
    }
    since_us, until_us = FOREVER_US, 0
    for one in frame.wanted:
        if one.number not in spoken:
            continue
        later_us, earlier_us = reach_us(frame.entries.get(one.probe_id, ()), quantity=frame.quantity)
        first_us, last_us = spoken[one.number]
        since_us = min(since_us, max(one.since_us, first_us - earlier_us))
        until_us = max(until_us, min(one.until_us, last_us + later_us + 1))
    return replace(frame, since_us=max(frame.since_us, since_us), until_us=min(frame.until_us, until_us))


def _with_context(session: Session, frame: Frame) -> tuple[Scene, ...]:
    seen = [
        scene
        for scene in frame.scenes
        if any(
            one.is_wanted and one.since_us < frame.until_us and frame.since_us < one.until_us
            for one in scene.sittings
        )
    ]
    pile_ids = {scene.pile_id for scene in seen if scene.pile_id is not None}
    events = events_by_pile(session, frame.organisation_id, pile_ids)
    sites = _sites_of(session, frame.organisation_id, pile_ids)
    return tuple(
        scene
        if scene.pile_id is None
        else replace(
            scene,
            turns_us=tuple(microseconds(at) for at in turns(in_force(events.get(scene.pile_id, ())))),
            air=air_probe(
                session,
                frame.organisation_id,
                sites[scene.pile_id],
                placed=[one.number for one in scene.sittings],
                since_us=frame.since_us,
                until_us=frame.until_us,
            ),
        )
        for scene in seen
    )


def _sites_of(session: Session, organisation_id: int, pile_ids: Iterable[UUID]) -> dict[UUID, UUID]:
    rows = session.exec(
        select(PileRow.id, PileRow.site_id).where(
            col(PileRow.organisation_id) == organisation_id, col(PileRow.id).in_(pile_ids)
        )
    ).all()
    return {row[0]: row[1] for row in rows}
