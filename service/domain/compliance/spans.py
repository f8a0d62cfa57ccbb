"""Sets of closed stretches of time, as pairs of sorted arrays."""

from collections.abc import Sequence
from typing import NamedTuple, Self

import numpy as np

from service.domain.compliance.instants import DISTANT_FUTURE, DISTANT_PAST, Flags, Instants


class Spans(NamedTuple):
    """Stretches ``[start[i], end[i]]`` in microseconds since 1970 UTC; a stretch may have no length."""

    start: Instants
    end: Instants

    @classmethod
    def of(cls, *pairs: tuple[int, int]) -> Self:
        """Build from pairs; a pair that ends before it starts is left out."""
        kept = [pair for pair in pairs if pair[0] <= pair[1]]
        table = np.array(kept, dtype=np.int64).reshape(-1, 2)
        return cls(table[:, 0], table[:, 1])

    @property
    def total_us(self) -> int:
        """Sum of the lengths."""
        return int((self.end - self.start).sum())


def merged(*parts: Spans) -> Spans:
    """Join stretches that overlap or touch; the answer ascends and its stretches are apart."""
    start = np.concatenate([part.start for part in parts])
    end = np.concatenate([part.end for part in parts])
    if start.size < 2:  # noqa: PLR2004 - nothing to join
        return Spans(start, end)
    order = np.argsort(start, kind="stable")
    start, reach = start[order], np.maximum.accumulate(end[order])
    opens = np.flatnonzero(start[1:] > reach[:-1]) + 1
    first = np.concatenate(([0], opens))
    last = np.concatenate((opens - 1, [start.size - 1]))
    return Spans(start[first], reach[last])


def common(parts: Sequence[Spans]) -> Spans:
    """Return the stretches that lie in every part.

    Parameters
    ----------
    parts
        Each as :func:`merged` returns it; at least one.
    """
    if len(parts) == 1:
        return parts[0]
    at = np.concatenate([edge for part in parts for edge in (part.start, part.end)])
    step = np.concatenate(
        [np.full(part.start.size, sign, dtype=np.int64) for part in parts for sign in (1, -1)]
    )
    # At one instant starts come before ends: closed stretches that touch share that instant.
    order = np.lexsort((-step, at))
    at = at[order]
    covered = np.cumsum(step[order])
    begins = np.flatnonzero((covered == len(parts)) & (step[order] == 1))
    return Spans(at[begins], at[begins + 1])


def outside(spans: Spans) -> Spans:
    """Return the stretches between, before and after merged spans (sharing their end points)."""
    return Spans(
        np.concatenate(([DISTANT_PAST], spans.end)).astype(np.int64),
        np.concatenate((spans.start, [DISTANT_FUTURE])).astype(np.int64),
    )


def overlaps(spans: Spans, start: Instants, end: Instants) -> Flags:
    """Tell for each stretch ``(start, end)`` whether merged spans take up some of it."""
    if spans.start.size == 0:
        return np.zeros(start.size, dtype=np.bool_)
    last = np.searchsorted(spans.start, end, side="left") - 1
    found = last >= 0
    return np.asarray(found & (spans.end[np.maximum(last, 0)] > start), dtype=np.bool_)


def covered_us(spans: Spans, edges: Instants) -> Instants:
    """Return how much of merged spans lies before each edge [us]."""
    if spans.start.size == 0:
        return np.zeros(edges.size, dtype=np.int64)
    lengths = spans.end - spans.start
    before = np.concatenate(([0], np.cumsum(lengths)))
    index = np.searchsorted(spans.start, edges, side="right") - 1
    inside = np.clip(edges - spans.start[np.maximum(index, 0)], 0, lengths[np.maximum(index, 0)])
    return np.where(index < 0, 0, before[np.maximum(index, 0)] + inside).astype(np.int64)
