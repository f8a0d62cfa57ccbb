"""The Merkle tree of RFC 9162, section 2.1: hashes, roots, and proofs that an entry is in it and that it only grew.

Nothing here holds the tree. A proof is a list of ranges of leaves; each range is the fold of at most ``log2 n``
*complete* nodes, which never change once made, so whoever stores them answers any proof with ``O(log n)`` of them.

References
----------
[1] RFC 9162, Certificate Transparency Version 2.0, sections 2.1.1 to 2.1.4.
"""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

HASH_BYTES: Final = 32
EMPTY: Final = hashlib.sha256(b"").digest()
"""The root of a log without entries."""

Range = tuple[int, int]
"""Leaves from the first to before the second."""
Place = tuple[int, int]
"""Level above the leaves, and place from the left, of a complete node: it covers ``2**level`` leaves."""


@dataclass(frozen=True)
class Node:
    """A complete node: level above the leaves, place from the left, hash."""

    level: int
    place: int
    hash: bytes


def leaf_hash(entry: bytes) -> bytes:
    """Return the hash of an entry."""
    return hashlib.sha256(b"\x00" + entry).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Return the hash of a node with two children."""
    return hashlib.sha256(b"\x01" + left + right).digest()


def complete(first: int, end: int) -> list[Place]:
    """Return the complete nodes that cover a range of a proof, from the left, each smaller than the one before."""
    places = []
    while first < end:
        level = (end - first).bit_length() - 1
        places.append((level, first >> level))
        first += 1 << level
    return places


def fold(hashes: Sequence[bytes]) -> bytes:
    """Return the hash of a range from those of its complete nodes, from the left; ``EMPTY`` of none."""
    if not hashes:
        return EMPTY
    folded = hashes[-1]
    for left in reversed(hashes[:-1]):
        folded = node_hash(left, folded)
    return folded


def grow(size: int, edge: Sequence[bytes], leaves: Iterable[bytes]) -> list[Node]:
    """Return the complete nodes that come about when leaves are appended, the leaves themselves among them.

    Parameters
    ----------
    size
        How many leaves there are.
    edge
        Hashes of ``complete(0, size)``.
    leaves
        Hashes of the new leaves, in order.

    Notes
    -----
    ``n`` leaves make fewer than ``2 n`` nodes, and of what was there only the edge is read.
    """
    standing = [Node(level, place, one) for (level, place), one in zip(complete(0, size), edge, strict=True)]
    made = []
    for one in leaves:
        node = Node(0, size, one)
        made.append(node)
        while standing and standing[-1].level == node.level:
            node = Node(node.level + 1, node.place >> 1, node_hash(standing.pop().hash, node.hash))
            made.append(node)
        standing.append(node)
        size += 1
    return made


def root(leaves: Sequence[bytes]) -> bytes:
    """Return the root over leaf hashes, all of them at hand."""
    at = {(node.level, node.place): node.hash for node in grow(0, (), leaves)}
    return fold([at[place] for place in complete(0, len(leaves))])


def inclusion_ranges(leaf: int, size: int) -> list[Range]:
    """Return the ranges whose hashes prove that a leaf is in a log of some size, nearest first.

    Raises
    ------
    ValueError
        There is no such leaf.
    """
    if not 0 <= leaf < size:
        raise ValueError(f"no leaf {leaf} in a log of {size}")
    first, end = 0, size
    ranges = []
    while end - first > 1:
        middle = first + _left_width(end - first)
        if leaf < middle:
            ranges.append((middle, end))
            end = middle
        else:
            ranges.append((first, middle))
            first = middle
    return ranges[::-1]


def consistency_ranges(old: int, size: int) -> list[Range]:
    """Return the ranges whose hashes prove that a log of ``old`` leaves grew into one of ``size``, lowest first.

    Raises
    ------
    ValueError
        The older log is empty, or larger than the newer.
    """
    if not 0 < old <= size:
        raise ValueError(f"a log of {old} does not come before one of {size}")
    first, end, is_all_old = 0, size, True
    ranges = []
    while first + old < end:
        middle = first + _left_width(end - first)
        if first + old <= middle:
            ranges.append((middle, end))
            end = middle
        else:
            ranges.append((first, middle))
            old -= middle - first
            first = middle
            is_all_old = False
    if not is_all_old:
        ranges.append((first, end))
    return ranges[::-1]


def _left_width(width: int) -> int:
    """Return the largest power of two below a width of two or more."""
    return 1 << ((width - 1).bit_length() - 1)


def prove(leaves: Sequence[bytes], ranges: Sequence[Range]) -> list[bytes]:
    """Return the hashes of a proof over leaf hashes that are all at hand."""
    return [root(leaves[first:end]) for first, end in ranges]


def is_included(leaf: bytes, place: int, size: int, path: Sequence[bytes], head: bytes) -> bool:
    """Say whether a path proves a leaf hash to stand at a place of the log with this root (RFC 9162, 2.1.3.2).

    A hash that is not 32 bytes long proves nothing: two short ones could be read as another pair.
    """
    if not 0 <= place < size or not _are_hashes(leaf, head, *path):
        return False
    node, last, found = place, size - 1, leaf
    for one in path:
        if last == 0:
            return False
        if node & 1 or node == last:
            found = node_hash(one, found)
            while not node & 1 and node:
                node, last = node >> 1, last >> 1
        else:
            found = node_hash(found, one)
        node, last = node >> 1, last >> 1
    return last == 0 and found == head


def is_consistent(old: int, size: int, old_head: bytes, head: bytes, path: Sequence[bytes]) -> bool:
    """Say whether a path proves that the log with the newer root holds the older one's entries, unchanged.

    RFC 9162, 2.1.4.2; a log is consistent with itself by an empty path, and nothing is proved of an empty one.
    """
    if not 0 < old <= size or not _are_hashes(old_head, head, *path):
        return False
    if old == size:
        return not path and old_head == head
    hashes = [old_head, *path] if old & (old - 1) == 0 else list(path)
    if not hashes:
        return False
    node, last = old - 1, size - 1
    while node & 1:
        node, last = node >> 1, last >> 1
    was = now = hashes[0]
    for one in hashes[1:]:
        if last == 0:
            return False
        if node & 1 or node == last:
            was, now = node_hash(one, was), node_hash(one, now)
            while not node & 1 and node:
                node, last = node >> 1, last >> 1
        else:
            now = node_hash(now, one)
        node, last = node >> 1, last >> 1
    return last == 0 and was == old_head and now == head


def _are_hashes(*hashes: bytes) -> bool:
    return all(len(one) == HASH_BYTES for one in hashes)
