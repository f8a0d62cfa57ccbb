"""The tree against the published one, against pymerkle 7.0.0, and against ways to get it wrong.

[1] RFC 9162, Certificate Transparency Version 2.0, sections 2.1.1-2.1.5.
[2] The reference entries and roots of the transparency-dev/merkle test vectors (Apache-2.0), from memory.
"""

import hashlib

import pymerkle
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymerkle import InmemoryTree

from service.domain.log import merkle

ENTRIES = [
    bytes.fromhex(one)
    for one in (
        "", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f",
    )
]  # fmt: skip
ROOTS = [
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]


def hashes(count: int) -> list[bytes]:
    return [merkle.leaf_hash(str(number).encode()) for number in range(count)]


def theirs(end: int, first: int = 0) -> InmemoryTree:
    tree = InmemoryTree(algorithm="sha256")
    for number in range(first, end):
        tree.append_entry(str(number).encode())
    return tree


@pytest.mark.parametrize("size", range(1, 9))
def test_published_roots(size: int) -> None:
    """[2]."""
    assert merkle.root([merkle.leaf_hash(entry) for entry in ENTRIES[:size]]).hex() == ROOTS[size - 1]


def test_an_empty_log() -> None:
    """[1] 2.1.1: the hash of an empty list is the hash of an empty string."""
    assert merkle.root([]) == hashlib.sha256(b"").digest() == merkle.EMPTY


def test_the_example_tree() -> None:
    """[1] 2.1.5: seven entries; its named nodes a to l, and the proofs given there in their letters."""
    a, b, c, d, e, f, j = leaves = [merkle.leaf_hash(f"d{n}".encode()) for n in range(7)]
    pair = merkle.node_hash
    g, h, i = pair(a, b), pair(c, d), pair(e, f)
    k, last = pair(g, h), pair(i, j)
    assert merkle.root(leaves) == pair(k, last)
    inclusion = {0: [b, h, last], 3: [c, g, last], 4: [f, j, k], 6: [i, k]}
    for leaf, path in inclusion.items():
        assert merkle.prove(leaves, merkle.inclusion_ranges(leaf, 7)) == path
    consistency = {3: [c, d, g, last], 4: [last], 6: [i, j, k]}
    for old, path in consistency.items():
        assert merkle.prove(leaves, merkle.consistency_ranges(old, 7)) == path


@pytest.mark.parametrize("size", [1, 2, 3, 5, 8, 13, 31, 64, 100, 257])
def test_pymerkle_finds_the_same_root(size: int) -> None:
    assert pymerkle.__version__.startswith("7.")
    assert merkle.root(hashes(size)) == theirs(size).get_root()


@pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 21])
def test_pymerkle_gives_the_same_paths(size: int) -> None:
    tree, leaves = theirs(size), hashes(size)
    head = tree.get_root()
    for leaf in range(size):
        path = merkle.prove(leaves, merkle.inclusion_ranges(leaf, size))
        assert tree.prove_inclusion(leaf + 1, size).path == [leaves[leaf], *path]
        assert merkle.is_included(leaves[leaf], leaf, size, path, head)


def subproof(m: int, first: int, end: int, *, is_whole: bool) -> list[bytes]:
    """[1] 2.1.4.1, SUBPROOF as the text has it, each MTH by pymerkle (whose own proofs go another way about it)."""
    if m == end - first:
        return [] if is_whole else [theirs(end, first).get_root()]
    k = 1
    while 2 * k < end - first:
        k *= 2
    if m <= k:
        return [*subproof(m, first, first + k, is_whole=is_whole), theirs(end, first + k).get_root()]
    return [*subproof(m - k, first + k, end, is_whole=False), theirs(first + k, first).get_root()]


@pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 21])
def test_growth_is_proved_as_the_text_has_it(size: int) -> None:
    tree, leaves = theirs(size), hashes(size)
    for old in range(1, size + 1):
        path = merkle.prove(leaves, merkle.consistency_ranges(old, size))
        assert path == subproof(old, 0, size, is_whole=True)
        assert merkle.is_consistent(old, size, tree.get_root(old), tree.get_root(), path)


@given(st.integers(0, 70), st.lists(st.integers(1, 30), max_size=5))
def test_growing_bit_by_bit_makes_the_nodes_of_the_whole(first: int, steps: list[int]) -> None:
    total = first + sum(steps)
    leaves = hashes(total)
    stored: dict[merkle.Place, bytes] = {}
    size = 0
    for step in [first, *steps]:
        edge = [stored[place] for place in merkle.complete(0, size)]
        made = merkle.grow(size, edge, leaves[size : size + step])
        assert len(made) <= max(0, 2 * step + total.bit_length())
        assert not stored.keys() & {(node.level, node.place) for node in made}, "a node made twice"
        stored |= {(node.level, node.place): node.hash for node in made}
        size += step
    assert merkle.fold([stored[place] for place in merkle.complete(0, total)]) == merkle.root(leaves)


@given(st.data())
def test_stored_nodes_answer_every_proof(data: st.DataObject) -> None:
    """However long the log, a path comes out of few complete nodes."""
    size = data.draw(st.integers(1, 200))
    leaf = data.draw(st.integers(0, size - 1))
    leaves = hashes(size)
    stored = {(node.level, node.place): node.hash for node in merkle.grow(0, (), leaves)}
    ranges = merkle.inclusion_ranges(leaf, size)
    places = [merkle.complete(*one) for one in ranges]
    assert sum(map(len, places)) <= 2 * size.bit_length()
    path = [merkle.fold([stored[place] for place in some]) for some in places]
    assert merkle.is_included(leaves[leaf], leaf, size, path, merkle.root(leaves))


@given(st.data())
def test_a_path_with_anything_else_in_it_proves_nothing(data: st.DataObject) -> None:
    """The public vectors' ways to spoil a proof: other leaf, place, size or root; a hash changed, lost or added."""
    size = data.draw(st.integers(2, 60))
    leaf = data.draw(st.integers(0, size - 1))
    leaves = hashes(size)
    path = merkle.prove(leaves, merkle.inclusion_ranges(leaf, size))
    head = merkle.root(leaves)
    spot = data.draw(st.integers(0, len(path) - 1))
    bit = bytes([path[spot][0] ^ 1]) + path[spot][1:]
    spoiled = [
        (leaves[(leaf + 1) % size], leaf, size, path, head),
        (leaves[leaf], leaf ^ 1, size, path, head),
        (leaves[leaf], leaf, size, [*path[:spot], bit, *path[spot + 1 :]], head),
        (leaves[leaf], leaf, size, path[:spot] + path[spot + 1 :], head),
        (leaves[leaf], leaf, size, [*path, head], head),
        (leaves[leaf], leaf, size, [head, *path], head),
        (leaves[leaf], leaf, size, path, leaves[leaf]),
        (leaves[leaf], leaf, leaf, path, head),
        (leaves[leaf], -1, size, path, head),
    ]
    for one in spoiled:
        assert not merkle.is_included(*one)


@given(st.data())
def test_a_rewritten_log_is_not_consistent(data: st.DataObject) -> None:
    size = data.draw(st.integers(2, 60))
    old = data.draw(st.integers(1, size - 1))
    changed = data.draw(st.integers(0, old - 1))
    leaves = hashes(size)
    other = [*leaves[:changed], merkle.leaf_hash(b"forged"), *leaves[changed + 1 :]]
    was = merkle.root(leaves[:old])
    path = merkle.prove(other, merkle.consistency_ranges(old, size))
    assert not merkle.is_consistent(old, size, was, merkle.root(other), path)
    honest = merkle.prove(leaves, merkle.consistency_ranges(old, size))
    head = merkle.root(leaves)
    assert merkle.is_consistent(old, size, was, head, honest)
    for spoiled in (honest[1:], [*honest, head], [], [merkle.EMPTY, *honest]):
        assert not merkle.is_consistent(old, size, was, head, spoiled)
    assert not merkle.is_consistent(old, size, head, was, honest)


def test_hashes_that_are_not_32_bytes_prove_nothing() -> None:
    """A node of two leaves cut elsewhere: the bytes are the same, and 31 and 33 of them are no hashes."""
    left, right = hashes(2)
    head = merkle.node_hash(left, right)
    short, long = left[:31], left[31:] + right
    assert merkle.node_hash(short, long) == head
    assert merkle.is_included(left, 0, 2, [right], head)
    assert not merkle.is_included(short, 0, 2, [long], head)
    assert not merkle.is_consistent(1, 2, short, head, [long])


def broken_variants() -> dict[str, list[bytes]]:
    """Roots over the same seven leaves by trees that are wrong in one way each."""
    entries = [str(number).encode() for number in range(7)]
    plain = [hashlib.sha256(entry).digest() for entry in entries]
    leaves = hashes(7)

    def middle(level: list[bytes]) -> bytes:
        if len(level) == 1:
            return level[0]
        half = len(level) // 2
        return merkle.node_hash(middle(level[:half]), middle(level[half:]))

    def no_prefix(level: list[bytes]) -> bytes:
        if len(level) == 1:
            return level[0]
        half = 1 << ((len(level) - 1).bit_length() - 1)
        return hashlib.sha256(no_prefix(level[:half]) + no_prefix(level[half:])).digest()

    return {
        "no leaf prefix": [merkle.root(plain)],
        "split in the middle": [middle(leaves)],
        "no node prefix": [no_prefix(leaves)],
        "swapped leaves": [merkle.root([leaves[1], leaves[0], *leaves[2:]])],
    }


@pytest.mark.parametrize("name", broken_variants())
def test_the_outside_check_catches_a_broken_tree(name: str) -> None:
    """What would pass if the checks above were blind."""
    (found,) = broken_variants()[name]
    assert found != theirs(7).get_root()
    assert merkle.root(hashes(7)) == theirs(7).get_root()
