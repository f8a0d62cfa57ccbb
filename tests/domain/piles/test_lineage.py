"""Where a pile's material came from, and since when all of it has been set aside."""

from datetime import datetime
from uuid import UUID

import pytest

from service.domain.piles import in_force, joinings, set_aside_since, stood_alone
from tests.domain.piles.making import an_event, day

A, B, C = (UUID(int=n) for n in (1, 2, 3))


def told(records):
    """Return each joining in letters: when, how, from where, to where."""
    letters = {A: "A", B: "B", C: "C"}
    events = {
        pile: in_force([an_event(*one[:2], **one[2]) for one in some]) for pile, some in records.items()
    }
    return [(one.at, one.kind, letters[one.parent_id], letters[one.child_id]) for one in joinings(events)]


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        ({A: [("merge", 2, {"with_pile_id": str(B)})]}, [(day(2), "merge", "B", "A")]),
        ({A: [("merge", 2, {"into_pile_id": str(B)})]}, [(day(2), "merge", "A", "B")]),
        (
            {A: [("merge", 2, {"with_pile_id": str(B), "into_pile_id": str(C)})]},
            [(day(2), "merge", "A", "C"), (day(2), "merge", "B", "C")],
        ),
        (
            {A: [("split", 3, {"into_pile_ids": [str(B), str(C)]})]},
            [(day(3), "split", "A", "B"), (day(3), "split", "A", "C")],
        ),
        # Told on both records it is one, and a merge that names nobody is none.
        (
            {A: [("merge", 2, {"with_pile_id": str(B)})], B: [("merge", 2, {"into_pile_id": str(A)})]},
            [(day(2), "merge", "B", "A")],
        ),
        ({A: [("merge", 2, {}), ("split", 3, {})]}, []),
        ({A: [("merge", 2, {"with_pile_id": str(A)}), ("split", 3, {"into_pile_ids": [str(A)]})]}, []),
        (
            {B: [("merge", 9, {"into_pile_id": str(C)})], A: [("split", 4, {"into_pile_ids": [str(B)]})]},
            [(day(4), "split", "A", "B"), (day(9), "merge", "B", "C")],
        ),
    ],
)
def test_joinings(records, expected):
    assert told(records) == expected


@pytest.mark.parametrize(
    ("is_half", "events", "built_at", "first_probe_at", "expected"),
    [
        (False, [], day(0), None, True),
        (False, [], None, day(4), True),
        (False, [], day(5), day(5), False),  # made by the joining
        (False, [], None, None, False),
        (False, [("load", 5, {})], day(5), None, True),  # fed with more than the other pile
        (False, [("load", 6, {})], day(6), None, False),
        (True, [], day(0), day(4), False),  # a half with the build of the whole, its probe a day early
        (True, [("load", 5, {})], day(5), None, True),
    ],
)
def test_stood_alone(is_half, events, built_at, first_probe_at, expected):
    held = in_force([an_event(*one[:2], **one[2]) for one in events])
    found = stood_alone(held, day(5), is_half=is_half, built_at=built_at, first_probe_at=first_probe_at)
    assert found is expected


CURED = ("move", 10, {"purpose": "curing"})


@pytest.mark.parametrize(
    ("events", "parts", "own", "expected"),
    [
        ([CURED], [], True, day(10)),
        ([], [], True, None),
        ([], [(day(20), day(12))], False, day(12)),  # a half of what cured
        ([("load", 25, {})], [(day(20), day(12))], False, None),
        ([("load", 25, {}), ("move", 30, {"purpose": "curing"})], [(day(20), day(12))], False, day(30)),
        ([], [(day(20), day(12)), (day(20), day(15))], False, day(15)),  # the later of two
        ([], [(day(20), day(12)), (day(20), None)], False, None),
        ([("move", 22, {"purpose": "curing"})], [(day(20), day(12)), (day(20), None)], False, day(22)),
        ([CURED], [(day(20), None)], True, None),  # what was put onto it did not cure
        ([CURED], [(day(20), day(12))], True, day(12)),
        ([CURED, ("move", 30, {"purpose": "storage"})], [(day(20), None)], True, None),
    ],
)
def test_set_aside_since(events, parts: list[tuple[datetime, datetime | None]], own, expected):
    held = in_force([an_event(*one[:2], **one[2]) for one in events])
    assert set_aside_since(held, "curing", parts, own=own) == expected
