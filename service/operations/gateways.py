"""What a caller can change of gateways, and how each of them stands: clock, silence, what it told of itself."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import FieldError, Invalid
from service.domain.quantities import QUANTITY_OF_LABEL
from service.domain.readings.clocks import Clock, clock_of
from service.domain.readings.silence import Expectation, Silence, expected_within_s, silence_of
from service.operations import sites
from service.storage import keys, probes, records
from service.storage.gateway_packs import Packs, packs_of, states_of
from service.storage.tables import GatewayRow, GatewayStateRow

_SERIAL: Final = re.compile(r"[\x21-\x7e]{1,100}")
_ALIAS: Final = re.compile(r"[^\x00-\x1f\x7f]{1,200}")
_SHOWN: Final = 60
_AT_ONCE: Final = 200
"""Gateways looked at together while those that are silent are picked out."""


def create_gateway(session: Session, caller: Caller, values: Mapping[str, Any]) -> GatewayRow:
    """Register a gateway, at a site or for the whole organisation."""
    sites.must_be_own_site(session, caller, values.get("site_id"))
    _must_agree(values.get("aliases", {}), values.get("serials", []))
    return records.add(session, GatewayRow(organisation_id=caller.organisation_id, **values))


def gateway_of(session: Session, caller: Caller, gateway_id: UUID, *, lock: bool = False) -> GatewayRow:
    """Return a gateway this caller may touch."""
    row = records.find(session, GatewayRow, caller.organisation_id, gateway_id, lock=lock)
    caller.must_reach_site(row.site_id, "gateway")
    return row


def change_gateway(
    session: Session, caller: Caller, gateway_id: UUID, version: int, changes: Mapping[str, Any]
) -> GatewayRow:
    """Change a gateway under its version; its own keys follow it to another site."""
    row = gateway_of(session, caller, gateway_id, lock=True)
    if "site_id" in changes:
        sites.must_be_own_site(session, caller, changes["site_id"])
    _must_agree(changes.get("aliases", row.aliases), changes.get("serials", row.serials))
    records.change(session, row, version, changes)
    if "site_id" in changes:
        keys.keep_site(session, row)
    return row


def _must_agree(aliases: Mapping[str, str], serials: Sequence[str]) -> None:
    """Refuse an alias that stands for no reading the gateway may send.

    Raises
    ------
    Invalid
        With a pointer for each alias.
    """
    errors = []
    for name, target in aliases.items():
        fault = _fault(name, target, serials)
        if fault:
            escaped = name.replace("~", "~0").replace("/", "~1")
            errors.append(FieldError(f"/aliases/{escaped}", fault))
    if errors:
        raise Invalid(*errors)


def _fault(name: str, target: str, serials: Sequence[str]) -> str | None:
    if not _ALIAS.fullmatch(name):
        return f"{_show(name)} is no name; use 1 to 200 printable characters, as the gateway writes it"
    probe, slash, quantity = target.rpartition("/")
    if not slash or not _SERIAL.fullmatch(probe):
        return (
            f"{_show(target)} names no probe; write its serial, a slash and a quantity: PR-0042/temperature"
        )
    if quantity not in QUANTITY_OF_LABEL:
        return f"{_show(quantity)} is no quantity; after the slash use one of {', '.join(QUANTITY_OF_LABEL)}"
    if serials and probe not in serials:
        return f"probe {_show(probe)} is not among the gateway's serials; add it there, or point elsewhere"
    return None


def _show(value: str) -> str:
    shown = ascii(value)
    return shown if len(shown) <= _SHOWN else shown[:_SHOWN] + "..."


@dataclass(frozen=True, eq=False)
class Standing:
    """A gateway and how it stands.

    Attributes
    ----------
    state
        What it last told of itself over the broker; None if it never did.
    """

    gateway: GatewayRow
    last_heard_at: datetime | None
    clock: Clock
    expectation: Expectation
    silence: Silence
    state: GatewayStateRow | None

    @property
    def is_silent(self) -> bool:
        """Whether somebody should go and look: overdue, or its line is down."""
        return self.silence.state in {"silent", "offline"}


def standings_of(
    session: Session, organisation_id: int, gateways: Sequence[GatewayRow], *, now: datetime
) -> list[Standing]:
    """Return how gateways stand, in their order; two questions, however many there are."""
    packs = packs_of(session, organisation_id, [row.name for row in gateways])
    states = states_of(session, organisation_id, [row.id for row in gateways])
    return [_standing(row, packs.get(row.name, Packs()), states.get(row.id), now) for row in gateways]


def _standing(gateway: GatewayRow, packs: Packs, state: GatewayStateRow | None, now: datetime) -> Standing:
    heard_at = packs.last_heard_at
    expectation = expected_within_s(packs.received_us, packs.promised_silence_s)
    online = None if state is None else state.is_online
    if state is not None and heard_at is not None and heard_at > state.told_at:
        online = None  # a pack that came after the broker's word, by whatever way, is the later word
    silence = silence_of(heard_at, expectation, now, online=online)
    return Standing(gateway, heard_at, clock_of(packs.lags_s), expectation, silence, state)


@dataclass(frozen=True)
class StandingsPage:
    """Some gateways and, when there are more, the cursor to the next."""

    items: Sequence[Standing]
    next: str | None


def standings_page(
    session: Session, caller: Caller, *, silent: bool | None, limit: int, after: str | None, now: datetime
) -> StandingsPage:
    """Return the gateways a key may see, oldest first; only the silent, or only the others, if asked."""
    if silent is None:
        found = probes.gateways_page(session, caller, limit=limit, after=after)
        return StandingsPage(standings_of(session, caller.organisation_id, found.items, now=now), found.next)
    kept: list[Standing] = []
    while True:
        found = probes.gateways_page(session, caller, limit=_AT_ONCE, after=after)
        for one in standings_of(session, caller.organisation_id, found.items, now=now):
            if one.is_silent is silent:
                if len(kept) == limit:
                    return StandingsPage(kept, records.make_cursor([kept[-1].gateway.id]))
                kept.append(one)
        if found.next is None:
            return StandingsPage(kept, None)
        after = found.next
