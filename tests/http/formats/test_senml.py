"""SenML packs: the examples of RFC 8428 section 5 and 6, its rules one by one, and the laws of resolving."""

import json
import math
import struct
import time
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.errors import Invalid, TooLarge
from service.domain.quantities import Quantity, Unit
from service.domain.readings import Refusal
from service.http.formats.read import Unreadable
from service.http.formats.senml import read_senml
from service.http.formats.senml_codings import pack_from_cbor, pack_from_json
from service.http.formats.senml_resolve import Resolved, resolve

NOW = datetime(2026, 7, 1, 12, tzinfo=UTC)
THEN_S = 1_780_000_000
LABELS = {
    "bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6,
    "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8,
}  # fmt: skip


def read(pack, *, coding="json", live=False, now=NOW, most=1000, aliases=None):
    if not isinstance(pack, bytes):
        pack = as_cbor(pack) if coding == "cbor" else json.dumps(pack).encode()
    return read_senml(pack, coding=coding, now=now, most=most, live=live, aliases=aliases)


def as_cbor(pack):
    return cbor2.dumps([{LABELS.get(k, k): v for k, v in record.items()} for record in pack])


def columns(found):
    return list(
        zip(
            found.places,
            found.serials,
            [Quantity(code) for code in found.quantity],
            found.observed_s,
            found.value,
            [Unit(code) for code in found.unit],
            strict=True,
        )
    )


def same(one, other):
    """Everything of two ``Sorted``, comparably."""
    return [
        (columns(s), s.refused, s.received, s.gateway, s.sent_at, s.promised_silence_s) for s in (one, other)
    ]


def only_refusal(found):
    (refused,) = found.refused
    return refused


def a_reading(**changed):
    return {"n": "PR-1/temperature", "u": "Cel", "t": THEN_S, "v": 61.5} | changed


OW = "urn:dev:ow:10e2073a01080063"

# RFC 8428 section 5.1.2, third example; the same in CBOR in section 6 and resolved in the working group's repository.
VOLTAGE_AND_CURRENT = b"""[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5}, {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7}]"""
VOLTAGE_AND_CURRENT_CBOR = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a313065323037336130313038303036"
    "3a22fb41d303a15b00106223614120050067766f6c74616765016156"
    "02fb405e066666666666a30067"
    "63757272656e74062402fb3ff3333333333333a3006763757272656e74062302fb3ff4cccccccccccd"
    "a3006763757272656e74062202fb3ff6666666666666a3006763757272656e74062102f93e00"
    "a3006763757272656e74062002fb3ff999999999999aa3006763757272656e74060002fb3ffb333333333333"
)
VOLTAGE_AND_CURRENT_RESOLVED = [
    ("urn:dev:ow:10e2073a0108006:voltage", "V", "1276020076.001", "120.1"),
    *(
        ("urn:dev:ow:10e2073a0108006:current", "A", f"12760200{second}.001", value)
        for second, value in zip(range(71, 77), ("1.2", "1.3", "1.4", "1.5", "1.6", "1.7"), strict=True)
    ),
]

# RFC 8428 section 5.1.3, resolved in section 5.1.4.
HUMIDITY_ON_THE_WAY = b"""[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
  {"u":"lon","v":24.30621}, {"u":"lat","v":60.07965},
  {"t":60,"v":20.3}, {"u":"lon","t":60,"v":24.30622}, {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7}, {"u":"lon","t":120,"v":24.30623}, {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2}, {"u":"lon","t":180,"v":24.30628}, {"u":"lat","t":180,"v":60.07967}]"""
HUMIDITY_ON_THE_WAY_RESOLVED = [
    (OW, unit, time, value)
    for unit, time, value in (
        ("%RH", "1320067464", "20"),
        ("lon", "1320067464", "24.30621"),
        ("lat", "1320067464", "60.07965"),
        ("%RH", "1320067524", "20.3"),
        ("lon", "1320067524", "24.30622"),
        ("lat", "1320067524", "60.07965"),
        ("%RH", "1320067584", "20.7"),
        ("lon", "1320067584", "24.30623"),
        ("lat", "1320067584", "60.07966"),
        ("%EL", "1320067614", "98"),
        ("%RH", "1320067644", "21.2"),
        ("lon", "1320067644", "24.30628"),
        ("lat", "1320067644", "60.07967"),
    )
]

SECTION_5 = [
    pytest.param(b'[{"n":"%s","u":"Cel","v":23.1}]' % OW.encode(), [(OW, "Cel", "0", "23.1")], id="5.1.1"),
    pytest.param(
        b'[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]',
        [(f"{OW}:voltage", "V", "0", "120.1"), (f"{OW}:current", "A", "0", "1.2")],
        id="5.1.2-now",
    ),
    pytest.param(VOLTAGE_AND_CURRENT, VOLTAGE_AND_CURRENT_RESOLVED, id="5.1.2-seconds-before"),
    pytest.param(
        b'[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":21.2},{"t":10,"v":21.3},'
        b'{"t":20,"v":21.4},{"t":80,"v":21.7}]',
        [(OW, "%RH", f"13200674{64 + t}", v) for t, v in ((0, "21.2"), (10, "21.3"), (20, "21.4"))]
        + [(OW, "%RH", "1320067544", "21.7")],
        id="5.1.2-stream-closed",
    ),
    pytest.param(HUMIDITY_ON_THE_WAY, HUMIDITY_ON_THE_WAY_RESOLVED, id="5.1.3"),
    pytest.param(
        b'[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},'
        b'{"n":"humidity","u":"%RH","v":30},{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},'
        b'{"n":"humidity","u":"%RH","v":67}]',
        [
            ("2001:db8::2/temperature", "Cel", "1320078429", "25.2"),
            ("2001:db8::2/humidity", "%RH", "1320078429", "30"),
            ("2001:db8::1/temperature", "Cel", "1320078429", "12.3"),
            ("2001:db8::1/humidity", "%RH", "1320078429", "67"),
        ],
        id="5.1.6",
    ),
    pytest.param(
        b'[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1},{"n":"heat","u":"/","v":1},'
        b'{"n":"fan","u":"/","v":0}]',
        [
            None,
            (f"{OW}:temp", "Cel", "0", "23.1"),
            (f"{OW}:heat", "/", "0", "1"),
            (f"{OW}:fan", "/", "0", "0"),
        ],
        id="5.1.7-set-point",
    ),
    pytest.param(
        b'[{"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},{"n":"2001:db8::4","v":0.5},'
        b'{"n":"2001:db8::3","t":0.1,"v":0},{"n":"2001:db8::4","t":0.1,"v":0}]',
        [
            ("2001:db8::3", "/", "1320078429", "0.5"),
            ("2001:db8::4", "/", "1320078429", "0.5"),
            ("2001:db8::3", "/", "1320078429.1", "0"),
            ("2001:db8::4", "/", "1320078429.1", "0"),
        ],
        id="5.1.7-lights",
    ),
]


def told(found):
    return found and (found.name, found.unit, found.time_s, found.value)


def wanted(rows):
    return [row and (row[0], row[1], Decimal(row[2]), Decimal(row[3])) for row in rows]


class TestTheExamplesOfRfc8428:
    @pytest.mark.parametrize(("body", "resolved"), SECTION_5)
    def test_are_resolved_as_printed(self, body, resolved):
        assert [told(found) for found in resolve(pack_from_json(body))] == wanted(resolved)

    def test_values_of_other_types_are_refused_one_by_one(self):  # section 5.1.5
        body = (
            b'[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},'
            b'{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]'
        )
        first, *rest = resolve(pack_from_json(body))
        assert told(first) == (f"{OW}:temp", "Cel", 0, Decimal("23.1"))
        assert [(r.member, r.code) for r in rest] == [
            ("vs", "text-value"), ("vb", "boolean-value"), ("vd", "data-value"),
        ]  # fmt: skip

    def test_the_cbor_of_section_6_is_the_json_of_section_5(self):
        assert len(VOLTAGE_AND_CURRENT_CBOR) == 0xC3
        from_cbor = resolve(pack_from_cbor(VOLTAGE_AND_CURRENT_CBOR))
        assert [told(found) for found in from_cbor] == wanted(VOLTAGE_AND_CURRENT_RESOLVED)
        assert from_cbor == resolve(pack_from_json(VOLTAGE_AND_CURRENT))

    def test_section_5_1_3_in_cbor_is_resolved_as_printed(self):
        body = as_cbor(json.loads(HUMIDITY_ON_THE_WAY))
        assert [told(found) for found in resolve(pack_from_cbor(body))] == wanted(
            HUMIDITY_ON_THE_WAY_RESOLVED
        )

    def test_the_first_is_a_temperature_of_its_device_taken_live(self):  # section 5.1.1
        found = read([{"n": OW, "u": "Cel", "v": 23.1}], live=True)
        assert columns(found) == [(0, OW, Quantity.TEMPERATURE, NOW.timestamp(), 23.1, Unit.CEL)]

    def test_aliases_tell_device_and_part_apart(self):  # sections 5.1.2 and 5.1.5
        aliases = {f"{OW}:temp": "PR-7/temperature", "urn:dev:ow:10e2073a0108006:voltage": "GW 1/battery"}
        found = read([{"n": f"{OW}:temp", "u": "Cel", "v": 23.1}], live=True, aliases=aliases)
        assert (found.serials, found.refused) == (["PR-7"], [])
        found = read(
            VOLTAGE_AND_CURRENT, aliases=aliases | {"urn:dev:ow:10e2073a0108006:voltage": "GW1/battery"}
        )
        assert columns(found) == [
            (0, "GW1", Quantity.BATTERY, 1276020076.001, 120.1, Unit.VOLT),
        ]
        assert [place for place, _ in found.refused] == [1, 2, 3, 4, 5, 6]

    def test_two_devices_by_their_addresses(self):  # section 5.1.6
        found = read(SECTION_5[5].values[0], now=datetime(2011, 10, 31, 16, 27, 9, tzinfo=UTC))
        assert columns(found) == [
            (0, "2001:db8::2", Quantity.TEMPERATURE, 1320078429.0, 25.2, Unit.CEL),
            (2, "2001:db8::1", Quantity.TEMPERATURE, 1320078429.0, 12.3, Unit.CEL),
        ]
        assert [(place, r.code) for place, r in found.refused] == [
            (1, "unknown-quantity"),
            (3, "unknown-quantity"),
        ]


class TestBaseFields:
    def test_hold_until_given_again(self):
        found = read(
            [
                {"bn": "PR-1/", "bt": THEN_S, "bu": "Cel", "n": "temperature", "v": 60},
                {"n": "temperature", "t": 1, "v": 61},
                {"bn": "PR-2/", "n": "temperature", "t": 2, "v": 62},
                {"bu": "K", "n": "temperature", "t": 3, "v": 336},
                {"bt": THEN_S + 100, "n": "temperature", "v": 337},
            ]
        )
        assert [(row[1], row[3] - THEN_S, row[4], row[5]) for row in columns(found)] == [
            ("PR-1", 0, 60, Unit.CEL), ("PR-1", 1, 61, Unit.CEL), ("PR-2", 2, 62, Unit.CEL),
            ("PR-2", 3, 336, Unit.KELVIN), ("PR-2", 100, 337, Unit.KELVIN),
        ]  # fmt: skip

    def test_hold_though_their_record_is_refused(self):
        pack = [{"bn": "PR-1/temperature", "bu": "Cel", "bt": THEN_S, "vs": "hot"}, {"v": 60}]
        found = read(pack)
        assert [row[1] for row in columns(found)] == ["PR-1"]
        assert only_refusal(found)[1].code == "text-value"

    def test_alone_are_no_reading_and_places_stay_those_of_the_records(self):
        pack = [{"bn": "PR-1/", "bt": THEN_S, "x": 1}, a_reading(n="temperature", t=1), {"n": "mood", "v": 1}]
        found = read(pack)
        assert (found.received, found.places, only_refusal(found)[0]) == (2, [1], 2)

    def test_a_base_value_is_added_as_decimals(self):
        # In doubles 20.1 + 0.2 is 20.300000000000001.
        found = read([a_reading(bv=20.1, v=0.2), a_reading(v=-0.1, t=THEN_S + 1)])
        assert found.value == [20.3, 20.0]
        assert read([a_reading(bv=20.1, v=0.2)], coding="cbor").value == [20.3]

    def test_the_unit_of_the_record_comes_first(self):
        assert columns(read([a_reading(bu="K")]))[0][5] is Unit.CEL

    @pytest.mark.parametrize(
        ("label", "value"),
        [("bn", 3), ("bt", "now"), ("bu", None), ("bv", [1]), ("bver", "10"), ("bt", True), ("bt", {})],
    )
    def test_of_the_wrong_type_refuse_the_pack(self, label, value):
        with pytest.raises(Invalid) as caught:
            read([a_reading(), a_reading(**{label: value})])
        assert caught.value.errors[0].pointer == f"/1/{label}"


class TestVersions:
    @pytest.mark.parametrize(
        "version", [5, 10, 10.0, 26]
    )  # RFC 8428 sections 4.1 and 5.1.2, RFC 9100 section 4
    def test_are_understood(self, version):
        assert read([a_reading(bver=version)]).refused == []

    @pytest.mark.parametrize("version", [0, 9, 11, 42, 10.5, -1, 1e300])
    def test_others_refuse_the_pack(self, version):
        with pytest.raises(Invalid, match="/0/bver"):
            read([a_reading(bver=version)])

    @pytest.mark.parametrize(
        "versions", [[26, 10], [10, 26], [None, 26], [5, 5, 10], [None, None, 5]], ids=repr
    )
    def test_must_be_the_same_throughout(self, versions):  # RFC 8428 section 4.4
        pack = [a_reading() if version is None else a_reading(bver=version) for version in versions]
        with pytest.raises(Invalid, match="first record"):
            read(pack)

    def test_may_be_said_again(self):
        assert read([a_reading(bver=26), a_reading(bver=26, t=THEN_S + 1)]).refused == []


class TestUnknownLabels:
    def test_are_ignored(self):
        assert read([a_reading(colour="red", ct={"a": [[[1]]]})]).received == 1

    @pytest.mark.parametrize("coding", ["json", "cbor"])
    @pytest.mark.parametrize("label", ["calibrated_", "_", "a/b~_", "\u00e4_", "x" * 500 + "_"])
    def test_that_must_be_understood_refuse_the_pack(self, label, coding):  # RFC 8428 section 4.4
        with pytest.raises(Invalid) as caught:
            read([a_reading(), a_reading(**{label: 1})], coding=coding)
        (error,) = caught.value.errors
        assert error.pointer.startswith("/1/")
        assert error.pointer.count("/") == 2
        assert error.pointer.isascii()
        assert label[:1] in error.detail or "\\x" in error.detail

    def test_of_lone_surrogates_can_be_answered(self):
        with pytest.raises(Invalid) as caught:
            read(b'[{"\\ud800_":1}]')
        assert caught.value.errors[0].pointer.encode()


class TestTimes:
    @pytest.mark.parametrize(
        ("text", "microseconds"),
        [
            ("1.276020076e+09", 1_276_020_076_000_000),  # RFC 8428 section 2
            ("1276020076.001", 1_276_020_076_001_000),
            ("1276020076.0000005", 1_276_020_076_000_000),  # half to even
            ("1276020076.0000015", 1_276_020_076_000_002),
            ("1276020076.00000049999999999999999999999999999999999", 1_276_020_076_000_000),
            ("1276020076.00000050000000000000000000000000000000001", 1_276_020_076_000_001),
            ("268435456", 268_435_456_000_000),  # the smallest absolute time
        ],
    )
    def test_absolute_times_are_kept_to_the_microsecond(self, text, microseconds):
        body = b'[{"n":"PR-1/temperature","u":"Cel","v":1,"t":%s}]' % text.encode()
        (seconds,) = read(body).observed_s
        assert round(Fraction(seconds) * 1_000_000) == microseconds

    def test_the_smallest_absolute_time_is_in_1978(self):  # RFC 8428 section 4.5.3
        (seconds,) = read([a_reading(t=1 << 28)]).observed_s
        assert datetime.fromtimestamp(seconds, UTC) == datetime(1978, 7, 4, 21, 24, 16, tzinfo=UTC)

    @pytest.mark.parametrize("t", [0, -5, -3600.25, 30, None])
    def test_relative_times_count_from_receipt_when_live(self, t):
        record = {k: v for k, v in a_reading(t=t).items() if v is not None}
        (seconds,) = read([record], live=True).observed_s
        assert seconds == NOW.timestamp() + (t or 0)

    @pytest.mark.parametrize("t", [0, -5, 2**28 - 1, None])
    def test_relative_times_are_refused_otherwise(self, t):
        record = {k: v for k, v in a_reading(t=t).items() if v is not None}
        place, refusal = only_refusal(read([record]))
        assert (place, refusal.member, refusal.code) == (0, "t", "relative-time-in-backfill")
        assert "seconds since 1970" in refusal.detail

    def test_base_time_and_time_together_decide(self):
        pack = [a_reading(bt=THEN_S, t=-10), a_reading(bt=0, t=THEN_S), a_reading(bt=-THEN_S, t=THEN_S)]
        found = read(pack)
        assert [seconds - THEN_S for seconds in found.observed_s] == [-10, 0]
        assert only_refusal(found)[1].code == "relative-time-in-backfill"

    @pytest.mark.parametrize(
        ("t", "live", "code", "said"),
        [
            (THEN_S * 1000, False, "bad-time", "milliseconds"),
            (1e300, False, "bad-time", "clock"),
            (-1e300, True, "bad-time", "clock"),
            (NOW.timestamp() + 601, False, "in-the-future", "ten minutes"),
            (601, True, "in-the-future", "ten minutes"),
            (-3e9, True, "clock-not-set", "1970"),
        ],
    )
    def test_out_of_reach_are_refused(self, t, live, code, said):
        _, refusal = only_refusal(read([a_reading(t=t)], live=live))
        assert (refusal.member, refusal.code) == ("t", code)
        assert said in refusal.detail


class TestUpdateTimes:
    def test_the_longest_promised_silence_is_told(self):
        pack = [a_reading(ut=600), a_reading(ut=900.5, t=THEN_S + 1), a_reading(t=THEN_S + 2)]
        assert read(pack).promised_silence_s == 900.5

    @pytest.mark.parametrize("pack", [[], [a_reading()], [a_reading(ut=0)]])
    def test_none_is_promised(self, pack):
        assert read(pack).promised_silence_s is None

    @pytest.mark.parametrize("ut", [-1, 1e300, "600", None])
    def test_unusable_are_refused(self, ut):
        found = read([a_reading(ut=ut)])
        assert (only_refusal(found)[1].member, only_refusal(found)[1].code) == ("ut", "bad-update-time")
        assert found.promised_silence_s is None


class TestNames:
    @pytest.mark.parametrize(
        ("bn", "n", "unit", "serial", "quantity"),
        [
            ("", "PR-1/temperature", "Cel", "PR-1", Quantity.TEMPERATURE),
            ("PR-1/", "ambient_temperature", "K", "PR-1", Quantity.AMBIENT_TEMPERATURE),
            ("PR-1/oxygen", "", "/", "PR-1", Quantity.OXYGEN),
            ("gw/shed/", "PR-1/battery", "V", "gw/shed/PR-1", Quantity.BATTERY),
            (
                "urn:dev:mac:0024befffe804ff1/", "temperature", "Cel",
                "urn:dev:mac:0024befffe804ff1", Quantity.TEMPERATURE,
            ),
            ("", OW, "Cel", OW, Quantity.TEMPERATURE),
            ("PR-1", "", "K", "PR-1", Quantity.TEMPERATURE),
            ("PR-1", "", "%EL", "PR-1", Quantity.BATTERY),
            ("PR-1", "", "pH", "PR-1", Quantity.PH),
            ("PR-1", "", "dBm", "PR-1", Quantity.SIGNAL),
        ],
    )  # fmt: skip
    def test_tell_probe_and_quantity(self, bn, n, unit, serial, quantity):
        record = {"bn": bn, "n": n, "u": unit, "t": THEN_S, "v": 5}
        ((_, found_serial, found_quantity, *_),) = columns(read([record]))
        assert (found_serial, found_quantity) == (serial, quantity)

    @pytest.mark.parametrize(
        ("name", "unit", "code"),
        [
            ("", "Cel", "no-name"),
            ("-PR", "Cel", "bad-name"),
            ("PR 1/temperature", "Cel", "bad-name"),
            ("PR\u00e4/temperature", "Cel", "bad-name"),
            ("PR-1/temperature\n", "Cel", "bad-name"),
            ("x" * 101 + "/temperature", "Cel", "bad-name"),
            ("PR-1/temp", "Cel", "unknown-quantity"),
            ("PR-1/humidity", "%RH", "unknown-quantity"),
            ("PR-1", "%RH", "unknown-quantity"),
            ("PR-1", "/", "unknown-quantity"),
            ("PR-1", "V", "unknown-quantity"),
            ("temperature", "/", "unknown-quantity"),
            ("PR-1:temperature", "Cel", "unknown-quantity"),
            (f"{OW}:temp", "Cel", "unknown-quantity"),
            (f"{OW}_temp", "Cel", "unknown-quantity"),  # RFC 9039: a part after an underscore
            ("urn:dev:mac:0024befffe804ff1_t1", "Cel", "unknown-quantity"),
        ],
    )
    def test_that_tell_nothing_are_refused_with_a_remedy(self, name, unit, code):
        place, refusal = only_refusal(read([{"n": name, "u": unit, "t": THEN_S, "v": 5}]))
        assert (place, refusal.member, refusal.code) == (0, "n", code)
        assert refusal.detail.isascii()
        if code != "bad-name":
            assert "probe/quantity" in refusal.detail
            assert "alias" in refusal.detail

    def test_an_alias_is_looked_for_first_and_whole(self):
        aliases = {"PR-1/temperature": "PR-9/ambient_temperature", "probe7": "PR-7/moisture"}
        pack = [
            a_reading(),
            {"n": "probe7", "u": "/", "t": THEN_S, "v": 0.5},
            a_reading(n="PR-2/temperature"),
        ]
        found = read(pack, aliases=aliases)
        assert [(row[1], row[2], row[4]) for row in columns(found)] == [
            ("PR-9", Quantity.AMBIENT_TEMPERATURE, 61.5),
            ("PR-7", Quantity.MOISTURE, 50.0),
            ("PR-2", Quantity.TEMPERATURE, 61.5),
        ]

    @pytest.mark.parametrize("target", ["PR-1", "PR-1/heat", "/temperature", ""])
    def test_an_alias_for_nothing_is_told(self, target):
        _, refusal = only_refusal(read([a_reading(n="p")], aliases={"p": target}))
        assert refusal.code == "bad-alias"


class TestUnits:
    @pytest.mark.parametrize(
        ("quantity", "symbol", "given", "value", "unit"),
        [
            ("temperature", "Cel", 61.4, 61.4, Unit.CEL),
            ("temperature", "K", 334.55, 334.55, Unit.KELVIN),
            ("moisture", "/", 0.553, 55.3, Unit.PCT),  # in doubles 0.553 * 100 is 55.300000000000004
            ("moisture", "/100", 55.3, 55.3, Unit.PCT),
            ("carbon_dioxide", "ppm", 41234, 4.1234, Unit.PCT),
            ("battery", "%EL", 88, 88, Unit.PCT),
            ("battery", "V", 3.61, 3.61, Unit.VOLT),
            ("battery", "mV", 3610, 3.61, Unit.VOLT),
            ("signal", "dBm", -95, -95, Unit.DBM),
            ("signal", "dBW", -125.3, -95.3, Unit.DBM),
            ("signal", "dBW", -20, 10, Unit.DBM),  # RFC 8798 section 3: 10 dBm are -20 dBW
            ("ph", "pH", 7.4, 7.4, Unit.PH),
            ("ph", None, 7.4, 7.4, Unit.PH),
        ],
    )
    @pytest.mark.parametrize("coding", ["json", "cbor"])
    def test_are_converted_exactly_and_rounded_once(self, quantity, symbol, given, value, unit, coding):
        record = {"n": f"PR-1/{quantity}", "u": symbol, "t": THEN_S, "v": given}
        found = read([{k: v for k, v in record.items() if v is not None}], coding=coding)
        assert (found.value, found.unit, found.refused) == ([value], [unit], [])

    @pytest.mark.parametrize(
        ("quantity", "symbol", "code", "said"),
        [
            ("temperature", None, "no-unit", "Cel, K"),
            ("moisture", None, "no-unit", "/, /100"),
            ("moisture", "%", "ambiguous-unit", "ratio"),  # RFC 8428 section 12.1, note 2
            ("battery", "%", "ambiguous-unit", "/100"),
            ("moisture", "%RH", "unit-does-not-fit", "no moisture"),
            ("moisture", "%EL", "unit-does-not-fit", "/, /100"),
            ("moisture", "Cel", "unit-does-not-fit", "/, /100"),
            ("temperature", "/", "unit-does-not-fit", "Cel, K"),
            ("ph", "Cel", "unit-does-not-fit", "pH"),
            ("temperature", "degF", "unknown-unit", "[degF]"),
            ("temperature", "[degF]", "unknown-unit", "application/json"),
            ("temperature", "\u00b0F", "unknown-unit", "convert to Cel"),
            ("temperature", "C", "unknown-unit", "write Cel"),
            ("temperature", "lon", "unknown-unit", "Cel, K"),
            ("temperature", "\ud800", "unknown-unit", "Cel, K"),
        ],
    )
    def test_that_do_not_fit_are_refused_with_a_remedy(self, quantity, symbol, code, said):
        record = {"n": f"PR-1/{quantity}", "u": symbol, "t": THEN_S, "v": 1}
        _, refusal = only_refusal(read([{k: v for k, v in record.items() if v is not None}]))
        assert (refusal.member, refusal.code) == ("u", code)
        assert said in refusal.detail
        assert refusal.detail.isascii()


class TestRecords:
    @pytest.mark.parametrize(
        ("changed", "member", "code"),
        [
            ({"n": 3}, "n", "bad-name"),
            ({"n": None}, "n", "bad-name"),
            ({"u": 3}, "u", "bad-unit"),
            ({"v": "61"}, "v", "bad-value"),
            ({"v": True}, "v", "bad-value"),
            ({"v": None}, "v", "bad-value"),
            ({"v": [1]}, "v", "bad-value"),
            ({"v": 1e300}, "v", "not-a-number"),
            ({"t": "noon"}, "t", "bad-time"),
            ({"vs": "hot"}, "vs", "two-values"),
            ({"s": 5}, "s", "sum-not-taken"),
            ({"bs": 5}, "bs", "sum-not-taken"),
        ],
    )
    @pytest.mark.parametrize("coding", ["json", "cbor"])
    def test_unusable_ones_are_refused_and_the_others_kept(self, changed, member, code, coding):
        others = [a_reading(t=THEN_S + 1), a_reading(t=THEN_S + 2)]
        pack = [others[0], a_reading(**changed)] + ([others[1]] if "bs" not in changed else [])
        found = read(pack, coding=coding)
        place, refusal = only_refusal(found)
        assert (place, refusal.member, refusal.code) == (1, member, code)
        assert found.received == len(pack) == len(found.places) + 1

    def test_a_base_sum_gives_every_later_record_a_sum(self):
        found = read([a_reading(), {"bs": 0}, a_reading(t=THEN_S + 1), a_reading(bu="Cel", t=THEN_S + 2)])
        assert [(place, r.code) for place, r in found.refused] == [(2, "sum-not-taken"), (3, "sum-not-taken")]

    @pytest.mark.parametrize(
        "record", [{}, {"n": "PR-1/temperature", "u": "Cel", "t": THEN_S}, {"ut": 60}, {"colour": 1}]
    )
    def test_without_a_value_are_refused(self, record):
        assert only_refusal(read([{"bv": 20}, record]))[1].code == "no-value"

    @pytest.mark.parametrize("record", [3, "x", None, [], [a_reading()], True])
    def test_that_are_none_are_refused(self, record):
        found = read(json.dumps([record, a_reading()]).encode())
        assert only_refusal(found) == (0, found.refused[0][1])
        assert found.refused[0][1].code == "not-a-record"
        assert found.places == [1]

    @pytest.mark.parametrize(
        ("double", "member"), [('"v":1,"v":2', "v"), ('"v":1,"n":"b","n":"b"', "n"), ('"v":1,"t":1,"t":1,"v":2', "t")]
    )  # fmt: skip
    def test_with_a_label_twice_are_refused(self, double, member):
        body = f'[{{"bn":"PR-1/","bt":{THEN_S},"bu":"Cel",{double}}},{{"n":"temperature","v":3}}]'
        found = read(body.encode())
        assert (only_refusal(found)[1].member, only_refusal(found)[1].code) == (member, "duplicate-member")
        assert found.serials == ["PR-1"]

    def test_with_an_ignored_label_twice_are_taken(self):
        body = b'[{"x":1,"x":2,"n":"PR-1/temperature","u":"Cel","t":%d,"v":1}]' % THEN_S
        assert read(body).refused == []

    def test_with_a_base_label_twice_refuse_the_pack(self):
        with pytest.raises(Invalid, match="/1/bn"):
            read(b'[{"v":1},{"bn":"a","bn":"b"}]')

    @pytest.mark.parametrize("coding", ["json", "cbor"])
    def test_too_many_are_refused_before_they_are_looked_at(self, coding):
        pack = [a_reading(t=THEN_S + n) for n in range(11)]
        assert read(pack[:10], most=10, coding=coding).received == 10
        with pytest.raises(TooLarge, match="10"):
            read(pack, most=10, coding=coding)

    @pytest.mark.parametrize("coding", ["json", "cbor"])
    def test_none_at_all_is_an_empty_pack(self, coding):
        assert read([], coding=coding).received == 0

    @pytest.mark.parametrize("other", [{}, a_reading(), 3, "x", None, True])
    @pytest.mark.parametrize("coding", ["json", "cbor"])
    def test_must_stand_in_an_array(self, other, coding):
        body = cbor2.dumps(other) if coding == "cbor" else json.dumps(other).encode()
        with pytest.raises(Invalid, match="array"):
            read(body, coding=coding)


class TestJson:
    @pytest.mark.parametrize(
        "body",
        [
            b"", b"[", b"[{]", b"[1,]", b"[{'n':1}]", b'[{"v":NaN}]', b'[{"v":-Infinity}]', b'[{"n":"\xff"}]',
            b"\xff\xfe[\x00]\x00", b"[" * 100_000, b'[{"a":' * 100_000, b"[] []", b"[] x",
        ],
        ids=range(13),
    )  # fmt: skip
    def test_that_is_none_is_unreadable(self, body):
        with pytest.raises(Unreadable):
            read(body)

    def test_may_begin_with_a_byte_order_mark(self):
        assert read(b"\xef\xbb\xbf[]").received == 0

    @pytest.mark.parametrize(
        ("number", "code"),
        [
            ("1e999", "not-a-number"),
            ("-1e999999999999999999999", "not-a-number"),
            ("1e99999999", "not-a-number"),
            ("9" * 100_000, "not-a-number"),
        ],
        ids=range(4),
    )
    def test_numbers_beyond_all_bounds_are_refused_quickly(self, number, code):
        body = '[{"n":"PR-1/temperature","u":"Cel","t":%d,"v":%s}]' % (THEN_S, number)  # noqa: UP031
        started = time.process_time()
        assert only_refusal(read(body.encode()))[1].code == code
        for label in ("t", "ut", "bt", "bv", "bver"):
            other = '[{"n":"PR-1/temperature","u":"Cel","v":1,"%s":%s}]' % (label, number)  # noqa: UP031
            try:
                assert len(read(other.encode(), live=True).refused) == 1
            except Invalid as refused:
                assert f"/0/{label}" in str(refused)  # noqa: PT017
        assert time.process_time() - started < 1

    @pytest.mark.parametrize("number", ["1e-999", "1e-99999999", "0e99999999", "0." + "0" * 100_000 + "1"])
    def test_numbers_next_to_nothing_are_nothing(self, number):
        body = '[{"n":"PR-1/temperature","u":"Cel","t":%d,"bv":20,"v":%s}]' % (THEN_S, number)  # noqa: UP031
        assert read(body.encode()).value == [20.0]


def cbor_record(value, *, label=2):
    """One record with raw CBOR as a field."""
    head = b"\x81" + bytes([0xA4])
    name = b"\x00" + cbor2.dumps("PR-1/temperature") + b"\x01" + cbor2.dumps("Cel")
    if label == 6:
        return head + name + b"\x02\x01\x06" + value
    return head + name + b"\x06" + cbor2.dumps(THEN_S) + bytes([label]) + value


class TestCbor:
    @pytest.mark.parametrize(
        ("value", "number"),
        [
            ("c48221196ab3", 273.15),  # 273.15 = 27315 x 10^-2: RFC 8949 section 3.4.4
            ("c5822003", 1.5),  # 1.5 = 3 x 2^-1: the same
            ("c482203a0001e23f", -12345.6),
            ("c48201c2420190", 4000),  # a bignum of 400 as the mantissa
            ("c582020a", 40),
            ("f93e00", 1.5),
            ("fa42280000", 42.0),
            ("fb404eb33333333333", 61.4),
            ("183d", 61),
            ("20", -1),
            ("c2413d", 61),
            ("c34100", -1),
        ],
    )
    def test_numbers_in_every_form(self, value, number):
        assert read(cbor_record(bytes.fromhex(value)), coding="cbor").value == [number]

    def test_a_decimal_fraction_of_time_is_exact(self):  # 1780000000.0000015 s, half to even
        value = b"\xc4\x82\x26\x1b" + (17800000000000015).to_bytes(8)
        (seconds,) = read(cbor_record(value, label=6), coding="cbor").observed_s
        assert round(seconds * 1_000_000) == 1_780_000_000_000_002

    @pytest.mark.parametrize(
        "value",
        [
            "f97e00",  # not a number
            "f97c00",  # infinity
            "fbfff0000000000000",
            "c4821b7fffffffffffffff01",  # 1 x 10^(2^63 - 1)
            "c4823b7fffffffffffffff01",
            "c5821a7fffffff01",  # 1 x 2^(2^31 - 1)
            "c5823a7fffffff01",
            "c48101",  # one number, not two
            "c583010203",
            "c401",
            "c482616101",  # a text for an exponent
            "c48201f93c00",  # a double for a mantissa
            "c482f501",  # true for an exponent
        ],
    )
    def test_numbers_that_are_none_or_beyond_bounds_are_refused_quickly(self, value):
        started = time.process_time()
        found = read(cbor_record(bytes.fromhex(value)), coding="cbor")
        assert only_refusal(found)[1].code == "not-a-number"
        assert time.process_time() - started < 1

    def test_a_huge_bignum_is_refused_quickly(self):
        size = 1 << 20
        value = b"\xc2\x5a" + size.to_bytes(4) + b"\xff" * size
        started = time.process_time()
        assert only_refusal(read(cbor_record(value), coding="cbor"))[1].code == "not-a-number"
        assert time.process_time() - started < 1

    @pytest.mark.parametrize(
        ("body", "said"),
        [
            (b"", "not CBOR"),
            (b"\x81", "not CBOR"),
            (b"\x9f\xff", "indefinite"),  # RFC 8428 section 6: a definite length array
            (b"\x81\xbf\xff", "indefinite"),
            (b"\x81\xa1\x00\x7f\x61a\xff", "indefinite"),
            (b"\x81\xa2\x02\x01\x02\x02", "Duplicate"),  # RFC 8949 section 5.6
            (b"\x80\x00", "1 of 2 bytes"),
            (b"\x81" * 100_000, "depth"),
            (b"\xc4" * 100_000 + b"\x01", "depth"),
            (b"\x9b\x7f\xff\xff\xff\xff\xff\xff\xff", "not CBOR"),
            (b"\xba\xff\xff\xff\xff\x00\x00", "not CBOR"),
            (b"\x5b\x7f\xff\xff\xff\xff\xff\xff\xff", "not CBOR"),
            (b"\x81\xa1\x00\x62\xc3\x28", "not CBOR"),
            (b"\x1c", "not CBOR"),
        ],
        ids=range(14),
    )
    def test_that_cannot_be_read(self, body, said):
        with pytest.raises(Unreadable, match=said):
            read(body, coding="cbor")

    def test_a_label_as_integer_and_as_text_is_a_label_twice(self):
        body = cbor2.dumps([{0: "PR-1/temperature", 1: "Cel", 6: THEN_S, 2: 1, "v": 2}])
        assert only_refusal(read(body, coding="cbor"))[1].code == "duplicate-member"

    def test_labels_may_be_texts(self):
        assert read(cbor2.dumps([a_reading()]), coding="cbor").value == [61.5]

    def test_other_keys_are_ignored_even_where_they_equal_a_label(self):
        body = cbor2.dumps([{0: "PR-1/temperature", 1.0: "K", 6: THEN_S, 2: 1, b"x": 1, 99: 1, (1, 2): 3}])
        assert only_refusal(read(body, coding="cbor"))[1].code == "no-unit"

    @pytest.mark.parametrize(
        "inert",
        [
            "c0626162",
            "c1fb7e00000000000000",
            "d81c81d81d00",
            "d823612a",
            "d81e820100",
            "d8256100",
            "d9010281f97e00",
        ],
    )
    def test_tags_in_ignored_fields_are_left_unread(self, inert):
        body = b"\x81\xa5" + cbor_record(b"\x01")[2:] + b"\x61x" + bytes.fromhex(inert)
        assert read(body, coding="cbor").value == [1.0]

    def test_the_tag_of_cbor_itself_may_stand_before(self):  # RFC 8949 section 3.4.6
        assert read(b"\xd9\xd9\xf7" + as_cbor([a_reading()]), coding="cbor").value == [61.5]

    def test_half_and_single_precision_count_as_they_are(self):
        value = struct.pack(">f", 61.4)
        assert read(cbor_record(b"\xfa" + value), coding="cbor").value == [struct.unpack(">f", value)[0]]


# Laws

SERIALS = st.sampled_from(["PR-1", "PR-2", "urn:dev:mac:0024befffe804ff1"])
PARTS = st.sampled_from(
    [("temperature", "Cel"), ("temperature", "K"), ("battery", "%EL"), ("moisture", "/"), ("signal", "dBW"),
     ("moisture", "%"), ("mood", "Cel"), ("ph", None)]
)  # fmt: skip
# At most fifteen significant digits: such a decimal is what the nearest double stands for.
NUMBERS = st.decimals(-200, 200, allow_nan=False, allow_infinity=False, places=4).map(lambda d: d + 0)


@st.composite
def packs(draw):
    """Packs in which base fields come and go; numbers are decimals of few digits."""
    pack = []
    for _ in range(draw(st.integers(0, 8))):
        record = {}
        if draw(st.booleans()):
            record["bn"] = draw(SERIALS) + "/"
        if draw(st.booleans()):
            record["bt"] = Decimal(THEN_S) + draw(NUMBERS)
        if draw(st.booleans()):
            record["bu"] = draw(st.sampled_from(["Cel", "K", "/", "%EL"]))
        if draw(st.integers(0, 3)) == 0:
            record["bv"] = draw(NUMBERS)
        if draw(st.integers(0, 5)):
            label, unit = draw(PARTS)
            record |= {"n": label, "v": draw(NUMBERS)}
            if unit is not None and draw(st.booleans()):
                record["u"] = unit
            if draw(st.booleans()):
                record["t"] = draw(NUMBERS)
            if draw(st.integers(0, 4)) == 0:
                record["ut"] = abs(draw(NUMBERS))
        pack.append(record)
    return pack


def as_text(pack):
    """A pack as JSON, decimals digit by digit."""

    def written(value):
        return f"{value:f}" if isinstance(value, Decimal) else json.dumps(value)

    records = ("{" + ",".join(f'"{k}":{written(v)}' for k, v in record.items()) + "}" for record in pack)
    return ("[" + ",".join(records) + "]").encode()


def written_out(found):
    """A resolved measurement as a record without base fields."""
    record = {"n": found.name, "u": found.unit, "t": found.time_s, "v": found.value, "ut": found.update_s}
    return {k: v for k, v in record.items() if v is not None}


def readings(found):
    return [row[1:] for row in columns(found)], [refusal for _, refusal in found.refused]


class TestLaws:
    @given(packs())
    def test_a_pack_with_its_base_fields_written_out_is_the_same(self, pack):
        resolved = [one for one in resolve(pack) if isinstance(one, Resolved)]
        assert resolve([written_out(one) for one in resolved]) == resolved

    @given(packs(), st.integers(0, 8))
    def test_a_resolved_pack_may_be_split_anywhere(self, pack, at):
        plain = [written_out(one) for one in resolve(pack) if isinstance(one, Resolved)]
        whole = readings(read(as_text(plain)))
        parts = [readings(read(as_text(part))) for part in (plain[:at], plain[at:])]
        assert whole == (parts[0][0] + parts[1][0], parts[0][1] + parts[1][1])

    @given(packs())
    def test_json_and_cbor_are_read_alike(self, pack):
        from_json = read(as_text(pack))
        doubles = [{k: float(v) if isinstance(v, Decimal) else v for k, v in r.items()} for r in pack]
        one, other = same(from_json, read(as_cbor(doubles), coding="cbor"))
        assert one == other
        one, other = same(from_json, read(as_cbor(pack), coding="cbor"))  # decimal fractions
        assert one == other

    @given(packs())
    def test_every_record_is_kept_refused_or_bare(self, pack):
        found = read(as_text(pack))
        bare = sum(bool(record) and record.keys() <= {"bn", "bt", "bu", "bv"} for record in pack)
        assert found.received + bare == len(pack)
        assert len({*found.places, *(place for place, _ in found.refused)}) == found.received

    @given(st.decimals(0, 90, places=6), st.decimals(-300, 300, places=6))
    def test_times_and_values_are_exact_to_the_end(self, value, t):
        body = as_text([a_reading(bt=THEN_S, t=t, bv=Decimal("0.1"), v=value)])
        found = read(body)
        assert found.value == [float(Fraction(value) + Fraction(1, 10))]
        instant = datetime.fromtimestamp(THEN_S, UTC) + timedelta(microseconds=int(t * 1_000_000))
        assert found.observed_s == [instant.timestamp()]

    @settings(max_examples=300)
    @given(st.binary(max_size=60), st.sampled_from(["json", "cbor"]), st.booleans())
    def test_any_bytes_are_answered(self, body, coding, live):
        self.must_be_answered(body, coding, live)

    @settings(max_examples=200)
    @given(packs(), st.integers(0, 200), st.integers(0, 255))
    def test_any_damage_is_answered(self, pack, at, byte):
        body = bytearray(as_cbor(pack))
        body[at % len(body)] = byte
        self.must_be_answered(bytes(body), "cbor", live=True)

    @given(
        st.recursive(
            st.none()
            | st.booleans()
            | st.floats()
            | st.integers()
            | st.text(max_size=5)
            | st.binary(max_size=5),
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(st.sampled_from([*LABELS.values(), "v", "x", "x_"]), inner, max_size=5)
            ),
        )
    )
    def test_any_cbor_is_answered(self, value):
        self.must_be_answered(cbor2.dumps(value), "cbor", live=True)
        self.must_be_answered(cbor2.dumps([value]), "cbor", live=True)

    @staticmethod
    def must_be_answered(body, coding, live):
        try:
            found = read(body, coding=coding, live=live)
        except (Invalid, Unreadable) as refused:
            assert str(refused).isascii()  # noqa: PT017 - which of the two is not the point
            return
        assert found.received == len(found.places) + len(found.refused)
        assert all(math.isfinite(value) for value in found.value)
        assert all(isinstance(r, Refusal) and r.detail.isascii() for _, r in found.refused)
