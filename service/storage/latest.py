"""The newest reading of each probe, and where the probe stood then."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final
from uuid import UUID

import numpy as np
from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.quantities import Quantity
from service.domain.readings.corrected import Columns, corrected
from service.domain.readings.counted import Counted, count
from service.storage.corrections import microseconds, moment_of
from service.storage.records import make_cursor, read_cursor
from service.storage.stretches import entries_by_probe, plain_of

_NEWEST: Final = """
select p.number, p.id, p.serial, p.site_id, r.observed_at, r.value, r.unit, r.flag
from probe p
cross join lateral (
  select observed_at, value, unit, flag from reading r
  where r.organisation_id = %(organisation_id)s and r.probe = p.number and r.quantity = %(quantity)s
  order by r.observed_at desc limit 1) as r
where p.organisation_id = %(organisation_id)s and p.number > %(after)s
  and (%(key_site)s::uuid is null or p.site_id = %(key_site)s)
  and (%(site_id)s::uuid is null or p.site_id = %(site_id)s)
order by p.number
limit %(most)s
"""
"""One look into the key for each probe; a table of newest readings would cost each insert a quarter (measured)."""

_WHERE: Final = """
select i.n, s.pile_id, s.position, s.depth_cm
from unnest(%(probe_id)s::uuid[], %(at)s::timestamptz[]) with ordinality as i (probe_id, at, n)
join placement s on s.organisation_id = %(organisation_id)s and s.probe_id = i.probe_id
  and s.since <= i.at and (s.until is null or s.until > i.at)
"""


@dataclass(frozen=True, eq=False)
class Newest:
    """A probe's newest reading, corrections laid over: newest as the probe told its time.

    ``counted`` holds that one reading; tests that look at others have not looked at it.
    """

    probe_id: UUID
    serial: str
    site_id: UUID | None
    recorded: Columns
    counted: Counted
    pile_id: UUID | None = None
    position: str | None = None
    depth_cm: float | None = None

    @property
    def observed_at(self) -> datetime:
        """Return when it was taken, as corrected."""
        return moment_of(int(self.counted.readings.columns.observed_us[0]))


def newest_page(
    session: Session,
    caller: Caller,
    quantity: Quantity,
    *,
    site_id: UUID | None,
    limit: int,
    after: str | None,
) -> tuple[list[Newest], str | None]:
    """Return the newest reading of each probe a key may see, in the order the probes were registered."""
    rows = (
        plain_of(session)
        .execute(
            _NEWEST,
            {
                "organisation_id": caller.organisation_id,
                "quantity": int(quantity),
                "after": 0 if after is None else read_cursor(after, [int])[0],
                "key_site": caller.site_id,
                "site_id": site_id,
                "most": limit + 1,
            },
        )
        .fetchall()
    )
    shown = rows[:limit]
    said = entries_by_probe(session, caller.organisation_id, [row[1] for row in shown])
    found = []
    for _number, probe_id, serial, probe_site_id, observed_at, value, unit, flag in shown:
        recorded = Columns(
            np.array([microseconds(observed_at)]),
            np.array([value], np.float64),
            np.array([unit], np.int16),
            np.array([flag], np.int16),
        )
        laid = corrected(recorded, said.get(probe_id, ()), quantity=quantity)
        found.append(Newest(probe_id, serial, probe_site_id, recorded, count(laid, quantity)))
    more = len(rows) > limit
    return _placed(session, caller.organisation_id, found), make_cursor(
        [rows[limit - 1][0]]
    ) if more else None


def _placed(session: Session, organisation_id: int, found: Sequence[Newest]) -> list[Newest]:
    """Say where each probe stood at the corrected instant of its reading."""
    rows = (
        plain_of(session)
        .execute(
            _WHERE,
            {
                "organisation_id": organisation_id,
                "probe_id": [one.probe_id for one in found],
                "at": [one.observed_at for one in found],
            },
        )
        .fetchall()
    )
    where = {place: (pile_id, position, depth_cm) for place, pile_id, position, depth_cm in rows}
    placed = []
    for place, one in enumerate(found, start=1):
        pile_id, position, depth_cm = where.get(place, (None, None, None))
        placed.append(replace(one, pile_id=pile_id, position=position, depth_cm=depth_cm))
    return placed
