"""Sets of stretches, against sets of whole numbers."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from service.domain.compliance.spans import Spans, common, covered_us, merged, outside, overlaps

some_spans = st.lists(
    st.tuples(st.integers(0, 40), st.integers(0, 8)).map(lambda pair: (pair[0], pair[0] + pair[1])),
    max_size=8,
).map(lambda pairs: merged(Spans.of(*pairs)))


def halves(spans: Spans) -> set[int]:
    """Points of a grid twice as fine, so that stretches that touch are told from stretches that do not."""
    return {
        n for start, end in zip(spans.start, spans.end, strict=True) for n in range(2 * start, 2 * end + 1)
    }


@given(st.lists(some_spans, min_size=1, max_size=4))
def test_common_is_intersection(parts: list[Spans]) -> None:
    found = common(parts)
    assert halves(found) == set.intersection(*(halves(part) for part in parts))
    assert bool((found.start[1:] > found.end[:-1]).all())


@given(st.lists(some_spans, min_size=1, max_size=4))
def test_merged_is_union(parts: list[Spans]) -> None:
    found = merged(*parts)
    assert halves(found) == set.union(*(halves(part) for part in parts))
    assert bool((found.start[1:] > found.end[:-1]).all())


def test_stretches_that_touch_share_an_instant() -> None:
    found = common([Spans.of((0, 5)), Spans.of((5, 9))])
    assert (found.start.tolist(), found.end.tolist(), found.total_us) == ([5], [5], 0)


@given(some_spans, st.integers(0, 50), st.integers(1, 9))
def test_overlaps_and_covered(spans: Spans, start: int, length: int) -> None:
    inside = sum(
        max(0, min(end, start + length) - max(begin, start))
        for begin, end in zip(spans.start.tolist(), spans.end.tolist(), strict=True)
    )
    edges = np.array([start, start + length], dtype=np.int64)
    assert int(np.diff(covered_us(spans, edges))[0]) == inside
    touched = any(s < start + length and e > start for s, e in zip(spans.start, spans.end, strict=True))
    assert bool(overlaps(spans, edges[:1], edges[1:])[0]) == touched


def test_outside_reaches_both_ways() -> None:
    holes = outside(Spans.of((3, 5), (8, 9)))
    assert (holes.start.tolist()[1:], holes.end.tolist()[:-1]) == ([5, 9], [3, 8])
