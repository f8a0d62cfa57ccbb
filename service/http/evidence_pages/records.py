"""The record behind a verdict, as tables: instruments, turns, the log, corrections, laboratory, verdicts on file."""

from collections.abc import Iterator
from zoneinfo import ZoneInfo

from service.http.evidence_models import CalibrationOfPackOut, EvidenceOut, PositionOut, SpanOfCorrectionOut
from service.http.evidence_pages.words import (
    NONE,
    NOTHING,
    STATES,
    Block,
    figure,
    heading,
    named,
    paragraph,
    plain,
    table,
    when,
)


def records(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    """Return the tables of a pack's record."""
    yield from _positions(pack, zone)
    yield from _turns(pack, zone)
    yield from _happenings(pack, zone)
    yield from _event_corrections(pack, zone)
    yield from _reading_corrections(pack, zone)
    yield from _samples(pack, zone)
    yield from _issued(pack, zone)


def _positions(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    yield heading(1, "Positions and instruments")
    if not pack.positions:
        yield paragraph("No probe was ever placed in this pile.")
        return
    columns = [
        ("position", 1.5),
        ("probe", 1.4),
        ("depth [cm]", 0.8),
        ("from, to", 2.1),
        ("readings: counted of all", 1.3),
        ("not counted, by test", 1.5),
        ("counted, lowest to highest [°C]", 1.1),
        ("accuracy [°C], last calibration", 2.5),
    ]
    rows = [
        [
            one.position,
            one.serial,
            figure(one.depth_cm),
            f"{when(one.from_, zone)} to {when(one.to, zone, none='now')}",
            f"{one.readings_counted} of {one.readings}",
            ", ".join(f"{cause.replace('_', ' ')} {n}" for cause, n in one.not_counted.items()) or "none",
            _range(one),
            f"±{figure(one.accuracy_c, none='unknown')}; {_calibration(one.calibration, zone)}",
        ]
        for one in pack.positions
    ]
    yield table(columns, rows, right=(2,))


def _range(one: PositionOut) -> str:
    if one.lowest_c is None or one.highest_c is None:
        return NONE
    return f"{one.lowest_c:.1f} to {one.highest_c:.1f}"


def _calibration(one: CalibrationOfPackOut | None, zone: ZoneInfo) -> str:
    if one is None:
        return "no calibration on record"
    method = one.method.replace("_", " ")
    return (
        f"{when(one.calibrated_at, zone)}, {method}: {figure(one.reference_c)} °C was shown as"
        f" {figure(one.shown_c)} °C, offset {one.offset_c:+g} °C"
    )


def _turns(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    yield heading(1, "Log")
    yield heading(2, "Turns")
    if not pack.turns:
        yield paragraph("No turn on record.")
        return
    columns = [
        ("no.", 0.5),
        ("turned", 2.1),
        ("recorded", 2.1),
        ("method", 1.2),
        ("height [m]", 1),
        ("crew", 1.8),
        ("corrected", 1),
    ]
    rows = [
        [
            f"T{one.number}",
            when(one.at, zone),
            when(one.recorded_at, zone),
            NONE if one.method is None else one.method.replace("_", " "),
            figure(one.height_m),
            one.crew or NONE,
            "no" if one.corrected_by is None else "yes",
        ]
        for one in pack.turns
    ]
    yield table(columns, rows, right=(4,))
    yield paragraph(
        "A crew is named where the site lists it as a crew; names of persons are not printed.", small=True
    )


def _happenings(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    if not pack.happenings:
        return
    yield heading(2, "What else happened")
    rows = [
        [
            when(one.at, zone),
            when(one.recorded_at, zone),
            one.kind,
            "; ".join(f"{named(name)} {plain(value)}" for name, value in one.details.items()) or NONE,
            one.crew or NONE,
        ]
        for one in pack.happenings
    ]
    yield table([("when", 1.9), ("recorded", 1.9), ("what", 0.9), ("figures", 4), ("crew", 1.5)], rows)


def _event_corrections(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    yield heading(2, "Corrections of entries")
    if not pack.event_corrections:
        yield paragraph("None.")
        return
    columns = [("was", 2), ("recorded", 1.9), ("is", 2), ("corrected", 1.9), ("why", 2.8), ("holds", 0.6)]
    rows = [
        [
            f"{one.was_kind or NOTHING} {when(one.was_at, zone, none='')}".strip(),
            when(one.was_recorded_at, zone),
            "withdrawn" if one.withdraws else f"{one.is_kind or ''} {when(one.is_at, zone, none='')}".strip(),
            when(one.recorded_at, zone),
            one.reason or NONE,
            "yes" if one.in_force else "no",
        ]
        for one in pack.event_corrections
    ]
    yield table(columns, rows)


def _reading_corrections(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    yield heading(2, "Corrections of readings")
    if not pack.reading_corrections:
        yield paragraph("None.")
        return
    columns = [
        ("probe", 1.3),
        ("what", 1.6),
        ("readings recorded", 2.1),
        ("corrected", 1.9),
        ("why", 3),
        ("holds", 0.6),
    ]
    rows = [
        [
            one.serial,
            _said(one),
            NONE if one.from_ is None else f"{when(one.from_, zone)} to {when(one.to, zone)}",
            when(one.recorded_at, zone),
            one.reason,
            "yes" if one.in_force else "no",
        ]
        for one in pack.reading_corrections
    ]
    yield table(columns, rows)
    yield paragraph("A correction stands beside the readings; what was recorded stays as it was.", small=True)


def _said(one: SpanOfCorrectionOut) -> str:
    whose = "" if one.quantity is None else f" {one.quantity}"
    if one.by_s is not None:
        return f"clock{whose} {one.by_s:+g} s"
    if one.unit is not None:
        return f"unit{whose} is {one.unit}"
    if one.withdraws is not None:
        return f"withdraws {one.withdraws}"
    return f"{one.kind}{whose}"


def _samples(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    yield heading(1, "Laboratory results")
    if not pack.samples:
        yield paragraph("No sample on record.")
        return
    columns = [
        ("taken", 1.9),
        ("laboratory", 1.9),
        ("C:N", 0.7),
        ("moisture [%]", 1),
        ("N [% dry]", 0.8),
        ("pH", 0.6),
        ("fecal coliform [MPN/g]", 1.3),
        ("Salmonella [MPN/4 g]", 1.3),
        ("record of", 1.4),
    ]
    rows = [
        [
            when(one.at, zone),
            one.laboratory or NOTHING,
            figure(one.carbon_nitrogen_ratio),
            figure(one.moisture_pct),
            figure(one.nitrogen_pct),
            figure(one.ph),
            figure(one.fecal_coliform_mpn_g),
            figure(one.salmonella_mpn_4g),
            ", ".join(duty.replace("_", " ") for duty in one.duties or []) or NONE,
        ]
        for one in pack.samples
    ]
    yield table(columns, rows, right=(2, 3, 4, 5, 6, 7))


def _issued(pack: EvidenceOut, zone: ZoneInfo) -> Iterator[Block]:
    yield heading(1, "Verdicts on file")
    if not pack.issued_verdicts:
        yield paragraph("None was issued on this pile.")
        return
    columns = [
        ("issued", 1.8),
        ("judged as of", 1.8),
        ("rule, reading", 1.9),
        ("state", 1.1),
        ("readings digest", 3),
        ("engine", 0.7),
        ("because", 1.5),
    ]
    rows = [
        [
            when(one.issued_at, zone),
            when(one.judged_at, zone),
            f"{one.rule}, {one.interpretation}",
            STATES[one.state],
            one.readings_digest,
            one.engine_version,
            one.because or "asked for",
        ]
        for one in pack.issued_verdicts
    ]
    yield table(columns, rows)
