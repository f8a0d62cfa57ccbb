"""Writes the scenario's records through the operations, as a caller with a key would."""

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.demo.days import DAY, closures_of
from service.demo.happenings import Entry
from service.demo.instruments import ACCURACY_C
from service.demo.layout import LaidOut
from service.demo.materials import FEEDSTOCKS, RECIPES, SOURCE
from service.demo.pile import Pile
from service.demo.places import GATEWAYS, SITES
from service.demo.scenario import Scenario, registered
from service.domain.authority import Caller
from service.domain.schedules import kept_pattern, shipped_patterns
from service.operations import feedstocks, gateways, piles, probes, recipes, sites

_SITE_OF_GATEWAY: Final = {gateway.name: gateway.site for gateway in GATEWAYS}
_RECORDED_LATER: Final = DAY / 48


def record_label(pile: Pile) -> str:
    """Return a pile's label on record, which says what it is."""
    return f"{pile.label} (simulated)"


@dataclass
class Written:
    """The ids of what was written, by the scenario's own names."""

    sites: dict[str, UUID] = field(default_factory=dict)
    bays: dict[tuple[str, str], UUID] = field(default_factory=dict)
    recipes: dict[str, UUID] = field(default_factory=dict)
    probes: dict[str, UUID] = field(default_factory=dict)
    piles: dict[str, UUID] = field(default_factory=dict)
    events: int = 0


def write_records(
    session: Session, caller: Caller, scenario: Scenario, *, advance: Callable[[int], None]
) -> Written:
    """Write everything but the readings, in the caller's transaction; ``advance`` is called for each pile."""
    written = Written()
    _write_sites(session, caller, scenario, written)
    _write_materials(session, caller, scenario, written)
    _write_probes(session, caller, written)
    for laid in scenario.piles:
        _write_pile(session, caller, laid, scenario.entries[laid.pile.label], written)
        advance(1)
    for stay in scenario.stays:
        where: dict[str, Any] = {"position": stay.position, "depth_cm": stay.depth_cm}
        when = {"since": stay.since, "until": stay.until}
        values = {"pile_id": written.piles[stay.pile], **where, **when}
        probes.place(session, caller, written.probes[stay.serial], values)
    return written


def _write_sites(session: Session, caller: Caller, scenario: Scenario, written: Written) -> None:
    for key, site in SITES.items():
        row = sites.create_site(
            session,
            caller,
            {
                "name": site.name,
                "time_zone": site.time_zone,
                "latitude_deg": site.latitude_deg,
                "longitude_deg": site.longitude_deg,
                "climate": site.climate_words,
                "work_days": list(site.work_days),
                "closures": list(closures_of(site, scenario.now)),
                "crews": list(site.crews),
                "measures": [dataclasses.asdict(one) for one in site.measures],
                "lifting_limit_kg": site.lifting_limit_kg,
            },
        )
        written.sites[key] = row.id
        for bay in site.bays:
            made = sites.create_bay(session, caller, row.id, dataclasses.asdict(bay))
            written.bays[key, bay.label] = made.id
    for gateway in GATEWAYS:
        values = {"name": gateway.name, "site_id": written.sites[gateway.site]}
        gateways.create_gateway(session, caller, values)


def _write_materials(session: Session, caller: Caller, scenario: Scenario, written: Written) -> None:
    for stock in FEEDSTOCKS.values():
        told = {name: value for name, value in dataclasses.asdict(stock).items() if name != "analyses"}
        row = feedstocks.create_feedstock(session, caller, told | {"source": SOURCE})
        for analysis in stock.analyses:
            values = {"method": analysis.method, "note": analysis.note, **analysis.figures}
            sampled_on = (scenario.now - analysis.ago_days * DAY).date()
            feedstocks.add_analysis(session, caller, row.id, values | {"sampled_on": sampled_on})
    for recipe in RECIPES.values():
        ingredients = [{"feedstock": code, "volume_m3": part} for code, part in recipe.parts_m3.items()]
        values = {"name": recipe.name, "note": recipe.note, "ingredients": ingredients}
        written.recipes[recipe.key] = recipes.create_recipe(session, caller, values).id


def _write_probes(session: Session, caller: Caller, written: Written) -> None:
    for probe in registered():
        values = {
            "serial": probe.serial,
            "site_id": written.sites[_SITE_OF_GATEWAY[probe.gateway]],
            "accuracy_c": ACCURACY_C,
            "note": probe.note,
        }
        row, _ = probes.register_probe(session, caller, values)
        written.probes[probe.serial] = row.id


def _write_pile(
    session: Session, caller: Caller, laid: LaidOut, entries: Sequence[Entry], written: Written
) -> None:
    pile = laid.pile
    row = piles.create_pile(
        session,
        caller,
        {
            "site_id": written.sites[pile.site],
            "label": record_label(pile),
            "bay_id": written.bays[pile.site, pile.bay],
            "recipe_id": written.recipes[pile.recipe],
            "built_at": laid.built_at,
            "rules": list(pile.rules),
            "pattern": kept_pattern(shipped_patterns()[pile.pattern].pattern),
            "design_volume_m3": pile.design_volume_m3 or pile.volume_m3,
        },
    )
    written.piles[pile.label] = row.id
    named: dict[str, UUID] = {}
    for entry in entries:
        moved_to = None if entry.moved_to is None else written.bays[pile.site, entry.moved_to]
        told = _happening(entry, moved_to, named)
        event = piles.record_event(session, caller, row.id, told, now=entry.at + _RECORDED_LATER)
        written.events += 1
        if entry.name is not None:
            named[entry.name] = event.id


def _happening(entry: Entry, bay_id: UUID | None, named: Mapping[str, UUID]) -> piles.Happening:
    details = dict(entry.details)
    if bay_id is not None:
        details["bay_id"] = str(bay_id)
    return piles.Happening(
        kind=entry.kind,
        at=entry.at,
        details=details,
        crew=entry.crew,
        note=entry.note,
        corrects=None if entry.corrects is None else named[entry.corrects],
    )
