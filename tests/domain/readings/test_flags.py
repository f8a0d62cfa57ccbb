"""The vocabulary of flags, and which of them a verdict leaves out.

Meanings after IOOS QARTOD, Manual for Real-Time Oceanographic Data Quality Control Flags, version 1.2 (2020), and
the same primary flags in NERC vocabulary L34 (IODE): 1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing.
"""

import itertools

import numpy as np
import pytest

from service.domain.quantities import QualityFlag
from service.domain.readings import quality

T = quality.Test


def test_the_primary_flags_are_those_of_qartod():
    assert {flag.name: int(flag) for flag in QualityFlag} == {
        "GOOD": 1,
        "NOT_EVALUATED": 2,
        "SUSPECT": 3,
        "FAIL": 4,
        "MISSING": 9,
    }


def test_every_test_has_a_bit_of_its_own_above_the_primary_flag_and_all_fit_a_small_integer():
    bits = [int(test) for test in T]
    assert len(bits) == 10
    assert sorted(bits) == [1 << place for place in range(4, 14)]
    assert sum(bits) + max(QualityFlag) <= np.iinfo(np.int16).max


@pytest.mark.parametrize(
    ("flag", "primary", "names"),
    [
        (1, 1, []),
        (2, 2, []),
        (3, 3, []),
        (4, 4, []),
        (9, 9, []),
        (4 | 16 | 32, 4, ["gross_range", "unit_doubtful"]),
        (3 | 64 | 128 | 256, 3, ["clock_unset", "clock_future", "clock_skew"]),
        (3 | 512 | 1024 | 2048, 3, ["near_ambient", "rate_of_change", "spike"]),
        (9 | 4096 | 8192, 9, ["flat_line", "neighbours"]),
    ],
)
def test_a_flag_tells_its_worth_and_who_objected(flag, primary, names):
    assert quality.primary(np.array([flag], np.int16)).tolist() == [primary]
    assert quality.tests_of(flag) == names
    assert quality.tests_of(np.int16(flag)) == names


def test_the_worst_of_two_primary_flags_stands_as_in_the_roll_up_of_ioos_qc():
    """``qartod_compare`` of ioos_qc 3.0.0 on all pairs of 1, 2, 3 and 4, run once and written down."""
    pairs = np.array(list(itertools.product([1, 2, 3, 4], repeat=2)), np.int16)
    assert quality.combine(pairs[:, 0], pairs[:, 1]).tolist() == [
        *(1, 1, 3, 4),
        *(1, 2, 3, 4),
        *(3, 3, 3, 4),
        *(4, 4, 4, 4),
    ]


def test_a_reading_without_a_number_is_missing_whatever_else_was_found():
    """Here we differ from ioos_qc, whose roll-up lets any other flag win over 9: it gives 9 to every test of it."""
    missing = np.full(5, 9, np.int16)
    assert quality.combine(missing, np.array([1, 2, 3, 4, 9], np.int16)).tolist() == [9] * 5


def test_objections_add_up_and_what_is_given_stays_as_it_was():
    stored, later = np.array([3 | T.CLOCK_SKEW, 1], np.int16), np.array([4 | T.SPIKE, 2], np.int16)
    assert quality.combine(stored, later).tolist() == [4 | T.CLOCK_SKEW | T.SPIKE, 1]
    assert stored.tolist() == [3 | T.CLOCK_SKEW, 1]


@pytest.mark.parametrize(
    ("flag", "counts"),
    [
        (1, True),
        (2, True),
        (3, True),
        (4, False),
        (9, False),
        (3 | T.GROSS_RANGE, True),
        (4 | T.GROSS_RANGE, False),
        (3 | T.UNIT_DOUBTFUL, True),
        (4 | T.GROSS_RANGE | T.UNIT_DOUBTFUL, False),
        (3 | T.CLOCK_UNSET, False),
        (3 | T.CLOCK_FUTURE, False),
        (3 | T.CLOCK_SKEW, False),
        (3 | T.NEAR_AMBIENT, False),
        (3 | T.FLAT_LINE, False),
        (3 | T.RATE_OF_CHANGE, True),
        (3 | T.NEIGHBOURS, True),
        (3 | T.SPIKE, True),
        (4 | T.SPIKE, False),
        (3 | T.RATE_OF_CHANGE | T.FLAT_LINE, False),
    ],
)
def test_what_counts_as_evidence(flag, counts):
    assert quality.counts_as_evidence(np.array([flag], np.int16)).tolist() == [counts]


def test_bare_flags_of_old_rows_count_as_before_in_any_integer_type():
    for kind in (np.uint8, np.int16, np.int64):
        assert (
            quality.counts_as_evidence(np.array([1, 2, 3, 4, 9], kind)).tolist() == [True] * 3 + [False] * 2
        )


def test_what_is_left_out_is_named_once_each():
    flag = np.array(
        [1, 4, 9, 3 | T.FLAT_LINE, 3 | T.CLOCK_SKEW | T.FLAT_LINE, 4 | T.FLAT_LINE, 3 | T.SPIKE], np.int16
    )
    left_out = quality.left_out(flag)
    assert left_out == {"missing": 1, "fail": 2, "clock_skew": 1, "flat_line": 1}
    assert list(left_out) == [name for name in quality.EVIDENCE_EXCLUDES if name in left_out]
    assert sum(left_out.values()) == int((~quality.counts_as_evidence(flag)).sum())
    assert quality.left_out(np.array([1, 2, 3], np.int16)) == {}


def test_a_verdict_can_print_what_it_excludes():
    assert quality.EVIDENCE_EXCLUDES == (
        "missing",
        "fail",
        "clock_unset",
        "clock_future",
        "clock_skew",
        "near_ambient",
        "flat_line",
    )
    assert set(quality.QUESTIONS) == {"unit_doubtful", "neighbours"}
