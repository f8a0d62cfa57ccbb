"""One rule on the pages: its words, the verdict under each reading of them, the curve, and what was lost."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from service.http.evidence_models import RuleCaseOut
from service.http.evidence_pages.words import (
    NONE,
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
from service.http.verdicts import CriterionOut, LostOut, VerdictOut, WindowOut

_MOST_LOST = 120
_READINGS = ("literal", "inspector", "cumulative")
_READ_AS = {
    "literal": "literal: the words alone",
    "inspector": "inspector: silences filled with care",
    "cumulative": "cumulative: best case, for information",
}


def rule_blocks(case: RuleCaseOut, curve: tuple[str, str] | None, zone: ZoneInfo) -> Iterator[Block]:
    """Return what is printed of one rule."""
    rule, verdict = case.rule, case.verdict
    yield heading(1, f"Rule: {rule.title}")
    yield {"kind": "boxed", "title": _state(verdict, zone), "text": breakable(verdict.note or "")}
    yield {"kind": "quote", "text": breakable(rule.phrase)}
    dated = "" if rule.text_as_of == rule.text_status else f", as of {rule.text_as_of}"
    rows = [
        ("Citation", rule.citation),
        ("Text", f"{rule.text_status}{dated}. {rule.text_status_words}"),
        ("Copy used", rule.text_source),
        ("Asks", "; or ".join(rule.asks)),
        ("Next", verdict.next),
    ]
    if verdict.earliest_possible is not None:
        rows.append(("Earliest possible", when(verdict.earliest_possible, zone)))
    yield facts(*rows)
    yield from _readings_of_the_text(case, zone)
    if curve is not None:
        svg, words = curve
        caption = "Dashes and letters tell positions apart; the table of losses has every span in words."
        yield {"kind": "curve", "svg": svg, "alt": words, "caption": caption}
    yield from _criteria(verdict)
    yield from _windows(verdict, zone)
    yield from _lost(verdict, zone)
    yield from _turns(verdict, zone)
    yield from _suspected(verdict, zone)
    yield from _excluded(verdict, zone)


def _state(verdict: VerdictOut, zone: ZoneInfo) -> str:
    first = "" if verdict.met_at is None else f", first at {when(verdict.met_at, zone)}"
    duties = len(verdict.duties_open)
    open_words = "" if not duties else f"; duties open: {duties}"
    return f"Time, temperature, turning, initial mix and curing: {STATES[verdict.state]}{first}{open_words}"


def _readings_of_the_text(case: RuleCaseOut, zone: ZoneInfo) -> Iterator[Block]:
    yield heading(2, "Under each reading of the text")
    columns = [
        ("reading of the text", 3.2),
        ("state", 1.6),
        ("first met", 2),
        ("held [h]", 1),
        ("hot in all [h]", 1.2),
        ("turns", 0.8),
    ]
    rows = []
    for name in _READINGS:
        one = case.under[name]
        rows.append(
            [
                _READ_AS[name],
                STATES[one.state],
                when(one.met_at, zone),
                _hours(one.held_h),
                _hours(one.hot_h),
                str(one.turns_counted),
            ]
        )
    yield table(columns, rows, right=(3, 4, 5))
    if not case.ambiguities:
        yield paragraph("The text leaves nothing open that the readings of it fill differently.", small=True)
        return
    yield heading(2, "What the text leaves open")
    columns = [
        ("no.", 0.9),
        ("question", 4),
        ("literal", 1.2),
        ("inspector", 1.2),
        ("cumulative", 1.2),
        ("parts the states here", 1.1),
    ]
    rows = [
        [
            one.amb,
            one.question,
            *(one.answers.get(name, NONE).replace("_", " ") for name in _READINGS),
            "yes" if one.parts_the_readings else "no",
        ]
        for one in case.ambiguities
    ]
    yield table(columns, rows)


def _criteria(verdict: VerdictOut) -> Iterator[Block]:
    for kind, title in (("process", "What the rule asks of the process"), ("duty", "Its other duties")):
        rows = [
            [one.name.replace("_", " "), STATES[one.state], one.detail]
            for one in verdict.criteria
            if one.kind == kind
        ]
        if rows:
            yield heading(2, title)
            yield table(
                [("criterion" if kind == "process" else "duty", 2), ("state", 1.2), ("what was seen", 6)],
                rows,
            )


def _windows(verdict: VerdictOut, zone: ZoneInfo) -> Iterator[Block]:
    yield heading(2, "Heat that counted")
    if verdict.windows:
        yield _windows_table(verdict.windows, zone)
    else:
        yield paragraph("None.")
    for one in verdict.criteria:
        if one.windows:
            yield heading(2, f"Heat that counted: {_hold(one)}")
            yield _windows_table(one.windows, zone)


def _windows_table(windows: Sequence[WindowOut], zone: ZoneInfo) -> Block:
    rows = [[when(one.from_, zone), when(one.to, zone), _length(one.from_, one.to)] for one in windows]
    return table([("from", 2), ("to", 2), ("length [h]", 1)], rows, right=(2,))


def _lost(verdict: VerdictOut, zone: ZoneInfo) -> Iterator[Block]:
    yield heading(2, "What was lost, and why")
    if verdict.lost:
        yield from _lost_table(verdict.lost, zone)
    else:
        yield paragraph("Nothing is listed; what is lost counts from when the pile first became hot.")
    for one in verdict.criteria:
        if one.lost:
            yield heading(2, f"What was lost, and why: {_hold(one)}")
            yield from _lost_table(one.lost, zone)


def _lost_table(lost: Sequence[LostOut], zone: ZoneInfo) -> Iterator[Block]:
    rows = [
        [
            when(one.from_, zone),
            when(one.to, zone),
            _length(one.from_, one.to),
            one.cause.replace("_", " "),
            one.position or "whole pile",
            one.detail,
        ]
        for one in lost[:_MOST_LOST]
    ]
    columns = [
        ("from", 2.4),
        ("to", 2.4),
        ("length [h]", 0.8),
        ("cause", 1.7),
        ("position", 1.1),
        ("what was seen", 4.6),
    ]
    yield table(columns, rows, right=(2,))
    more = len(lost) - _MOST_LOST
    if more > 0:
        yield paragraph(f"{more} more spans stand in the attached evidence.json.", small=True)


def _hold(criterion: CriterionOut) -> str:
    """Return the name of a hold beside the one the verdict shows as its own."""
    return criterion.name.partition(": ")[2] or criterion.name.replace("_", " ")


def _turns(verdict: VerdictOut, zone: ZoneInfo) -> Iterator[Block]:
    if verdict.turns_not_counted:
        yield heading(2, "Turns that did not count")
        rows = [[when(one.at, zone), one.reason] for one in verdict.turns_not_counted]
        yield table([("when", 1.6), ("why", 6)], rows)


def _suspected(verdict: VerdictOut, zone: ZoneInfo) -> Iterator[Block]:
    if verdict.suspected_turns:
        yield heading(2, "Turns nobody recorded, as the curves suggest them")
        rows = [[when(one.at, zone), ", ".join(one.positions), one.detail] for one in verdict.suspected_turns]
        yield table([("last reading before", 1.6), ("positions", 1.4), ("what was seen", 5)], rows)


def _excluded(verdict: VerdictOut, zone: ZoneInfo) -> Iterator[Block]:
    if verdict.excluded:
        yield heading(2, "Readings that are no evidence")
        rows = [
            [
                one.position,
                one.cause.replace("_", " "),
                str(one.count),
                when(one.first, zone),
                when(one.last, zone),
                NONE if one.correction is None else str(one.correction),
            ]
            for one in verdict.excluded
        ]
        columns = [
            ("position", 1.5),
            ("test or cause", 1.3),
            ("number", 0.8),
            ("first", 2.1),
            ("last", 2.1),
            ("correction", 2),
        ]
        yield table(columns, rows, right=(2,))


def _hours(length_h: float | None) -> str:
    return NONE if length_h is None else figure(round(length_h, 2))


def _length(start: datetime, end: datetime) -> str:
    return figure(round((end - start).total_seconds() / 3600, 2))
