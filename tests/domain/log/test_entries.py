"""Entries and seals: bytes that depend on nothing but what is said.

[1] RFC 8785, JSON Canonicalization Scheme, section 3.2.2 and its sorting example.
"""

import hashlib
import struct
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.log import entries, merkle
from service.domain.log.seals import Kept, joined, read_seal, seal


def salts(count: int) -> bytes:
    return b"s" * count


def kept(*rows: tuple[int, int, int, int, float, int, int]) -> Kept:
    """Rows of batch, probe, quantity, instant, value, unit, flag."""
    columns = list(zip(*rows, strict=True)) if rows else [()] * 7
    kinds = (np.int64, np.int32, np.int16, np.int64, np.float64, np.int16, np.int16)
    return Kept(*(np.array(one, kind) for one, kind in zip(columns, kinds, strict=True)))


def test_literals_strings_and_order_are_as_published() -> None:
    """[1] 3.2.2: the example's literals and string; 3.2.3: names sorted, no white space."""
    assert (
        entries.canonical({"string": '\u20ac$\u000f\nA\'B"\\\\"/', "literals": [None, True, False]})
        == '{"literals":[null,true,false],"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'.encode()
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [(12, "12"), (12.0, "12"), (-0.5, "-0.5"), (1e21, "1000000000000000000000"), (0.1, "0.1"), (True, True)],
)
def test_a_number_is_the_same_however_it_came(value: Any, text: Any) -> None:
    assert entries.as_text({"a": [value]}) == {"a": [text]}


def test_instants_are_told_in_utc() -> None:
    assert entries.as_text(datetime(2026, 5, 4, 14, tzinfo=UTC)) == "2026-05-04T14:00:00+00:00"


def test_no_persons_words_stand_in_the_facts() -> None:
    event = {
        "kind": "correct",
        "crew": "Maria",
        "note": None,
        "details": {"reason": "Maria said so", "replacement": {"crew": "Jo", "height_m": 1.5, "note": "x"}},
    }
    facts, words = entries.parted(event)
    assert facts == {"kind": "correct", "details": {"replacement": {"height_m": 1.5}}}
    assert words == {
        "crew": "Maria",
        "details.reason": "Maria said so",
        "details.replacement.crew": "Jo",
        "details.replacement.note": "x",
    }


def test_a_words_digest_tells_nothing_without_its_key() -> None:
    one = entries.word_digest(b"k" * 32, "crew", "Maria")
    assert one != entries.word_digest(b"l" * 32, "crew", "Maria")
    assert one != entries.word_digest(b"k" * 32, "note", "Maria")
    assert one != hashlib.sha256(b"Maria").hexdigest()


def test_a_seal_read_back() -> None:
    """Bytes by hand: 20 for a reading, big-endian."""
    made = seal(
        kept(
            (7, 3, 1, 1_000_000, 61.4, 1, 1),
            (7, 3, 1, 2_500_000, 61.5, 1, 3),
            (7, 4, 1, 5_000_000, 9.0, 2, 1),
        ),
        salts,
    )
    found = read_seal(made[7])
    assert [(one.probe, one.count, one.first_s, one.last_s) for one in found.series] == [
        (3, 2, 1, 2),
        (4, 1, 5, 5),
    ]
    by_hand = struct.pack(">qdhh", 1_000_000, 61.4, 1, 1) + struct.pack(">qdhh", 2_500_000, 61.5, 1, 3)
    assert found.series[0].records == hashlib.sha256(by_hand).digest()
    assert len(found.series[0].marks) == 8
    assert found.salt_of(found.series[0]) != found.salt_of(found.series[1])


def test_batches_that_share_an_insert_are_sealed_apart() -> None:
    rows = [
        (9, 3, 1, 1, 1.0, 1, 1),
        (8, 3, 1, 2, 2.0, 1, 1),
        (9, 3, 1, 3, 3.0, 1, 1),
        (8, 5, 1, 1, 4.0, 1, 1),
    ]
    together = seal(kept(*rows), salts)
    assert together.keys() == {8, 9}
    for batch in (8, 9):
        alone = seal(kept(*[row for row in rows if row[0] == batch]), salts)
        assert together[batch] == alone[batch]
    assert seal(kept(), salts) == {}


def test_parts_of_one_batch_are_joined() -> None:
    one = seal(kept((7, 3, 1, 1, 1.0, 1, 1)), salts)[7]
    two = seal(kept((7, 4, 1, 1, 1.0, 1, 1)), salts)[7]
    assert [series.probe for series in read_seal(joined([one, two])).series] == [3, 4]


def test_a_seal_that_is_cut_off_is_refused() -> None:
    made = seal(kept((7, 3, 1, 1, 1.0, 1, 1)), salts)[7]
    for end in (len(made) - 1, 40):
        with pytest.raises(ValueError, match="cut off"):
            read_seal(made[:end])


FIELDS = st.tuples(
    st.just(7),
    st.just(3),
    st.just(1),
    st.integers(0, 2**52),
    st.floats(allow_nan=False, width=64),
    st.integers(1, 7),
    st.integers(1, 2**15 - 1),
)


@given(FIELDS, FIELDS)
def test_a_reading_that_differs_in_anything_has_another_digest_and_mark(one: Any, two: Any) -> None:
    a, b = (read_seal(seal(kept(row), salts)[7]).series[0] for row in (one, two))
    same = struct.pack(">qdhh", *one[3:]) == struct.pack(">qdhh", *two[3:])
    assert (a.records == b.records) == same
    assert (a.marks == b.marks) == same


def test_the_order_of_readings_is_not_the_digests() -> None:
    """Deliberately wrong: readings in another order, or of another probe, do not give the same digest."""
    first, second = (7, 3, 1, 1, 1.0, 1, 1), (7, 3, 1, 2, 2.0, 1, 1)
    straight = read_seal(seal(kept(first, second), salts)[7])
    swapped = read_seal(seal(kept(second, first), salts)[7])
    assert straight.series[0].records != swapped.series[0].records
    told = [
        entries.series_entry(straight, straight.series[0], serial, quantity)
        for serial, quantity in (("A", "temperature"), ("B", "temperature"), ("A", "moisture"))
    ]
    assert len({entries.batch_digest([one]) for one in told}) == 3


def test_one_series_is_proved_without_the_other() -> None:
    found = read_seal(seal(kept((7, 3, 1, 1, 1.0, 1, 1), (7, 4, 1, 1, 55.0, 1, 1)), salts)[7])
    told = [entries.series_entry(found, one, str(one.probe), "temperature") for one in found.series]
    hashes = [merkle.leaf_hash(one) for one in told]
    path = merkle.prove(hashes, merkle.inclusion_ranges(0, 2))
    assert path == [hashes[1]]
    assert merkle.is_included(hashes[0], 0, 2, path, bytes.fromhex(entries.batch_digest(told)))


@given(
    st.lists(
        st.tuples(st.integers(1, 3), st.integers(1, 2), st.integers(0, 2**45), st.floats(allow_nan=False)),
        min_size=1,
        max_size=12,
    )
)
def test_few_and_many_are_sealed_alike(rows: list[tuple[int, int, int, float]]) -> None:
    """A few readings are sealed one by one, many in columns: a batch among few has the seal it has among many."""
    rows = sorted(rows, key=lambda row: (row[1], row[2]))
    few = kept(*((batch, probe, 1, at, value, 1, 3) for batch, probe, at, value in rows))
    more = [(99, 9, 1, at, 1.0, 1, 1) for at in range(50)]
    many = kept(*((batch, probe, 1, at, value, 1, 3) for batch, probe, at, value in rows), *more)
    assert {batch: one for batch, one in seal(many, salts).items() if batch != 99} == seal(few, salts)
