"""Tables of readings: what is read, what is refused and how the refusal helps."""

import csv
import io
import re
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from dateutil import tz
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from service.domain.errors import Invalid, TooLarge
from service.domain.quantities import Quantity, Unit
from service.http.formats.instants import in_zone
from service.http.formats.members import Unusable
from service.http.formats.read import Sorted, Unreadable
from service.http.formats.table import (
    TableLayout,
    check_table_sample,
    layout_of,
    read_table,
    rows_in_pieces,
)
from service.http.formats.table_records import LONGEST_RECORD, Lines, records_of

NOW = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)
HEADER = "probe,observed_at,quantity,value,unit"
ROW = "PR-1,2026-05-04T09:00:00Z,temperature,61.4,Cel"
ONE_VALUE = {
    "probe": {"constant": "PR-1"},
    "quantity": {"constant": "temperature"},
    "unit": {"constant": "Cel"},
}


def read(text: str, document: dict[str, Any] | None = None, **more: Any) -> Sorted:
    layout = layout_of(document or {})
    return read_table(text.encode(), layout, now=NOW, most=more.pop("most", 10_000), **more)


def readings(found: Sorted) -> list[tuple[str, str, datetime, float, str]]:
    return [
        (serial, Quantity(quantity).label, datetime.fromtimestamp(seconds, UTC), value, Unit(unit).ucum)
        for serial, quantity, seconds, value, unit in zip(
            found.serials, found.quantity, found.observed_s, found.value, found.unit, strict=True
        )
    ]


def refusals(found: Sorted) -> list[tuple[int, int | None, str, str]]:
    return [(place, why.line, why.member, why.code) for place, why in found.refused]


def one_refusal(found: Sorted) -> str:
    assert found.places == []
    ((_, why),) = found.refused
    return f"{why.code}: {why.detail}"


def faults(call: Callable[[], object]) -> dict[str, str]:
    with pytest.raises(Invalid) as refused:
        call()
    return {error.pointer: error.detail for error in refused.value.errors}


def records(text: str | bytes, delimiter: str = ",") -> list[tuple[int, list[str]]]:
    body = text.encode() if isinstance(text, str) else text
    return list(records_of(Lines([body]), delimiter))


# The rules of RFC 4180 section 2 and their examples, typed from the text.
RFC_4180 = [
    ("1", "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ("2", "aaa,bbb,ccc\r\nzzz,yyy,xxx", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    (
        "3",
        "field_name,field_name,field_name\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",
        [["field_name"] * 3, ["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]],
    ),
    ("4, spaces are part of a field", "aaa, bbb ,ccc", [["aaa", " bbb ", "ccc"]]),
    ("5", '"aaa","bbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ("6", '"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "b\r\nbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ("7", '"aaa","b""bb","ccc"', [["aaa", 'b"bb', "ccc"]]),
]


class TestRecords:
    @pytest.mark.parametrize(("rule", "text", "cells"), RFC_4180, ids=[rule for rule, *_ in RFC_4180])
    def test_are_those_of_rfc_4180(self, rule: str, text: str, cells: list[list[str]]) -> None:
        assert [record for _, record in records(text)] == cells, rule

    @pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
    def test_begin_in_physical_lines_whatever_ends_them(self, end: str) -> None:
        text = end.join(["a,b", "", '"x', 'y",2', " , ", "3,4"])
        assert [line for line, _ in records(text)] == [1, 3, 6]

    def test_other_line_separators_of_unicode_end_nothing(self) -> None:
        assert records("a\x0b\x85\u2028b,2\n3,4") == [(1, ["a\x0b\x85\u2028b", "2"]), (2, ["3", "4"])]

    def test_a_byte_order_mark_is_dropped(self) -> None:
        assert records(b"\xef\xbb\xbfa,b") == [(1, ["a", "b"])]

    @pytest.mark.parametrize(
        ("body", "told"),
        [
            (b"a,b\n1,2\xb0C\n", "byte 7 (0xb0)"),
            (b"\xef\xbb\xbfa\n\xff", "byte 5 (0xff)"),
            ("a,b\n1,2\n".encode("utf-16"), "byte 0 (0xff)"),
            (b"a\n\xe2\x82", "byte 2 (0xe2)"),
        ],
    )
    @pytest.mark.parametrize("size", [1, 2, 3, 100])
    def test_what_is_not_utf_8_is_named_by_its_byte(self, body: bytes, told: str, size: int) -> None:
        chunks = [body[at : at + size] for at in range(0, len(body), size)]
        with pytest.raises(Unreadable) as refused:
            list(records_of(Lines(chunks), ","))
        assert told in str(refused.value)

    @pytest.mark.parametrize("text", ['a,b\n\n1,"2\n3,4\n', 'a,b\n\n"1"x,2\n'])
    def test_broken_quoting_is_named_by_its_line(self, text: str) -> None:
        with pytest.raises(Unreadable, match="line 3: not CSV"):
            records(text)

    @pytest.mark.parametrize("filler", ["x", "x\n"])
    def test_an_open_quote_does_not_swallow_a_long_file(self, filler: str) -> None:
        pulled = 0

        def endless() -> Any:
            nonlocal pulled
            yield b'a,b\n1,"'
            while True:
                pulled += 1
                yield filler.encode() * 500

        with pytest.raises(Unreadable, match="is a quote left open"):
            list(records_of(Lines(endless()), ","))
        assert pulled * 500 * len(filler) <= LONGEST_RECORD + 2000

    def test_a_long_file_of_short_records_is_no_long_record(self) -> None:
        rows = [f"{HEADER}\n", *[f"{ROW}\n"] * (3 * LONGEST_RECORD // len(ROW))]
        assert len(records("".join(rows))) == len(rows)
        preface = ("-" * 300 + "\n") * 900
        assert read(preface + "".join(rows), {"skip_lines": 900}).received == len(rows) - 1

    def test_a_record_of_many_quoted_lines_is_bounded_too(self) -> None:
        with pytest.raises(Unreadable, match="is a quote left open"):
            records('"x\n",' * (LONGEST_RECORD // 4))

    CELLS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=8)

    ENDS = st.sampled_from(["\n", "\r\n", "\r"])
    DELIMITERS = st.sampled_from([",", ";", "\t"])

    @given(
        rows=st.lists(st.lists(CELLS, min_size=1, max_size=5), max_size=8),
        quoting=st.sampled_from([csv.QUOTE_ALL, csv.QUOTE_MINIMAL, csv.QUOTE_NONNUMERIC]),
        end=ENDS,
        delimiter=DELIMITERS,
        size=st.integers(1, 50),
    )
    def test_written_by_another_are_read_back(
        self, rows: list[list[str]], quoting: Any, end: str, delimiter: str, size: int
    ) -> None:
        # That writer quotes only the line ends it writes itself, against rule 6.
        assume(quoting != csv.QUOTE_MINIMAL or not any(re.search(r"[\r\n]", c) for row in rows for c in row))
        text = io.StringIO(newline="")
        csv.writer(text, quoting=quoting, lineterminator=end, delimiter=delimiter).writerows(rows)
        body = b"\xef\xbb\xbf" + text.getvalue().encode()
        chunks = [body[at : at + size] for at in range(0, len(body), size)]
        read_back = [cells for _, cells in records_of(Lines(chunks), delimiter)]
        assert read_back == [row for row in rows if any(cell.strip() for cell in row)]

    @given(
        rows=st.lists(st.lists(st.tuples(CELLS, st.booleans()), min_size=1, max_size=5), max_size=8),
        end=ENDS,
        delimiter=DELIMITERS,
    )
    def test_quoted_at_random_are_read_back(
        self, rows: list[list[tuple[str, bool]]], end: str, delimiter: str
    ) -> None:
        """Rules 5 to 7: a cell may be quoted, and must be for the sake of four characters."""

        def written(cell: str, *, is_quoted: bool) -> str:
            must = any(one in cell for one in ('"', "\r", "\n", delimiter))
            return '"' + cell.replace('"', '""') + '"' if is_quoted or must else cell

        lines = [delimiter.join(written(cell, is_quoted=quoted) for cell, quoted in row) for row in rows]
        first, begins = 1, []
        for line, row in zip(lines, rows, strict=True):
            if any(cell.strip() for cell, _ in row):
                begins.append((first, [cell for cell, _ in row]))
            first += 1 + len(re.findall(r"\r\n|\r|\n", line))
        # A BOM in front, as one inside a first cell would else be taken for it.
        assert records("\ufeff" + "".join(line + end for line in lines), delimiter) == begins


class TestOwnHeader:
    def test_is_the_default(self) -> None:
        assert layout_of({}) == TableLayout()

    def test_is_read_in_any_order_with_other_columns_beside_it(self) -> None:
        header = "note,unit,value,probe,quantity,observed_at,note"
        text = f"{header}\nx,[degF],142.5,PR-1,temperature,2026-05-04T09:00:00-05:00,y\n"
        found = read(text)
        assert readings(found) == [
            ("PR-1", "temperature", datetime(2026, 5, 4, 14, 0, tzinfo=UTC), 142.5, "[degF]")
        ]
        assert (found.received, found.refused, found.gateway, found.sent_at) == (1, [], None, None)

    def test_places_and_lines_of_what_is_refused(self) -> None:
        broken = '"PR\n-2",2026-05-04T09:00:00Z,temperature,1,Cel\nPR-1,2026-05-04T09:00:00Z'
        text = f"{HEADER}\n{ROW}\n\n{broken}\n{ROW}"
        found = read(text)
        assert found.places == [0, 3]
        assert refusals(found) == [(1, 4, "probe", "bad-probe"), (2, 6, "", "wrong-cell-count")]
        assert found.received == 4

    def test_an_empty_value_is_no_reading_and_no_refusal(self) -> None:
        found = read(f"{HEADER}\n{ROW}\nPR-1,2026-05-04T10:00:00Z,temperature, ,Cel\n")
        assert (found.received, found.places, found.refused) == (1, [0], [])

    def test_more_than_may_come_is_refused(self) -> None:
        text = "\n".join([HEADER, *[ROW] * 3])
        with pytest.raises(TooLarge, match="at most 2 readings"):
            read(text, most=2)

    @pytest.mark.parametrize("text", ["", "\n\n", "\ufeff", ",,\n"])
    def test_an_empty_table_says_so(self, text: str) -> None:
        assert "is empty" in faults(lambda: read(text))[""]

    def test_a_header_alone_holds_nothing(self) -> None:
        found = read(HEADER)
        assert (found.received, found.places) == (0, [])

    @pytest.mark.parametrize(
        ("row", "code", "remedy"),
        [
            ("P R,2026-05-04T09:00:00Z,temperature,61.4,Cel", "bad-probe", "visible ASCII"),
            (",2026-05-04T09:00:00Z,temperature,61.4,Cel", "bad-probe", "visible ASCII"),
            ("PR-1,2026-05-04T09:00:00Z,heat,61.4,Cel", "bad-quantity", "use one of temperature"),
            ("PR-1,2026-05-04T09:00:00Z,temperature,61.4,C", "bad-unit", "use a UCUM code"),
            ("PR-1,2026-05-04T09:00:00Z,temperature,61.4,%", "unit-does-not-fit", "use Cel"),
            ("PR-1,2026-11-20T12:11:00Z,temperature,61.4,Cel", "in-the-future", "set the clock"),
            ("PR-1,1969-12-31T23:59:59Z,temperature,61.4,Cel", "clock-not-set", "set the clock"),
            ("PR-1,,temperature,61.4,Cel", "no-observed-at", "give the time"),
            (",,,,", "", ""),
        ],
    )
    def test_what_is_no_reading(self, row: str, code: str, remedy: str) -> None:
        found = read(f"{HEADER}\n{row}\n")
        if not code:
            assert found.received == 0
            return
        shown = one_refusal(found)
        assert shown.startswith(code + ": ")
        assert remedy in shown
        assert found.refused[0][1].line == 2


class TestNumbers:
    @pytest.mark.parametrize(
        ("text", "value"),
        [
            ("61.4", 61.4),
            ("-3", -3.0),
            ("+7", 7.0),
            (".5", 0.5),
            ("12.", 12.0),
            ("6.14e1", 61.4),
            (" 5 ", 5.0),
        ],
    )
    def test_are_read(self, text: str, value: float) -> None:
        found = read(f"observed_at,value\n2026-05-04T09:00:00Z,{text}\n", ONE_VALUE)
        assert list(found.value) == [value]

    @pytest.mark.parametrize(
        ("text", "value"), [("61,4", 61.4), ("-0,5", -0.5), ("12", 12.0), (",5", 0.5), ("1,5E2", 150.0)]
    )
    def test_with_a_decimal_comma_where_the_layout_says_so(self, text: str, value: float) -> None:
        layout = ONE_VALUE | {"delimiter": ";", "decimal_comma": True}
        found = read(f"observed_at;value\n2026-05-04T09:00:00Z;{text}\n", layout)
        assert list(found.value) == [value]

    @pytest.mark.parametrize(
        ("text", "decimal_comma", "code", "remedy"),
        [
            ("12,5", False, "bad-value", "set decimal_comma"),
            ("1,234", False, "bad-value", "set decimal_comma (thousands"),
            ("1,234.5", False, "bad-value", "thousands"),
            ("1.234,5", True, "bad-value", "thousands"),
            ("1 234.5", False, "bad-value", "thousands"),
            ("1\u202f234", False, "bad-value", "thousands"),
            ("1'234", False, "bad-value", "thousands"),
            ("12.5", True, "bad-value", "set decimal_comma to false"),
            ("NaN", False, "not-a-number", "missing"),
            ("-inf", False, "not-a-number", "missing"),
            ("1e999", False, "not-a-number", "finite"),
            ("=A1*2", False, "bad-value", "formula"),
            ("+cmd|'x'!A1", False, "bad-value", "formula"),
            ("@SUM(A1)", False, "bad-value", "formula"),
            ("61.4 \u00b0C", False, "bad-value", "carries a unit"),
            ("61.4C", False, "bad-value", "carries a unit"),
            ("55%", False, "bad-value", "carries a unit"),
            ("1_000", False, "bad-value", "is not a number"),
            ("\u0661\u0662", False, "bad-value", "is not a number"),
            ("\u221212", False, "bad-value", "is not a number"),
            ("0x1f", False, "bad-value", "number"),
            ("warm", False, "bad-value", "is not a number"),
        ],
    )
    def test_that_are_none_say_what_to_do(
        self, text: str, decimal_comma: Any, code: str, remedy: str
    ) -> None:
        layout = ONE_VALUE | {"delimiter": ";", "decimal_comma": decimal_comma}
        shown = one_refusal(read(f"observed_at;value\n2026-05-04T09:00:00Z;{text}\n", layout))
        assert shown.startswith(f"{code}: ")
        assert remedy in shown
        assert shown.isascii()


def at(text: str, time_format: str | None = None, zone: str | None = None, **more: Any) -> Sorted:
    layout = ONE_VALUE | {"time_format": time_format, "time_zone": zone} | more
    return read(f"observed_at\tvalue\n{text}\t61.4\n", layout | {"delimiter": "\t"})


@pytest.mark.parametrize("value", ["1" + " " * 90_000 + "!", "9" * 90_000, "[a]" * 30_000 + "!]"])
def test_a_huge_cell_is_refused_at_once(value: str) -> None:
    started = time.perf_counter()
    as_value = read(f"observed_at,value\n2026-05-04T09:00:00Z,{value}\n", ONE_VALUE)
    assert one_refusal(as_value).startswith("bad-value")
    assert one_refusal(at(value)).startswith("bad-observed-at")
    assert one_refusal(at(value, "%d.%m.%Y %H:%M", "UTC")).startswith("bad-observed-at")
    assert time.perf_counter() - started < 2, "the square of the length would take minutes"


class TestTimes:
    @pytest.mark.parametrize(
        ("text", "time_format", "zone", "instant"),
        [
            ("2026-05-04T09:00:00-05:00", None, None, "2026-05-04T14:00:00+00:00"),
            ("2026-05-04 09:00:00.5z", None, None, "2026-05-04T09:00:00.500000+00:00"),
            ("2026-05-04T09:00:00+01:00[Europe/Lisbon]", None, None, "2026-05-04T08:00:00+00:00"),
            ("2026-05-04 09:00:00", None, "Europe/Lisbon", "2026-05-04T08:00:00+00:00"),
            ("2026-05-04T09:00:00Z", None, "Europe/Lisbon", "2026-05-04T09:00:00+00:00"),
            ("04.05.2026 09:00", "%d.%m.%Y %H:%M", "America/Chicago", "2026-05-04T14:00:00+00:00"),
            ("5/4/26 9:00 PM", "%m/%d/%y %I:%M %p", "America/Chicago", "2026-05-05T02:00:00+00:00"),
            ("2026-05-04T09:00:00+0100", "%Y-%m-%dT%H:%M:%S%z", None, "2026-05-04T08:00:00+00:00"),
            ("2026-124 09:00", "%Y-%j %H:%M", "UTC", "2026-05-04T09:00:00+00:00"),
            ("1777885200", "epoch_s", None, "2026-05-04T09:00:00+00:00"),
            ("1777885200.123456", "epoch_s", None, "2026-05-04T09:00:00.123456+00:00"),
            ("1777885200123", "epoch_ms", None, "2026-05-04T09:00:00.123000+00:00"),
        ],
    )
    def test_are_read(self, text: str, time_format: str | None, zone: str | None, instant: str) -> None:
        ((_, _, moment, _, _),) = readings(at(text, time_format, zone))
        assert moment.isoformat() == instant

    @pytest.mark.parametrize(
        ("text", "time_format", "remedy"),
        [
            ("2026-05-04T24:00:00Z", None, "00:00 of the next day"),
            ("04.05.2026 24:00", "%d.%m.%Y %H:%M", "00:00 of the next day"),
            ("2026-06-30T23:59:60Z", None, "leap second"),
            ("45432.5", None, "spreadsheet's serial date"),
            ("45432.5", "%d.%m.%Y %H:%M", "spreadsheet's serial date"),
            ("45432.5", "epoch_s", "spreadsheet's serial date"),
            ("04.05.26 09:00", None, "two-digit year"),
            ("04.05.26 09:00", "%d.%m.%Y %H:%M", "two-digit year"),
            ("04/05/2026 09:00", None, "day and month cannot be told apart"),
            ("2026-05-04 09:00", None, "set time_format"),
            ("2026-05-04T09:00:00+01", None, "set time_format"),
            ("2026-05-04T09:00:00+01:00", "%d.%m.%Y %H:%M", "leave time_format out"),
            ("2026-05-04T09:00:00Z[!Europe/Lisbon]", None, "set time_format"),
            ("1777885200", None, "set time_format to epoch_s"),
            ("1777885200000", None, "set time_format to epoch_ms"),
            ("1777885200000", "epoch_s", "it fits epoch_ms"),
            ("1777885200", "epoch_ms", "it fits epoch_s"),
            ("86400", "epoch_s", "spreadsheet"),
            ("5", "epoch_s", "check the clock"),
            ("9" * 20, "epoch_s", "check the clock"),
            ("-1", "epoch_ms", "check the clock"),
            ("1777885200,5", "epoch_s", "no plain count"),
            ("1e9", "epoch_s", "no plain count"),
            ("2026-02-30T09:00:00Z", None, "no such date"),
            ("0001-01-01T00:00:00+14:00", None, "outside the calendar"),
            ("9999-12-31T23:59:59-14:00", None, "outside the calendar"),
            ("31.02.2026 09:00", "%d.%m.%Y %H:%M", "does not follow"),
            ("soon", None, "give an RFC 3339 time"),
        ],
    )
    def test_that_cannot_be_read_say_what_to_do(
        self, text: str, time_format: str | None, remedy: str
    ) -> None:
        shown = one_refusal(at(text, time_format, "Europe/Lisbon"))
        assert shown.startswith("bad-observed-at: ")
        assert remedy in shown

    def test_are_the_instants_of_the_json_forms(self) -> None:
        text = "2026-05-04T09:00:00.123456999Z"
        assert readings(at(text))[0][2].microsecond == 123457, (
            "rounded as in a bag, or there are two natural keys"
        )

    def test_in_two_columns_are_joined(self) -> None:
        layout = ONE_VALUE | {
            "observed_at": {"columns": ["Date", "Time"]},
            "time_format": "%d.%m.%Y %H:%M",
            "time_zone": "Europe/Lisbon",
        }
        found = read("Date,Time,value\n04.05.2026,09:00,61.4\n", layout)
        assert readings(found)[0][2] == datetime(2026, 5, 4, 8, 0, tzinfo=UTC)


class TestTimesWithoutAnOffset:
    @pytest.mark.parametrize("time_format", [None, "%Y-%m-%dT%H:%M:%S"])
    def test_refuse_the_table_when_no_zone_is_known(self, time_format: str | None) -> None:
        text = "observed_at,value\n2026-05-04T09:00:00,61.4\n"
        layout = ONE_VALUE | {"time_format": time_format}
        told = faults(lambda: read(text, layout))
        assert set(told) == {"/time_zone"}
        assert "Europe/Lisbon" in told["/time_zone"]
        assert readings(read(text, layout, time_zone="Europe/Lisbon"))[0][2].hour == 8

    def test_take_the_layouts_zone_before_the_requests(self) -> None:
        text = "observed_at,value\n2026-05-04T09:00:00,61.4\n"
        found = read(text, ONE_VALUE | {"time_zone": "America/Chicago"}, time_zone="Europe/Lisbon")
        assert readings(found)[0][2].hour == 14

    def test_refuse_the_table_before_any_reading_of_it_was_taken(self) -> None:
        text = "\n".join([HEADER, ROW.replace("2026-05-04T09:00:00Z", "soon"), ROW.replace("00Z", "00"), ROW])
        pieces = rows_in_pieces([text.encode()], TableLayout(), now=NOW, time_zone=None, piece=1)
        first = next(pieces)
        assert (first.places, refusals(first)) == ([], [(0, 2, "observed_at", "bad-observed-at")])
        assert set(faults(lambda: next(pieces))) == {"/time_zone"}

    def test_are_refused_alone_in_a_table_that_has_offsets(self) -> None:
        found = read("\n".join([HEADER, ROW, ROW.replace("00Z", "00"), ROW]))
        assert found.places == [0, 2]
        assert refusals(found) == [(1, 3, "observed_at", "no-offset")]

    @pytest.mark.parametrize(
        "zone", ["Lisbon", "UTC+1", "../etc/passwd", "", "America", "europe/lisbon", "localtime"]
    )
    def test_need_a_zone_of_the_iana_database(self, zone: str) -> None:
        told = faults(lambda: read(f"{HEADER}\n{ROW}\n", time_zone=zone))
        assert "no IANA time zone" in told["/time_zone"]

    # IANA time zone database, europe (EU rules) and northamerica (US rules): clocks go forward on 2026-03-29 01:00
    # and back on 2026-10-25 02:00 in Lisbon, forward on 2026-03-08 02:00 and back on 2026-11-01 02:00 in Chicago.
    @pytest.mark.parametrize(
        ("zone", "local", "code"),
        [
            ("Europe/Lisbon", "2026-03-29 00:59:59", None),
            ("Europe/Lisbon", "2026-03-29 01:00:00", "no-such-local-time"),
            ("Europe/Lisbon", "2026-03-29 01:59:59", "no-such-local-time"),
            ("Europe/Lisbon", "2026-03-29 02:00:00", None),
            ("Europe/Lisbon", "2026-10-25 00:59:59", None),
            ("Europe/Lisbon", "2026-10-25 01:00:00", "ambiguous-local-time"),
            ("Europe/Lisbon", "2026-10-25 01:59:59", "ambiguous-local-time"),
            ("Europe/Lisbon", "2026-10-25 02:00:00", None),
            ("America/Chicago", "2026-03-08 02:30:00", "no-such-local-time"),
            ("America/Chicago", "2026-03-08 03:00:00", None),
            ("America/Chicago", "2026-11-01 01:30:00", "ambiguous-local-time"),
            ("America/Chicago", "2026-11-01 02:00:00", None),
        ],
    )
    def test_when_the_clocks_change(self, zone: str, local: str, code: str | None) -> None:
        found = at(local, None, zone)
        assert [why.code for _, why in found.refused] == ([] if code is None else [code])

    @pytest.mark.parametrize("zone", ["Europe/Lisbon", "America/Chicago", "Australia/Lord_Howe"])
    def test_agree_with_another_library_all_year(self, zone: str) -> None:
        """dateutil keeps its own reading of the zone files and of PEP 495."""
        other = tz.gettz(zone)
        assert other is not None
        local = datetime(2026, 1, 1)  # noqa: DTZ001 - local times are the subject
        seen = {"gap": 0, "fold": 0}
        while local.year == 2026:
            exists, twice = tz.datetime_exists(local, other), tz.datetime_ambiguous(local, other)
            try:
                moment = in_zone(local, ZoneInfo(zone), None)
                assert exists
                assert not twice
                assert moment == local.replace(tzinfo=other).astimezone(UTC)
            except Unusable as unusable:
                code = unusable.refusal.code
                assert (code == "no-such-local-time", code == "ambiguous-local-time") == (not exists, twice)
                seen["fold" if twice else "gap"] += 1
                if twice:
                    passes = [in_zone(local, ZoneInfo(zone), fold) for fold in (0, 1)]
                    assert passes == [
                        tz.enfold(local.replace(tzinfo=other), fold).astimezone(UTC) for fold in (0, 1)
                    ]
            local += timedelta(minutes=15)
        quarters = 2 if zone == "Australia/Lord_Howe" else 4
        assert seen == {"gap": quarters, "fold": quarters}

    @pytest.mark.parametrize(("fold", "hour"), [("0", 0), ("1", 1)])
    def test_are_told_apart_by_a_fold_column(self, fold: str, hour: int) -> None:
        layout = ONE_VALUE | {"time_zone": "Europe/Lisbon", "fold_column": "pass"}
        found = read(f"observed_at,value,pass\n2026-10-25 01:30:00,61.4,{fold}\n", layout)
        assert readings(found)[0][2] == datetime(2026, 10, 25, hour, 30, tzinfo=UTC)

    @pytest.mark.parametrize(
        ("local", "fold", "code"),
        [
            ("2026-10-25 01:30:00", "", "ambiguous-local-time"),
            ("2026-03-29 01:30:00", "1", "no-such-local-time"),
            ("2026-10-25 01:30:00", "summer", "bad-fold"),
        ],
    )
    def test_a_fold_column_does_not_help(self, local: str, fold: str, code: str) -> None:
        layout = ONE_VALUE | {"time_zone": "Europe/Lisbon", "fold_column": "pass"}
        assert one_refusal(read(f"observed_at,value,pass\n{local},61.4,{fold}\n", layout)).startswith(code)


WIDE: dict[str, Any] = {
    "observed_at": {"column": "Zeit"},
    "time_format": "%d.%m.%Y %H:%M",
    "time_zone": "Europe/Berlin",
    "delimiter": ";",
    "decimal_comma": True,
    "skip_lines": 2,
    "missing": ["", "---"],
    "quantity": {"constant": "temperature"},
    "unit": {"constant": "Cel"},
    "values": [
        {"column": "Kern", "probe": {"constant": "PR-1"}},
        {"column": "Rand", "probe": {"constant": "PR-2"}},
        {
            "column": "Akku",
            "probe": {"constant": "PR-1"},
            "quantity": {"constant": "battery"},
            "unit": {"constant": "V"},
        },
    ],
}


class TestAWideTable:
    def test_gives_a_reading_for_each_cell(self) -> None:
        text = (
            'Hof "Nord"; not CSV at all\nLogger 7\nNr;Zeit;Kern;Rand;Akku;\n'
            "1;04.05.2026 09:00;61,4;---;3,31;\n2;04.05.2026 10:00;61.4;58;;\n3;soon;1;---;2;\n"
        )
        found = read(text, WIDE)
        nine, ten = (datetime(2026, 5, 4, hour, tzinfo=UTC) for hour in (7, 8))
        assert readings(found) == [
            ("PR-1", "temperature", nine, 61.4, "Cel"),
            ("PR-1", "battery", nine, 3.31, "V"),
            ("PR-2", "temperature", ten, 58.0, "Cel"),
        ]
        assert refusals(found) == [
            (2, 5, "value", "bad-value"),
            (4, 6, "observed_at", "bad-observed-at"),
            (5, 6, "observed_at", "bad-observed-at"),
        ]
        assert "column 'Kern': '61.4' has a point" in found.refused[0][1].detail

    def test_may_name_the_probe_in_a_column_and_use_its_own_words(self) -> None:
        layout = {
            "probe": {"column": "id"},
            "observed_at": {"column": "t"},
            "values": [
                {
                    "column": "a",
                    "quantity": {"constant": "temperature"},
                    "unit": {"column": "u", "names": {"C": "Cel"}},
                },
                {"column": "b", "quantity": {"constant": "moisture"}, "unit": {"constant": "%"}},
            ],
        }
        found = read(
            "id,t,a,b,u\nPR-9,2026-05-04T09:00:00Z,61,55,C\nPR-9,2026-05-04T10:00:00Z,142,,[degF]\n", layout
        )
        assert [reading[0:2] + reading[3:] for reading in readings(found)] == [
            ("PR-9", "temperature", 61.0, "Cel"),
            ("PR-9", "moisture", 55.0, "%"),
            ("PR-9", "temperature", 142.0, "[degF]"),
        ]

    def test_without_a_header_columns_have_numbers(self) -> None:
        layout = {
            "header": False,
            "observed_at": {"column": 1},
            "quantity": {"constant": "temperature"},
            "unit": {"constant": "Cel"},
            "values": [{"column": 3, "probe": {"constant": "PR-1"}}],
        }
        found = read(
            "2026-05-04T09:00:00Z,x,61\n2026-05-04T10:00:00Z,y,62\n2026-05-04T11:00:00Z,63\n", layout
        )
        assert list(found.value) == [61.0, 62.0]
        assert refusals(found) == [(2, 3, "", "wrong-cell-count")]
        told = faults(lambda: read("2026-05-04T09:00:00Z,61\n", layout))
        assert told == {"/values/0/column": "there is no column 3; the first row has 2 cells"}


class TestHeaders:
    @pytest.mark.parametrize(
        ("header", "document", "pointer", "told"),
        [
            (
                "probe,time,quantity,value,unit",
                {},
                "/observed_at",
                "the column 'observed_at' is not in the header",
            ),
            ("probe,time,quantity,value,unit", {}, "/observed_at", "'probe', 'time', 'quantity'"),
            (HEADER + ",value", {}, "/value", "stands twice in the header"),
            (HEADER.replace(",", ";"), {}, "/probe", "parted by ';': set delimiter"),
            (HEADER.replace(",", "\t"), {}, "/unit", "parted by '\\t': set delimiter"),
            (HEADER, {"delimiter": ";"}, "/quantity", "parted by ',': set delimiter"),
            ("a\nb\nZeit;Kern;Rand\n", WIDE, "/values/2/column", "'Akku' is not in the header"),
            (HEADER, {"fold_column": "dst"}, "/fold_column", "'dst' is not in the header"),
        ],
    )
    def test_that_do_not_fit_tell_the_columns_there_are(
        self, header: str, document: dict[str, Any], pointer: str, told: str
    ) -> None:
        assert told in faults(lambda: read(header + "\n", document))[pointer]


class TestLayouts:
    @pytest.mark.parametrize(
        ("document", "expected"),
        [
            ([], {"": "must be an object"}),
            ({"colour": 1}, {"/colour": "not a known member"}),
            ({"a/b~c": 1}, {"/a~1b~0c": "not a known member"}),
            ({"delimiter": "|"}, {"/delimiter": "one of ',', ';', '\\t'"}),
            ({"delimiter": [","]}, {"/delimiter": "one of"}),
            ({"decimal_comma": "yes"}, {"/decimal_comma": "true or false"}),
            ({"skip_lines": -1}, {"/skip_lines": "whole number from 0"}),
            ({"skip_lines": True}, {"/skip_lines": "whole number from 0"}),
            ({"time_zone": "Lisbon"}, {"/time_zone": "no IANA time zone"}),
            ({"time_format": "%H:%M"}, {"/time_format": "names no year"}),
            ({"time_format": "%d.%m.%Y"}, {"/time_format": "names no hour"}),
            ({"time_format": "%d.%m.%Y %I:%M"}, {"/time_format": "without %p"}),
            ({"time_format": "%c"}, {"/time_format": "'%c' is not taken"}),
            ({"time_format": "%Y-%m-%d %H:%M %Z"}, {"/time_format": "'%Z' is not taken"}),
            ({"time_format": "%Y-%m-%d %H:%M %Y"}, {"/time_format": "cannot be used"}),
            ({"time_format": "%Y-%m-%d %H:%M%"}, {"/time_format": "is not taken"}),
            ({"time_format": "ISO"}, {"/time_format": "names no year"}),
            ({"missing": "NaN"}, {"/missing": "list of texts"}),
            (
                {"value": {"constant": "5"}},
                {"/value/column": "give the column's name", "/value/constant": "leave it out"},
            ),
            ({"probe": "PR-1"}, {"/probe": "must be an object"}),
            ({"probe": {"constant": "P R"}}, {"/probe/constant": "visible ASCII"}),
            ({"probe": {"column": "a", "constant": "PR-1"}}, {"/probe/constant": "leave it out"}),
            ({"probe": {"column": 3}}, {"/probe/column": "name as the header has it"}),
            ({"unit": {"constant": "C"}}, {"/unit/constant": "use a UCUM code"}),
            ({"unit": {"column": "u", "names": {"C": "C"}}}, {"/unit/names": "use a UCUM code"}),
            ({"unit": {"column": "u", "names": ["C"]}}, {"/unit/names": "an object of texts"}),
            (
                {"quantity": {"constant": "moisture"}, "unit": {"constant": "Cel"}},
                {"/unit": "moisture is not told in Cel; use %"},
            ),
            (
                {"header": False},
                {
                    f"/{member}": "is missing"
                    for member in ("probe", "observed_at", "quantity", "value", "unit")
                },
            ),
            ({"header": False, "observed_at": {"column": "t"}}, {"/observed_at": "number, 1 to 1000"}),
            ({"observed_at": {"columns": []}}, {"/observed_at/columns": "1 to 3"}),
            ({"values": []}, {"/values": "list of 1 to 1000"}),
            (
                {"values": [{"column": "a"}]},
                {f"/values/0/{member}": "is missing" for member in ("probe", "quantity", "unit")},
            ),
            (WIDE | {"value": {"column": "a"}}, {"/value": "one or the other"}),
            (
                WIDE | {"values": [*WIDE["values"], WIDE["values"][0]]},
                {"/values/3/column": "read twice", "/values/3": "would be disputed"},
            ),
        ],
    )
    def test_that_do_not_fit_are_named_by_pointer(self, document: Any, expected: dict[str, str]) -> None:
        told = faults(lambda: layout_of(document))
        for pointer, detail in expected.items():
            assert detail in told[pointer]
        if "header" not in document:
            assert set(told) == set(expected)

    def test_all_faults_are_told_at_once(self) -> None:
        assert set(
            faults(lambda: layout_of({"delimiter": "|", "missing": 1, "probe": {"constant": ""}}))
        ) == {
            "/delimiter",
            "/missing",
            "/probe/constant",
        }

    def test_null_is_absent(self) -> None:
        assert layout_of({"time_zone": None, "values": None, "missing": None}) == TableLayout()

    def test_need_a_sample_that_passes(self) -> None:
        layout = layout_of({})
        assert check_table_sample(layout, f"{HEADER}\n{ROW}\n", now=NOW).places == [0]
        bad = ROW.replace("61.4", "warm")
        told = faults(lambda: check_table_sample(layout, f"{HEADER}\n{ROW}\n{bad}\n", now=NOW))
        assert told["/sample"].startswith(
            "reading 1 in line 3, value: column 'value': 'warm' is not a number"
        )
        assert (
            "no reading comes out" in faults(lambda: check_table_sample(layout, HEADER, now=NOW))["/sample"]
        )
        assert (
            "line 2: not CSV"
            in faults(lambda: check_table_sample(layout, f'{HEADER}\n"', now=NOW))["/sample"]
        )


class TestWrittenByAnotherLibrary:
    @pytest.mark.parametrize("style", ["necessary", "always", "non_numeric"])
    @pytest.mark.parametrize("end", ["\n", "\r\n"])
    @pytest.mark.parametrize("separator", [",", ";", "\t"])
    @pytest.mark.parametrize("decimal_comma", [False, True])
    def test_polars(self, style: Any, end: str, separator: str, decimal_comma: Any) -> None:
        count = 50
        times = [
            datetime(2026, 5, 4, 9, 0, 0, 250_000, tzinfo=UTC) + timedelta(minutes=7 * n)
            for n in range(count)
        ]
        values = [round(40 + 30 * n / 7, 3) for n in range(count)]
        frame = pl.DataFrame(
            {
                "note": ['a "quoted", note\nover two lines'] * count,
                "probe": [f"PR-{n % 3}" for n in range(count)],
                "observed_at": times,
                "quantity": ["temperature"] * count,
                "value": values,
                "unit": ["Cel"] * count,
            }
        )
        text = frame.write_csv(
            quote_style=style,
            line_terminator=end,
            separator=separator,
            decimal_comma=decimal_comma,
            include_bom=True,
            datetime_format="%Y-%m-%dT%H:%M:%S%.6f%:z",
        )
        found = read(text, {"delimiter": separator, "decimal_comma": decimal_comma})
        assert found.refused == []
        assert [reading[2:4] for reading in readings(found)] == list(zip(times, values, strict=True))
        assert list(found.serials) == frame["probe"].to_list()


CELL = st.sampled_from(
    [
        "61.4",
        "",
        "warm",
        "12,5",
        '"a\r\nb"',
        '"x""y"',
        "2026-05-04T09:00:00Z",
        "2026-05-04T09:00:00",
        "PR-1",
        "\u00b0",
    ]
)
GOOD = st.sampled_from([ROW, ROW, ROW.replace("Cel", "C"), ROW.replace("61.4", '"\n"')])
LINE = st.one_of(
    GOOD, st.lists(CELL, min_size=1, max_size=6).map(",".join), st.sampled_from(["", '"open', ",,,,"])
)


def outcome(call: Callable[[], Any]) -> tuple[Any, str]:
    """Return what came and how it ended."""
    got: list[Sorted] = []
    try:
        got.extend(one for one in call())
    except (Invalid, Unreadable) as error:
        return got, f"{type(error).__name__}: {error}"
    return got, "done"


class TestPieces:
    @settings(max_examples=200)
    @given(
        lines=st.lists(LINE, max_size=12),
        end=st.sampled_from(["\n", "\r\n", "\r"]),
        size=st.integers(1, 60),
        piece=st.integers(1, 5),
        zone=st.sampled_from([None, "Europe/Lisbon"]),
    )
    def test_of_any_chunks_are_the_whole(
        self, lines: list[str], end: str, size: int, piece: int, zone: str | None
    ) -> None:
        body = end.join([HEADER, *lines]).encode()
        chunks = [body[at : at + size] for at in range(0, len(body), size)]
        layout = TableLayout()
        whole, ended = outcome(lambda: [read_table(body, layout, now=NOW, most=1000, time_zone=zone)])
        pieces, pieces_ended = outcome(
            lambda: rows_in_pieces(chunks, layout, now=NOW, time_zone=zone, piece=piece)
        )
        assert pieces_ended == ended
        assert all(one.received == piece for one in pieces[:-1])
        if ended != "done":
            assert whole == []
            assert "/time_zone" not in ended or not any(one.places for one in pieces)
            return
        for column in ("serials", "quantity", "observed_s", "value", "unit", "places", "refused"):
            joined = [item for one in pieces for item in getattr(one, column)]
            assert joined == list(getattr(whole[0], column)), column
        assert sum(one.received for one in pieces) == whole[0].received
        places = sorted([*whole[0].places, *(place for place, _ in whole[0].refused)])
        assert places == list(range(whole[0].received))

    def test_are_given_before_the_rest_has_come(self) -> None:
        pulled = 0

        def endless() -> Any:
            nonlocal pulled
            yield f"{HEADER}\n".encode()
            while True:
                pulled += 1
                yield f"{ROW}\n".encode()

        pieces = rows_in_pieces(endless(), TableLayout(), now=NOW, time_zone=None, piece=10)
        assert [one.places for one in (next(pieces), next(pieces))] == [list(range(10)), list(range(10, 20))]
        assert pulled <= 21

    def test_a_wide_row_may_be_cut_between_its_readings(self) -> None:
        text = "\n\nZeit;Kern;Rand;Akku\n04.05.2026 09:00;61,4;60;3\n04.05.2026 10:00;x;60;3\n"
        pieces = list(rows_in_pieces([text.encode()], layout_of(WIDE), now=NOW, time_zone=None, piece=2))
        assert [(one.places, refusals(one)) for one in pieces] == [
            ([0, 1], []),
            ([2], [(3, 5, "value", "bad-value")]),
            ([4, 5], []),
        ]
