"""The evidence pack: all that bears on a pile's verdicts, gathered into one document for whoever checks them."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.compliance import INTERPRETATIONS, History, Rule, Verdict, judge
from service.domain.curves import CurveRecord
from service.domain.piles import current_bay, in_force, status
from service.domain.readings.corrections import ReadingCorrection
from service.operations import organisations
from service.operations.curves import curve_of
from service.operations.evidence_cautions import CAUTIONS, STATEMENT
from service.operations.evidence_log import corrections_of_events, local, log_of, turns_of
from service.operations.evidence_material import loads_of, recipe_of, samples_of
from service.operations.evidence_positions import positions_of, reading_corrections_of
from service.operations.log_proofs import proofs_for_pile
from service.operations.signing import Signer
from service.operations.verdicts import ENGINE_VERSION, as_document
from service.storage import calibrations, feedstocks, piles, records, sites
from service.storage.histories import facts_of, history_of
from service.storage.histories import positions_of as stays_of
from service.storage.piles import Loaded
from service.storage.stretches import entries_by_probe
from service.storage.tables import CalibrationRow, FeedstockRow, PileRow, ProbeRow, VerdictRow
from service.storage.verdicts import verdicts_page

_MOST: Final = 500
TEXT_STATUS_WORDS: Final = {
    "read": "The words were read in the text named.",
    "second-hand": "The words were taken from a source that quotes the text, not from the text itself.",
    "unverified": "The words were not checked against the text; check them before relying on this verdict.",
}


@dataclass(frozen=True)
class OnRecord:
    """What is read for a pack, in one transaction."""

    organisation: str
    loaded: Loaded
    bays: Mapping[UUID, str]
    feedstocks: Mapping[str, FeedstockRow]
    probes: Mapping[UUID, ProbeRow]
    calibrations: Mapping[UUID, CalibrationRow]
    entries: Mapping[UUID, Sequence[ReadingCorrection]]
    issued: Sequence[VerdictRow]
    log: dict[str, Any] | None


@dataclass(frozen=True, eq=False)
class RuleCase:
    """A rule, its verdict under every reading of its text, and the curve under its limits."""

    rule: Rule
    verdict: Verdict
    under: Mapping[str, Verdict]
    curve: CurveRecord


@dataclass(frozen=True, eq=False)
class Pack:
    """An evidence pack: the document, and the curves that go with it by the rule's id."""

    document: dict[str, Any]
    curves: Mapping[str, CurveRecord]


def read(session: Session, caller: Caller, pile: PileRow, signer: Signer | None = None) -> OnRecord:
    """Read all that a pack of a pile rests on, with proofs from the organisation's log."""
    organisation_id = pile.organisation_id
    loaded = piles.load(session, pile)
    ids = list(dict.fromkeys(one.stay.probe_id for one in loaded.occupied))
    codes = {str(one.details["feedstock"]) for one in loaded.events if one.details.get("feedstock")}
    bays = sites.bays_page(session, organisation_id, pile.site_id, limit=_MOST, after=None).items
    return OnRecord(
        organisation=organisations.own(session, caller).name,
        loaded=loaded,
        bays={one.id: one.label for one in bays},
        feedstocks=feedstocks.by_codes(session, organisation_id, sorted(codes)),
        probes={one: records.find(session, ProbeRow, organisation_id, one) for one in ids},
        calibrations=calibrations.newest_of(session, organisation_id, ids),
        entries=entries_by_probe(session, organisation_id, ids),
        issued=_issued(session, organisation_id, pile.id),
        log=proofs_for_pile(session, organisation_id, pile.id, signer),
    )


def _issued(session: Session, organisation_id: int, pile_id: UUID) -> list[VerdictRow]:
    found: list[VerdictRow] = []
    after = None
    while True:
        page = verdicts_page(session, organisation_id, pile_id, limit=_MOST, after=after)
        found += page.items
        after = page.next
        if after is None:
            return found


def gather(record: OnRecord, rules: Sequence[Rule], *, now: datetime) -> Pack:
    """Put a pack together from what was read; touches no record.

    Parameters
    ----------
    rules
        Those judged, in the order shown.
    now
        Nothing after it is looked at.

    Returns
    -------
    Pack
        Its document's ``evidence_digest`` covers everything but itself, the log and the instants of asking: two
        packs with one digest say the same.
    """
    loaded = record.loaded
    history = history_of(loaded, now=now)
    cases = [_case(loaded, history, rule, now) for rule in rules]
    document = {
        "generated_at": now,
        "engine_version": ENGINE_VERSION,
        "statement": STATEMENT,
        **_who(record, now),
        "recipe": recipe_of(loaded),
        "loads": loads_of(loaded, record.feedstocks),
        "rules": [_rule(case) for case in cases],
        "positions": positions_of(loaded, history, record.probes, record.calibrations, now=now),
        "turns": turns_of(loaded, now=now),
        "happenings": log_of(loaded, record.bays, now=now),
        "event_corrections": corrections_of_events(loaded),
        "reading_corrections": reading_corrections_of(loaded, record.entries),
        "samples": samples_of(loaded),
        "issued_verdicts": [_filed(one) for one in record.issued],
        "cautions": list(CAUTIONS),
        "log": record.log,
    }
    document["evidence_digest"] = digest_of(document)
    return Pack(document, {case.rule.id: case.curve for case in cases})


def _case(loaded: Loaded, history: History, rule: Rule, now: datetime) -> RuleCase:
    zone = ZoneInfo(loaded.site.time_zone)
    under: dict[str, Verdict] = {
        one: judge(rule, history, judged_at=now, time_zone=zone, interpretation=one)
        for one in INTERPRETATIONS
    }
    verdict = under["inspector"]
    curve = curve_of(
        loaded.pile.label,
        history,
        rule=rule,
        verdict=verdict,
        built_at=loaded.pile.built_at,
        now=now,
        zone=zone,
    )
    return RuleCase(rule, verdict, under, curve)


def curve_alone(loaded: Loaded, rule: Rule | None, *, now: datetime) -> CurveRecord:
    """Return a pile's curve under one rule, or under none."""
    history = history_of(loaded, now=now)
    if rule is not None:
        return _case(loaded, history, rule, now).curve
    return curve_of(
        loaded.pile.label,
        history,
        rule=None,
        verdict=None,
        built_at=loaded.pile.built_at,
        now=now,
        zone=ZoneInfo(loaded.site.time_zone),
    )


def _who(record: OnRecord, now: datetime) -> dict[str, Any]:
    loaded = record.loaded
    told = status(facts_of(loaded), stays_of(loaded), now=now)
    pile, site, bay = loaded.pile, loaded.site, loaded.bay
    bay_now = current_bay(pile.bay_id, in_force(loaded.events))
    return {
        "organisation": {"name": record.organisation},
        "site": {"id": site.id, "name": site.name, "time_zone": site.time_zone, "climate": site.climate},
        "pile": {
            "id": pile.id,
            "label": pile.label,
            "bay": None if bay is None else bay.label,
            "bay_kind": None if bay is None else bay.kind,
            "bay_volume_m3": None if bay is None else bay.volume_m3,
            "bay_now": None if bay_now is None else record.bays.get(bay_now),
            "built_at": pile.built_at,
            "built_local": local(pile.built_at, site.time_zone),
            "design_volume_m3": pile.design_volume_m3,
            "built_volume": as_document(told.built_volume),
            "stage": told.stage,
            "curing_since": told.curing_since,
            "water_added_l": told.water_added_l,
        },
    }


def _rule(case: RuleCase) -> dict[str, Any]:
    rule = case.rule
    return {
        "rule": {
            "id": rule.id,
            "title": rule.title,
            "jurisdiction": rule.jurisdiction,
            "phrase": rule.phrase,
            "citation": rule.citation,
            "text_source": rule.text_source,
            "text_as_of": rule.text_as_of,
            "text_status": rule.text_status,
            "text_status_words": TEXT_STATUS_WORDS[rule.text_status],
            "version": rule.version,
            "asks": [hold.name for hold in rule.holds],
        },
        "ambiguities": [
            {
                "amb": one.amb,
                "question": one.question,
                "answers": {
                    name: answer if isinstance(answer, str) else f"{answer:g}"
                    for name, answer in one.values.items()
                },
                "parts_the_readings": one.question in {other.question for other in case.verdict.differences},
            }
            for one in rule.switches
        ],
        "verdict": case.verdict,
        "under": {
            name: {
                "state": one.state,
                "met_at": one.met_at,
                "held_h": one.held_h,
                "hot_h": one.hot_h,
                "turns_counted": one.turns_counted,
            }
            for name, one in case.under.items()
        },
    }


def _filed(row: VerdictRow) -> dict[str, Any]:
    names = ("id", "rule", "rule_version", "interpretation", "state", "judged_at", "issued_at")
    more = ("readings_digest", "engine_version", "supersedes", "because")
    return {name: getattr(row, name) for name in (*names, *more)}


_OF_ASKING: Final = frozenset({"generated_at", "judged_at", "log"})


def digest_of(document: Mapping[str, Any]) -> str:
    """Return a digest of what a document says, whenever it was asked: ``sha256:`` and 64 hexadecimal digits."""
    told = json.dumps(_lasting(as_document(document)), sort_keys=True, ensure_ascii=False, default=str)
    return f"sha256:{hashlib.sha256(told.encode()).hexdigest()}"


def _lasting(value: Any, *, issued: bool = False) -> Any:  # noqa: ANN401 - walks a document
    if isinstance(value, dict):
        return {
            name: _lasting(one, issued=issued or name == "issued_verdicts")
            for name, one in value.items()
            # A verdict on file keeps its instant: that is part of what it says.
            if issued or name not in _OF_ASKING
        }
    if isinstance(value, list):
        return [_lasting(one, issued=issued) for one in value]
    return value
