"""What tests and persons keep out of the evidence, how a verdict says so, and what its digest covers."""

import dataclasses
import hashlib
import struct
from uuid import UUID

import numpy as np
import pytest

from service.domain.compliance import (
    ACCEPTED,
    EXCLUDED,
    Applied,
    History,
    Reading,
    Series,
    readings_digest,
    series_of,
)
from service.domain.quantities import QualityFlag, Unit
from service.domain.readings import quality
from tests.domain.compliance.piles import at, dips, hour_of, log, pile, verdict

EPA = "us-503-pfrp-windrow"
JUDGED_US = 4_000_000_000_000_000
FLAT = int(QualityFlag.SUSPECT | quality.Test.FLAT_LINE)
ENTRY, OTHER = UUID(int=1), UUID(int=2)


def of(series: Series, **changes: object) -> History:
    turns = tuple(at(24 * day) for day in (2, 5, 8, 11, 14))
    return History(series=(dataclasses.replace(series, **changes),), turns=turns)  # type: ignore[arg-type]


def hot(flags: dict[int, int] | None = None, values: dict[int, float] | None = None) -> Series:
    """361 hourly readings at 61 Cel, but for some."""
    readings = log(61, 360)
    for n, value in (values or {}).items():
        readings[n] = dataclasses.replace(readings[n], value=value)
    for n, flag in (flags or {}).items():
        readings[n] = dataclasses.replace(readings[n], flag=flag)
    (series,) = series_of(readings)
    return series


def says(found: object) -> list[tuple[str, int, float, float]]:
    return [(one.cause, one.count, hour_of(one.first), hour_of(one.last)) for one in found.excluded]  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("bit", "is_out"),
    [
        ("CLOCK_UNSET", True),
        ("CLOCK_FUTURE", True),
        ("CLOCK_SKEW", True),
        ("NEAR_AMBIENT", True),
        ("FLAT_LINE", True),
        ("RATE_OF_CHANGE", False),
        ("SPIKE", False),
        ("NEIGHBOURS", False),
        ("UNIT_DOUBTFUL", False),
    ],
)
def test_a_test_that_objects_keeps_a_reading_out_or_not(bit: str, *, is_out: bool) -> None:
    """A single cold reading either breaks the hold or is not looked at; house rule EVIDENCE_EXCLUDES."""
    flag = int(QualityFlag.SUSPECT | quality.Test[bit])
    found = verdict(EPA, of(hot({100: flag}, {100: 20.0})))
    assert found.state == ("met" if is_out else "under_way")
    assert says(found) == ([(bit.lower(), 1, 100.0, 100.0)] if is_out else [])
    assert found.excluded_by_flag == ({bit.lower(): 1} if is_out else {})


def test_what_was_found_beside_other_readings_decides_and_not_what_was_stored() -> None:
    series = hot(values={100: 20.0})
    assessed = series.flag.astype(np.int16)
    assessed[100] = FLAT
    assert verdict(EPA, of(series)).state == "under_way"
    found = verdict(EPA, of(series, assessed=assessed))
    assert (found.state, says(found)) == ("met", [("flat_line", 1, 100.0, 100.0)])


def test_a_person_goes_before_any_test() -> None:
    series = hot(dict.fromkeys(range(50, 60), FLAT), {100: 20.0})
    said = np.zeros(361, np.int8)
    said[50:55], said[100] = ACCEPTED, EXCLUDED
    applied = (
        Applied(ENTRY, "exclude", series.observed_at[100:101]),
        Applied(OTHER, "accept", series.observed_at[50:55]),
    )
    found = verdict(EPA, of(series, said=said, applied=applied))
    assert says(found) == [("flat_line", 5, 55.0, 59.0), ("correction", 1, 100.0, 100.0)]
    assert [one.correction for one in found.excluded] == [None, str(ENTRY)]
    (accepted,) = found.corrections
    assert (accepted.kind, accepted.correction, accepted.count) == ("accept", str(OTHER), 5)
    assert (hour_of(accepted.first), hour_of(accepted.last)) == (50.0, 54.0)
    assert found.excluded_by_flag == {"flat_line": 5}
    assert found.state == "met"


def test_nobody_can_accept_what_has_no_number() -> None:
    series = hot(values={100: float("nan")})
    said = np.full(361, ACCEPTED, np.int8)
    assert says(verdict(EPA, of(series, said=said))) == [("missing", 1, 100.0, 100.0)]


def test_every_reading_left_out_stands_under_one_cause() -> None:
    flags = {n: int(QualityFlag.FAIL | quality.Test.GROSS_RANGE | quality.Test.FLAT_LINE) for n in range(10)}
    found = verdict(EPA, of(hot(flags | {20: FLAT, 30: int(QualityFlag.MISSING)}, {40: float("nan")})))
    assert says(found) == [
        ("missing", 2, 30.0, 40.0),
        ("fail", 10, 0.0, 9.0),
        ("flat_line", 1, 20.0, 20.0),
    ]


def test_nothing_after_the_instant_of_judging_is_told_of() -> None:
    series = hot(dict.fromkeys(range(50, 60), FLAT))
    said = np.zeros(361, np.int8)
    said[70:80] = EXCLUDED
    applied = (Applied(ENTRY, "exclude", series.observed_at[70:80]),)
    history = of(series, said=said, applied=applied)
    assert says(verdict(EPA, history, at_h=54)) == [("flat_line", 5, 50.0, 54.0)]
    assert says(verdict(EPA, history, at_h=72))[1] == ("correction", 3, 70.0, 72.0)


def test_a_gap_that_readings_left_out_make_is_named_by_them() -> None:
    flags = dict.fromkeys(range(100, 160), FLAT)
    found = verdict(EPA, of(hot(flags)))
    (lost,) = found.lost
    assert (lost.cause, hour_of(lost.from_), hour_of(lost.to)) == ("flagged", 99.0, 160.0)
    assert "60 readings were kept out, because a check failed, a person excluded it" in lost.detail


def test_dangerous_heat_is_named_although_its_probe_is_doubted() -> None:
    """A stuck probe may have seen a fire; only a person who was there can say that it did not."""
    series = hot(dict.fromkeys(range(50, 60), FLAT), dict.fromkeys(range(50, 60), 91.0))
    assert verdict(EPA, of(series)).cautions[0].level == "black"
    said = np.zeros(361, np.int8)
    said[50:60] = EXCLUDED
    assert verdict(EPA, of(series, said=said)).cautions == ()


def by_hand(rows: list[tuple[int, float, int, int, int]], position: str = "core") -> str:
    """The digest as its description has it, one value at a time."""
    parts = [position.encode() + b"\0", struct.pack("<q", len(rows))]
    parts += [struct.pack("<q", row[0]) for row in rows]
    parts += [struct.pack("<d", row[1]) for row in rows]
    parts += [struct.pack("<B", row[2]) for row in rows]
    parts += [struct.pack("<B", row[3] & 15) for row in rows]
    if any(row[3] > 15 or row[4] for row in rows):
        parts += [b"\1", *(struct.pack("<h", row[3]) for row in rows)]
        parts += [struct.pack("<b", row[4]) for row in rows]
    return "sha256:" + hashlib.sha256(b"".join(parts)).hexdigest()


@pytest.mark.parametrize(
    ("flags", "said"),
    [((1, 3), (0, 0)), ((1, FLAT), (0, 0)), ((1, 256 + 3), (0, 1)), ((1, 1), (-1, 1)), ((4, 9), (0, 0))],
)
def test_the_digest_can_be_made_again_by_whoever_holds_the_readings(
    flags: tuple[int, int], said: tuple[int, int]
) -> None:
    rows = [(10, 61.5, 1, flags[0], said[0]), (20, 142.7, 2, flags[1], said[1])]
    series = Series(
        "core",
        np.array([10, 20], np.int64),
        np.array([61.5, 142.7]),
        np.array([Unit.CEL, Unit.DEG_F], np.int16),
        np.array(flags, np.int16),
        assessed=np.array([FLAT, FLAT], np.int16),
        said=np.array(said, np.int8),
    )
    assert readings_digest(History(series=(series,)), JUDGED_US) == by_hand(rows)


def test_a_record_without_bits_or_entries_keeps_the_digest_it_had() -> None:
    """Made by the code before there were any; had it changed, each verdict on file would get a successor."""
    readings = [Reading("core", at(0), 61.0), Reading("core", at(1), 131.0, Unit.DEG_F, QualityFlag.SUSPECT)]
    before = "sha256:2f1bf9c6a2530e33f3b69a6659ffe38ad6253aa2d313a515c13b906a12ecc33b"
    assert readings_digest(pile(readings), JUDGED_US) == before
    times = series_of(readings)[0].observed_at.tolist()
    assert by_hand([(times[0], 61.0, 1, 1, 0), (times[1], 131.0, 2, 3, 0)]) == before


def test_what_the_tests_find_is_no_part_of_the_digest() -> None:
    series = hot()
    found = [
        readings_digest(of(series, assessed=assessed), JUDGED_US)
        for assessed in (None, np.full(361, FLAT, np.int16))
    ]
    assert found[0] == found[1] == readings_digest(of(series), JUDGED_US)
    assert readings_digest(pile(log(dips(61, (5, 6, 60.0)), 360)), JUDGED_US) != found[0]
