"""What stands on the pages, in order: each block is words only, taken from the document and nothing else."""

from collections.abc import Iterator, Mapping
from zoneinfo import ZoneInfo

from service.http.evidence_models import EvidenceOut
from service.http.evidence_pages.records import records
from service.http.evidence_pages.rules import rule_blocks
from service.http.evidence_pages.words import (
    NOTHING,
    STATES,
    Block,
    breakable,
    facts,
    figure,
    heading,
    paragraph,
    table,
    when,
)
from service.http.verdicts import VerdictOut

_HEADER = 70


def content(pack: EvidenceOut, curves: Mapping[str, tuple[str, str]]) -> dict[str, object]:
    """Return the pages of a pack; ``curves`` holds the drawing and its words for each rule's id."""
    zone = ZoneInfo(pack.site.time_zone)
    at = pack.generated_at
    label = pack.pile.label if len(pack.pile.label) <= _HEADER else pack.pile.label[:_HEADER] + "…"
    return {
        "title": breakable(f"Evidence pack: {pack.pile.label}"),
        "statement": pack.statement,
        "keywords": ["compost", "time-temperature evidence", pack.evidence_digest],
        "made": {
            "year": at.year,
            "month": at.month,
            "day": at.day,
            "hour": at.hour,
            "minute": at.minute,
            "second": at.second,
        },
        "header": breakable(f"Evidence pack · {label}"),
        "header_right": f"generated {when(at, zone)}",
        "blocks": list(_blocks(pack, curves, zone)),
    }


def _blocks(pack: EvidenceOut, curves: Mapping[str, tuple[str, str]], zone: ZoneInfo) -> Iterator[Block]:
    yield {"kind": "boxed", "title": pack.statement, "text": ""}
    yield from _summary(pack, zone)
    yield from _pile(pack, zone)
    yield from _inputs(pack, zone)
    for case in pack.rules:
        yield from rule_blocks(case, curves.get(case.rule.id), zone)
    yield from records(pack, zone)
    yield heading(1, "Cautions")
    yield {"kind": "list", "items": pack.cautions}
    yield from _checking(pack)


def _summary(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    if not pack.rules:
        yield paragraph("No rule is set for this pile, and none was asked for: nothing was judged.")
        return
    columns = [
        ("rule", 3.4),
        ("state", 1.3),
        ("first met", 1.7),
        ("heat held", 1.6),
        ("turns", 0.8),
        ("duties open", 2.4),
    ]
    rows = []
    for case in pack.rules:
        verdict = case.verdict
        rows.append(
            [
                case.rule.title,
                STATES[verdict.state],
                when(verdict.met_at, zone),
                _heat(verdict),
                f"{verdict.turns_counted} of {verdict.turns_required}"
                if verdict.turns_required
                else "none asked",
                ", ".join(one.replace("_", " ") for one in verdict.duties_open) or "none",
            ]
        )
    yield table(columns, rows)


def _heat(verdict: VerdictOut) -> str:
    if verdict.held_days is None or verdict.required_days is None:
        return "none asked"
    return f"{figure(round(verdict.held_days, 2))} of {figure(round(verdict.required_days, 2))} d"


def _pile(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    pile = pack.pile
    bay = NOTHING
    if pile.bay is not None:
        kind = (pile.bay_kind or "").replace("_", " ")
        bay = f"{pile.bay} ({kind}, {figure(pile.bay_volume_m3, 'm³')})"
        if pile.bay_now != pile.bay:
            bay += f"; now {pile.bay_now or 'in no bay'}"
    built = pile.built_volume
    basis = {"measured": "as measured", "loads": "sum of the loads", "height": "from its height"}
    volume = NOTHING
    if built is not None:
        volume = f"{figure(round(built.volume_m3, 3), 'm³')}, {basis[built.basis]}"
    is_built = pile.built_at is None or pile.built_at <= pack.generated_at
    yield heading(1, "The pile")
    yield facts(
        ("Organisation", pack.organisation.name),
        ("Site", f"{pack.site.name}, time zone {pack.site.time_zone}"),
        ("Pile", pile.label),
        ("Bay", bay),
        ("Built" if is_built else "To be built", when(pile.built_at, zone, none=NOTHING)),
        ("Volume, as designed", figure(pile.design_volume_m3, "m³", none=NOTHING)),
        ("Volume, as built", volume),
        ("Stage now", pile.stage),
        ("Curing since", when(pile.curing_since, zone, none=NOTHING)),
        ("Water given", figure(pile.water_added_l, "L")),
    )
    yield paragraph("Times are the site's own, each with its offset from UTC.", small=True)


def _inputs(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    yield heading(1, "Inputs")
    yield heading(2, "Loads")
    if pack.loads:
        columns = [("when", 2), ("material", 3), ("mass [kg]", 1), ("volume [m³]", 1), ("figures from", 2.6)]
        rows = [
            [
                when(one.at, zone) + (" after the build" if one.after_build else ""),
                one.name or NOTHING,
                figure(one.mass_kg),
                figure(one.volume_m3),
                one.source or NOTHING,
            ]
            for one in pack.loads
        ]
        yield table(columns, rows, right=(2, 3))
    else:
        yield paragraph("No load on record.")
    yield heading(2, "Recipe")
    if pack.recipe is None:
        yield paragraph("No recipe on record.")
        return
    recipe = pack.recipe
    columns = [
        ("ingredient", 2.6),
        ("mass [kg]", 0.9),
        ("volume [m³]", 1),
        ("moisture [%]", 1.05),
        ("N [% dry]", 0.9),
        ("C:N", 0.7),
        ("figures from", 3),
    ]
    rows = [
        [
            one.name,
            figure(one.mass_kg),
            figure(one.volume_m3),
            figure(one.moisture_pct),
            figure(one.nitrogen_pct),
            figure(None if one.carbon_nitrogen_ratio is None else round(one.carbon_nitrogen_ratio, 1)),
            ", ".join(dict.fromkeys(one.sources.values())) or NOTHING,
        ]
        for one in recipe.ingredients
    ]
    yield table(columns, rows, right=(1, 2, 3, 4, 5))
    yield paragraph(
        f"{recipe.name}: by calculation C:N {_rounded(recipe.carbon_nitrogen_ratio)}, moisture"
        f" {_rounded(recipe.moisture_pct)} %, bulk density {_rounded(recipe.bulk_density_kg_m3)} kg/m³,"
        f" free air space {_rounded(recipe.free_air_space_pct)} %.",
        small=True,
    )


def _rounded(value: float | None) -> str:
    return "unknown" if value is None else figure(round(value, 1))


def _checking(pack: EvidenceOut) -> Iterator[Block]:
    yield heading(1, "How to check this")
    rows = [("Evidence digest", pack.evidence_digest)]
    rows += [(f"Readings under {case.rule.id}", case.verdict.readings_digest) for case in pack.rules]
    rows += [(f"Rule file {case.rule.id}", case.rule.version) for case in pack.rules]
    rows.append(("Engine version", pack.engine_version))
    yield facts(*rows)
    yield paragraph(
        "The file evidence.json is attached to these pages and says the same in figures. A readings digest is"
        " SHA-256 over every reading looked at: whoever holds the readings can make it again. The evidence digest"
        " covers everything here but the log and the instants of asking: two packs with one digest say the same.",
        small=True,
    )
    yield from _log(pack)


def _log(pack: EvidenceOut) -> Iterator[Block]:
    """Say what the organisation's log proves of this; the proofs themselves are for a program."""
    if pack.log is None:
        yield paragraph("Proofs from the organisation's log: none is kept.", small=True)
        return
    waiting = len(pack.log["pending"])
    text = (
        f"Of this pile {len(pack.log['items'])} entries stand in the organisation's append-only log, each with a proof"
        " in the attached document; the log's checkpoint at that moment is printed below."
    )
    if waiting:
        text += f" {waiting} of the newest were not in it yet."
    if pack.log["key"] is None:
        text += " This deployment has no key: the checkpoint is not signed."
    yield paragraph(text, small=True)
    for line in str(pack.log["checkpoint"]).splitlines():
        yield paragraph(breakable(line), small=True)
