"""Uplinks of two invented network servers, read through stored profiles."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import jmespath
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Invalid, TooLarge
from service.domain.quantities import Quantity, Unit
from service.http.formats.expressions import MOST_GROWTH, BadExpression, NoResult, compile_expression
from service.http.formats.read import Sorted, Unreadable
from service.http.formats.uplink import check_sample, profile_of, read_uplink

NOW = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)

# One server decodes into one flat object, one member a quantity.
FLAT_PROFILE: dict[str, Any] = {
    "device": "unit_name",
    "counter": "seq",
    "received_at": {"expression": "heard"},
    "records": (
        "[{q: 'temperature', v: body.core_f, u: '[degF]'}, {q: 'moisture', v: body.wet, u: '%'},"
        " {q: 'battery', v: body.mv && to_number(body.mv), u: 'V'}]"
    ),
    "quantity": {"expression": "q"},
    "value": "v",
    "unit": {"expression": "u"},
}
FLAT: dict[str, Any] = {
    "unit_name": "PR-0042",
    "seq": 17,
    "heard": "2026-05-04T09:00:00.25-05:00",
    "heard_by": [{"mast": "north", "at": "2026-05-04T09:00:00.1-05:00"}, {"mast": "south"}],
    "body": {"core_f": 142.5, "wet": 55, "mv": "3.31"},
}

# The other hands on what the device kept: arrays of samples by age, device and time elsewhere, its own epoch.
NESTED_PROFILE: dict[str, Any] = {
    "device": "join('-', ['PR', origin.tag])",
    "counter": "to_string(origin.frame)",
    "received_at": {"expression": "origin.clock", "form": "epoch_s", "epoch": "2000-01-01T00:00:00Z"},
    "records": (
        "[traces[?kind=='T'].points[].{k: 'T', y: y, ago: ago}, traces[?kind=='O'].points[].{k: 'O', y: y, ago: ago}][]"
    ),
    "quantity": {"expression": "k", "names": {"T": "temperature", "O": "oxygen"}},
    "value": "y",
    "unit": {"expression": "k", "names": {"T": "Cel", "O": "%"}},
    "observed_at": {"seconds_ago": "ago"},
}
EPOCH_2000 = datetime(2000, 1, 1, tzinfo=UTC)
HEARD = datetime(2026, 5, 4, 14, 0, tzinfo=UTC)
NESTED: dict[str, Any] = {
    "origin": {"tag": "7", "frame": 3, "clock": (HEARD - EPOCH_2000).total_seconds()},
    "traces": [
        {"kind": "T", "points": [{"ago": 0, "y": 61.4}, {"ago": 900, "y": 60.9}]},
        {"kind": "O", "points": [{"ago": 900, "y": 8}]},
        {"kind": "noise", "points": [{"ago": 0, "y": 1}]},
    ],
}


def read(uplink: object, document: dict[str, Any], most: int = 1000) -> Sorted:
    body = uplink if isinstance(uplink, bytes) else json.dumps(uplink).encode()
    return read_uplink(body, profile_of(document), now=NOW, most=most)


def readings(found: Sorted) -> list[tuple[str, str, datetime, float, str]]:
    return [
        (serial, Quantity(quantity).label, datetime.fromtimestamp(seconds, UTC), value, Unit(unit).ucum)
        for serial, quantity, seconds, value, unit in zip(
            found.serials, found.quantity, found.observed_s, found.value, found.unit, strict=True
        )
    ]


def one_refusal(found: Sorted) -> str:
    assert found.places == []
    ((_, why),) = found.refused
    return f"{why.member} {why.code}: {why.detail}"


def faults(call: Callable[[], object]) -> dict[str, str]:
    with pytest.raises(Invalid) as refused:
        call()
    return {error.pointer: error.detail for error in refused.value.errors}


class TestAFlatUplink:
    def test_gives_a_reading_for_each_quantity_at_the_servers_time(self) -> None:
        heard = datetime(2026, 5, 4, 14, 0, 0, 250_000, tzinfo=UTC)
        found = read(FLAT, FLAT_PROFILE)
        assert readings(found) == [
            ("PR-0042", "temperature", heard, 142.5, "[degF]"),
            ("PR-0042", "moisture", heard, 55.0, "%"),
            ("PR-0042", "battery", heard, 3.31, "V"),
        ]
        assert (found.received, found.refused, found.gateway, found.sent_at) == (3, [], None, None)

    def test_leaves_out_what_was_not_measured(self) -> None:
        found = read(FLAT | {"body": {"wet": 0}}, FLAT_PROFILE)
        assert [reading[1] for reading in readings(found)] == ["moisture"]
        assert found.received == 1

    def test_heard_by_another_mast_is_the_same_reading(self) -> None:
        again = FLAT | {"heard_by": [{"mast": "west"}], "seq": 99}
        assert readings(read(again, FLAT_PROFILE)) == readings(read(FLAT, FLAT_PROFILE))

    def test_may_come_in_a_list(self) -> None:
        found = read([FLAT, FLAT | {"heard": "noon"}, FLAT], FLAT_PROFILE)
        assert found.places == [0, 1, 2, 6, 7, 8]
        assert [place for place, _ in found.refused] == [3, 4, 5]
        assert found.refused[0][1].detail.endswith("(device 'PR-0042', frame 17)")

    def test_without_records_holds_nothing(self) -> None:
        found = read({"unit_name": "PR-1", "event": "join"}, FLAT_PROFILE | {"records": "body.records"})
        assert (found.received, found.places, found.refused) == (0, [], [])


class TestANestedUplink:
    def test_gives_a_reading_for_each_stored_sample(self) -> None:
        earlier = HEARD - timedelta(minutes=15)
        assert readings(read(NESTED, NESTED_PROFILE)) == [
            ("PR-7", "temperature", HEARD, 61.4, "Cel"),
            ("PR-7", "temperature", earlier, 60.9, "Cel"),
            ("PR-7", "oxygen", earlier, 8.0, "%"),
        ]

    @pytest.mark.parametrize("ago", [-1, None, "900", True, 40_000_000, 1e400])
    def test_ages_are_seconds_up_to_a_year(self, ago: object) -> None:
        uplink = NESTED | {"traces": [{"kind": "T", "points": [{"ago": ago, "y": 1}]}]}
        body = json.dumps(uplink).replace("Infinity", "1e400").encode()
        if ago == 1e400:
            with pytest.raises(Unreadable, match="not JSON"):
                read(body, NESTED_PROFILE)
            return
        assert one_refusal(read(body, NESTED_PROFILE)).startswith("observed_at bad-observed-at")

    @pytest.mark.parametrize(
        ("clock", "stamp", "instant"),
        [
            ({"expression": "at"}, "2026-05-04T09:00:00-05:00", "2026-05-04T14:00:00+00:00"),
            ({"expression": "at", "form": "epoch_s"}, 1777885200, "2026-05-04T09:00:00+00:00"),
            ({"expression": "at", "form": "epoch_s"}, 1777885200.5, "2026-05-04T09:00:00.500000+00:00"),
            ({"expression": "at", "form": "epoch_ms"}, 1777885200123, "2026-05-04T09:00:00.123000+00:00"),
            (
                # IS-GPS-200: weeks are counted from 1980-01-06 and start over every 1,024; from memory, they did so
                # for the second time in the night to 2019-04-07.
                {"expression": "at", "form": "epoch_s", "epoch": "1980-01-06T00:00:00Z"},
                2 * 1024 * 7 * 86_400,
                "2019-04-07T00:00:00+00:00",
            ),
            ({"expression": "to_number(at)", "form": "epoch_s"}, "1777885200", "2026-05-04T09:00:00+00:00"),
        ],
    )
    def test_samples_may_carry_their_own_time(
        self, clock: dict[str, str], stamp: object, instant: str
    ) -> None:
        found = read(
            {"d": "PR-1", "s": [{"at": stamp, "v": 1}]}, PLAIN | {"observed_at": clock, "records": "s"}
        )
        assert readings(found)[0][2].isoformat() == instant


PLAIN: dict[str, Any] = {
    "device": "d",
    "records": "[@]",
    "value": "v",
    "quantity": {"constant": "temperature"},
    "unit": {"constant": "Cel"},
    "observed_at": {"expression": "at"},
}
GOOD = {"d": "PR-1", "v": 61.4, "at": "2026-05-04T09:00:00Z"}


class TestRecords:
    def test_a_plain_one_is_read(self) -> None:
        assert [reading[3] for reading in readings(read(GOOD, PLAIN))] == [61.4]

    @pytest.mark.parametrize(
        ("uplink", "profile", "told"),
        [
            (GOOD | {"d": None}, {}, "probe bad-probe: give the probe's serial"),
            (GOOD | {"d": 42}, {}, "probe bad-probe: give the probe's serial"),
            (GOOD | {"v": "61.4"}, {}, "value bad-value: 'v' must find a JSON number; to_number()"),
            (GOOD | {"v": True}, {}, "value bad-value"),
            (GOOD | {"v": 1e300}, {}, "value not-a-number"),
            (GOOD | {"v": 10**400}, {}, "value not-a-number"),
            (GOOD | {"at": "2026-05-04T09:00:00"}, {}, "observed_at no-offset"),
            (GOOD | {"at": 1777885200}, {}, "observed_at bad-observed-at: give an RFC 3339 time"),
            (GOOD | {"at": None}, {}, "observed_at no-observed-at: 'at' finds no time"),
            (GOOD | {"at": "2026-11-20T13:00:00Z"}, {}, "observed_at in-the-future"),
            (
                GOOD | {"at": 1777885200000},
                {"observed_at": {"expression": "at", "form": "epoch_s"}},
                "observed_at bad-observed-at: 1777885200000 counted as epoch_s is no time from 2000 to 2199; it fits",
            ),
            (
                GOOD | {"at": "1777885200"},
                {"observed_at": {"expression": "at", "form": "epoch_s"}},
                "observed_at bad-observed-at: 'at' must find a JSON number",
            ),
            (GOOD, {"quantity": {"expression": "q"}}, "quantity bad-quantity: use one of temperature"),
            (GOOD | {"q": 1}, {"quantity": {"expression": "q"}}, "quantity bad-quantity"),
            (GOOD | {"u": ["C"]}, {"unit": {"expression": "u", "names": {"C": "Cel"}}}, "unit bad-unit"),
            (GOOD, {"quantity": {"expression": "'moisture'"}}, "unit unit-does-not-fit"),
            (GOOD, {"records": "@"}, "records bad-records: '@' finds"),
            (GOOD, {"records": "[v]"}, " not-a-reading: 61.4 is no record"),
            (
                GOOD,
                {"records": "length(v)"},
                "records bad-records: 'length(v)' cannot be evaluated: In function",
            ),
            (GOOD, {"value": "contains(d, v)"}, "value bad-value: 'contains(d, v)' cannot be evaluated"),
            (GOOD, {"probe": {"expression": "p"}}, "probe bad-probe"),
            (
                GOOD,
                {"observed_at": None, "received_at": {"expression": "rx"}},
                "observed_at no-observed-at: received_at",
            ),
            ([5], {}, " not-an-uplink: 5"),
            ([GOOD | {"pad": "x" * 70_000}], {}, " too-large: holds 70,"),
        ],
    )
    def test_that_are_no_readings_say_why(self, uplink: object, profile: dict[str, Any], told: str) -> None:
        assert one_refusal(read(uplink, PLAIN | profile)).startswith(told)

    def test_may_name_their_own_probe(self) -> None:
        found = read(GOOD | {"p": "PR-9", "d": None}, PLAIN | {"probe": {"expression": "p"}})
        assert found.serials == ["PR-9"]

    def test_are_not_more_than_may_come(self) -> None:
        with pytest.raises(TooLarge):
            read([GOOD] * 3, PLAIN, most=2)
        with pytest.raises(TooLarge):
            read({"s": [{}] * 3}, PLAIN | {"records": "s"}, most=2)

    @pytest.mark.parametrize(
        "body", [b"", b"{", b"nope", b"[{}", b"[" * 100_000, b'{"a":' * 10_000, b"[{]", b"\xff"]
    )
    def test_a_body_that_is_no_json_is_unreadable(self, body: bytes) -> None:
        with pytest.raises(Unreadable):
            read(body, PLAIN)

    def test_an_uplink_nested_deep_does_no_harm(self) -> None:
        deep = b'{"d":' + b"[" * 700 + b"]" * 700 + b',"v":1,"at":"2026-05-04T09:00:00Z"}'
        with pytest.raises(Unreadable, match="nested too deeply"):
            read(b'{"d":' + b"[" * 30_000 + b"]" * 30_000 + b"}", PLAIN)
        told = one_refusal(read(deep, PLAIN | {"device": "to_string(d)"}))
        assert told.startswith("probe bad-probe")


class TestProfiles:
    @pytest.mark.parametrize(
        ("change", "pointer", "told"),
        [
            ({"device": None}, "/device", "is missing"),
            ({"records": None}, "/records", "is missing"),
            ({"value": ""}, "/value", "1 to 1,000 characters"),
            ({"value": "v" * 1001}, "/value", "1 to 1,000 characters"),
            ({"value": "a.[b"}, "/value", "stops at character 4 (from 0), at its end"),
            ({"value": "a b"}, "/value", "stops at character 2 (from 0), at 'b'"),
            ({"value": "a[?x=='1'"}, "/value", "is not JMESPath"),
            ({"value": "a.#"}, "/value", "stops at character 2"),
            ({"value": "nope(@)"}, "/value", "calls 'nope', which is no function; there are abs, avg"),
            ({"value": "!" * 900 + "a"}, "/value", "nested more than 40 deep"),
            ({"value": "(" * 450 + "a" + ")" * 450}, "/value", "nested more than 40 deep"),
            ({"records": "|".join(["[@,@][]"] * 20)}, "/records", "name fewer parts"),
            ({"value": "to_string([" * 10 + "a" + "])" * 10}, "/value", "name fewer parts"),
            ({"records": "join(a, b)"}, "/records", "separator out of the data"),
            ({"quantity": None}, "/quantity", "is missing"),
            ({"quantity": {"constant": "heat"}}, "/quantity/constant", "use one of temperature"),
            (
                {"quantity": {"expression": "q", "names": {"t": "heat"}}},
                "/quantity/names",
                "use one of temperature",
            ),
            ({"quantity": {}}, "/quantity/expression", "is missing"),
            ({"quantity": "q"}, "/quantity", "must be an object"),
            ({"unit": {"constant": "%"}}, "/unit", "temperature is not told in %; use Cel"),
            ({"probe": {"expression": "]"}}, "/probe/expression", "stops at character 0"),
            ({"observed_at": None}, "/received_at", "is needed unless"),
            ({"observed_at": {"seconds_ago": "a"}}, "/received_at", "is needed unless"),
            ({"observed_at": {"expression": "a", "form": "unix"}}, "/observed_at/form", "one of 'rfc3339'"),
            (
                {"observed_at": {"expression": "a", "epoch": "2000-01-01T00:00:00Z"}},
                "/observed_at/epoch",
                "leave it out",
            ),
            (
                {"observed_at": {"expression": "a", "form": "epoch_s", "epoch": "2000-01-01T00:00:00"}},
                "/observed_at/epoch",
                "has no offset",
            ),
            (
                {"observed_at": {"expression": "a", "form": "epoch_s", "epoch": "2000"}},
                "/observed_at/epoch",
                "RFC 3339",
            ),
            ({"received_at": {"seconds_ago": "a"}}, "/received_at/expression", "is missing"),
            ({"port": 5}, "/port", "not a known member"),
        ],
    )
    def test_that_do_not_fit_are_named_by_pointer(
        self, change: dict[str, Any], pointer: str, told: str
    ) -> None:
        assert told in faults(lambda: profile_of(PLAIN | change))[pointer]

    def test_all_faults_are_told_at_once(self) -> None:
        assert set(faults(lambda: profile_of({"device": "[", "unit": {"constant": "C"}}))) == {
            "/device",
            "/records",
            "/value",
            "/quantity",
            "/unit/constant",
            "/received_at",
        }

    @pytest.mark.parametrize("document", [FLAT_PROFILE, NESTED_PROFILE, PLAIN])
    def test_the_same_document_is_the_same_profile(self, document: dict[str, Any]) -> None:
        assert profile_of(document) == profile_of(json.loads(json.dumps(document)))


class TestSamples:
    @pytest.mark.parametrize(
        ("profile", "sample", "count"),
        [(FLAT_PROFILE, FLAT, 3), (NESTED_PROFILE, NESTED, 3), (PLAIN, [GOOD, GOOD], 2)],
    )
    def test_that_pass_show_what_was_read(self, profile: dict[str, Any], sample: object, count: int) -> None:
        assert len(check_sample(profile_of(profile), json.dumps(sample), now=NOW).places) == count

    @pytest.mark.parametrize(
        ("sample", "told"),
        [
            ("{", "not JSON"),
            ("{}", "no reading comes out of it"),
            (json.dumps(GOOD | {"d": None}), "reading 0, probe: give the probe's serial"),
            (json.dumps([GOOD] * 1001), "at most 1000 readings"),
        ],
    )
    def test_that_do_not_pass_refuse_the_profile(self, sample: str, told: str) -> None:
        assert told in faults(lambda: check_sample(profile_of(PLAIN), sample, now=NOW))["/sample"]

    def test_every_refusal_is_listed_up_to_twenty(self) -> None:
        sample = json.dumps([GOOD | {"v": str(n)} for n in range(25)])
        with pytest.raises(Invalid) as refused:
            check_sample(profile_of(PLAIN), sample, now=NOW)
        listed = [error.detail for error in refused.value.errors]
        assert [text.split(",")[0] for text in listed[:20]] == [f"reading {n}" for n in range(20)]
        assert listed[20:] == ["and 5 more like these"]


def size(value: object) -> int:
    """Elements, members and characters of a value, counted as often as they stand in it."""
    if isinstance(value, dict):
        return 1 + sum(size(one) for one in value.values())
    if isinstance(value, list):
        return 1 + sum(size(one) for one in value)
    return max(1, len(value)) if isinstance(value, str) else 1


# Pieces that make larger what they are given, to be put one after the other and into one another.
GROWING = st.recursive(
    st.sampled_from(["@", "a", "[*]", "*", "[]", "'x'"]),
    lambda inner: st.one_of(
        st.tuples(inner, inner).map(lambda two: f"[{two[0]}, {two[1]}]"),
        st.tuples(inner, inner).map(lambda two: f"{{a: {two[0]}, b: {two[1]}}}"),
        st.tuples(inner, inner).map(lambda two: f"{two[0]} | {two[1]}"),
        inner.map(lambda one: f"[*].[{one}, @][]"),
        inner.map(lambda one: f"to_string([{one}])"),
        inner.map(lambda one: f"map(&[{one}, {one}], to_array(@))"),
        inner.map(lambda one: f"join('--', [to_string({one}), to_string({one})])"),
    ),
    max_leaves=8,
)


class TestExpressions:
    @given(
        text=GROWING,
        document=st.recursive(st.sampled_from(["", 'q"\\', 5]), lambda one: st.lists(one, max_size=3)),
    )
    def test_do_not_outgrow_the_bound(self, text: str, document: object) -> None:
        try:
            expression = compile_expression(text)
        except BadExpression:
            return
        assert size(expression.of(document)) <= MOST_GROWTH * 10 * (1 + size(document))

    def test_are_those_of_the_library(self) -> None:
        text = NESTED_PROFILE["records"]
        assert compile_expression(text).of(NESTED) == jmespath.search(text, NESTED)

    @given(text=st.text(st.sampled_from("ab.[]*?{}:,|&@'\"()!=<>0 -1#\\"), max_size=25))
    def test_any_text_is_taken_or_refused(self, text: str) -> None:
        try:
            found = compile_expression(text)
        except BadExpression:
            return
        try:
            found.of({"a": [{"b": 1}, [0, ""]], "b": None})
        except NoResult as error:
            told = str(error)
            assert "cannot be evaluated" in told
