"""Checked against published vectors, RFC 9162's worked example, the definition and pymerkle."""

import csv
from collections.abc import Callable, Iterator, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

import pymerkle
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.ledger.journal.merkle import (
    BLOCK_LEVEL,
    EMPTY_ROOT,
    Frontier,
    consistency_proof,
    inclusion_proof,
    leaf_hash,
    node_hash,
    root_of,
    roots_at,
    verify_consistency,
    verify_inclusion,
)

with (Path(__file__).parent / "data" / "merkle_vectors.csv").open(encoding="utf-8") as table:
    VECTORS = list(csv.DictReader(table))

LARGEST = 130
LEAVES = [leaf_hash(b"entry %d" % number) for number in range(LARGEST)]


def rows(kind: str) -> list[Any]:
    found = [pytest.param(row, id=row["id"]) for row in VECTORS if row["kind"] == kind]
    assert found
    return found


def published_leaves() -> list[bytes]:
    entries = [row for row in VECTORS if row["kind"] == "entry"]
    assert len(entries) == 8
    return [leaf_hash(bytes.fromhex(row["expected"])) for row in entries]


def hashes(text: str) -> tuple[bytes, ...]:
    return tuple(bytes.fromhex(word) for word in text.split())


def defined_root(leaves: Sequence[bytes]) -> bytes:
    """The recursive definition of RFC 9162, section 2.1.1, in the fewest words."""
    if not leaves:
        return sha256(b"").digest()
    if len(leaves) == 1:
        return leaves[0]
    split = 1
    while split * 2 < len(leaves):
        split *= 2
    left, right = defined_root(leaves[:split]), defined_root(leaves[split:])
    return sha256(b"\x01" + left + right).digest()


ROOTS = [defined_root(LEAVES[:size]) for size in range(LARGEST + 1)]


@pytest.mark.parametrize("row", rows("leaf"))
def test_leaf_hash_is_the_published_one(row: dict[str, str]) -> None:
    assert leaf_hash(bytes.fromhex(row["first"])).hex() == row["expected"]


@pytest.mark.parametrize("row", rows("node"))
def test_node_hash_is_the_published_one(row: dict[str, str]) -> None:
    left, right = bytes.fromhex(row["first"]), bytes.fromhex(row["second"])
    assert node_hash(left, right).hex() == row["expected"]


@pytest.mark.parametrize("row", rows("root"))
def test_root_is_the_published_one(row: dict[str, str]) -> None:
    leaves = published_leaves()[: int(row["first"])]
    assert root_of(leaves).hex() == row["expected"]
    assert Frontier().extend(leaves).root().hex() == row["expected"]


@pytest.mark.parametrize("row", rows("inclusion"))
def test_inclusion_proof_is_the_published_one(row: dict[str, str]) -> None:
    leaves, index, size = published_leaves(), int(row["first"]), int(row["second"])
    want = hashes(row["expected"])
    assert inclusion_proof(leaves, index, size) == want
    assert verify_inclusion(leaves[index], index, size, want, root_of(leaves[:size]))


@pytest.mark.parametrize("row", rows("consistency"))
def test_consistency_proof_is_the_published_one(row: dict[str, str]) -> None:
    leaves, first, second = published_leaves(), int(row["first"]), int(row["second"])
    want = hashes(row["expected"])
    assert consistency_proof(leaves, first, second) == want
    roots = root_of(leaves[:first]), root_of(leaves[:second])
    assert verify_consistency(first, roots[0], second, roots[1], want)


def named_nodes() -> dict[str, bytes]:
    """The nodes that RFC 9162 names in its tree of seven leaves."""
    nodes = dict(zip("abcdefj", LEAVES, strict=False))
    for name, left, right in ("gab", "hcd", "ief", "kgh", "lij"):
        nodes[name] = node_hash(nodes[left], nodes[right])
    return nodes


@pytest.mark.parametrize("row", rows("named inclusion"))
def test_inclusion_proof_names_the_nodes_of_the_worked_example(row: dict[str, str]) -> None:
    want = tuple(named_nodes()[name] for name in row["expected"].split())
    assert inclusion_proof(LEAVES, int(row["first"]), int(row["second"])) == want


@pytest.mark.parametrize("row", rows("named consistency"))
def test_consistency_proof_names_the_nodes_of_the_worked_example(row: dict[str, str]) -> None:
    want = tuple(named_nodes()[name] for name in row["expected"].split())
    assert consistency_proof(LEAVES, int(row["first"]), int(row["second"])) == want


def test_append_gives_the_defined_root_at_every_size() -> None:
    frontier = Frontier()
    for size in range(LARGEST + 1):
        assert frontier.size == size
        assert frontier.root() == ROOTS[size] == root_of(LEAVES[:size])
        if size < LARGEST:
            frontier = frontier.append(LEAVES[size])


def test_extend_from_every_size_by_every_number_equals_append() -> None:
    frontiers = [Frontier()]
    for leaf in LEAVES:
        frontiers.append(frontiers[-1].append(leaf))
    for start in range(LARGEST + 1):
        for stop in range(start, LARGEST + 1):
            assert frontiers[start].extend(LEAVES[start:stop]) == frontiers[stop]


@given(st.sets(st.integers(0, LARGEST + 20)))
def test_roots_at_any_sizes_are_found_in_one_pass_and_those_beyond_the_end_missing(
    sizes: set[int],
) -> None:
    want = {size: ROOTS[size] for size in sizes if size <= LARGEST}
    assert roots_at(iter(LEAVES), sizes) == want


def test_roots_at_reads_no_further_than_the_largest_size() -> None:
    source = iter(LEAVES)
    assert roots_at(source, [5, 3]) == {3: ROOTS[3], 5: ROOTS[5]}
    assert next(source) == LEAVES[5]


@given(st.lists(st.integers(0, 40), max_size=8))
@settings(max_examples=50)
def test_frontier_survives_storage_between_any_pieces(pieces: list[int]) -> None:
    frontier, at = Frontier(), 0
    for piece in pieces:
        taken = LEAVES[at : at + piece]
        frontier = Frontier.from_bytes(frontier.extend(taken).to_bytes())
        at += len(taken)
    assert frontier.size == at
    assert frontier.root() == ROOTS[at]


def test_completed_subtrees_are_those_of_the_definition_and_proofs_with_them_the_same() -> None:
    many = [leaf_hash(b"entry %d" % number) for number in range(5 * 2**BLOCK_LEVEL + 77)]
    frontier, at, completed = Frontier(), 0, list[tuple[int, int, bytes]]()
    for piece in (1, 1022, 3, 2048, 1500, 10_000):  # ends before, on and behind whole blocks
        frontier = frontier.extend(many[at : at + piece], completed)
        at += piece
    kept = {(level, number): node for level, number, node in completed}
    assert len(kept) == len(completed)
    assert sorted(kept) == [
        *((BLOCK_LEVEL, number) for number in range(5)),
        (BLOCK_LEVEL + 1, 0),
        (BLOCK_LEVEL + 1, 1),
        (BLOCK_LEVEL + 2, 0),
    ]
    for (level, number), node in kept.items():
        assert node == defined_root(many[number << level : number + 1 << level])
    read = 0

    def leaves(start: int, stop: int) -> Sequence[bytes]:
        nonlocal read
        read += stop - start
        return many[start:stop]

    def stored(level: int, number: int) -> bytes | None:
        return kept.get((level, number))

    for index in (0, 1023, 1024, 5000, len(many) - 1):
        got = inclusion_proof(leaves, index, len(many), stored)
        assert got == inclusion_proof(many, index, len(many))
    for old_size in (1, 1024, 3000, 4096, 5120):
        got = consistency_proof(leaves, old_size, len(many), stored)
        assert got == consistency_proof(many, old_size, len(many))
    assert read < 10 * 2 * 2**BLOCK_LEVEL


@pytest.mark.parametrize("change", [lambda b: b[:-1], lambda b: b + b"\0", lambda b: b[:7]])
def test_stored_frontier_of_wrong_length_is_refused(change: Callable[[bytes], bytes]) -> None:
    with pytest.raises(ValueError, match=r"frontier: expected \d+ bytes, found"):
        Frontier.from_bytes(change(Frontier().extend(LEAVES[:5]).to_bytes()))


@pytest.mark.parametrize(("size", "nodes"), [(3, 1), (0, 1), (-1, 1), (4, 2)])
def test_frontier_whose_nodes_do_not_fit_its_size_is_refused(size: int, nodes: int) -> None:
    with pytest.raises(ValueError, match="frontier: "):
        Frontier(size, tuple(LEAVES[:nodes]))


def test_every_inclusion_proof_up_to_130_leaves_verifies_and_no_neighbouring_claim_does() -> None:
    count = 0
    for size in range(1, LARGEST + 1):
        root = ROOTS[size]
        for index in range(size):
            leaf, proof = LEAVES[index], inclusion_proof(LEAVES, index, size)
            assert verify_inclusion(leaf, index, size, proof, root)
            count += 1
            assert not verify_inclusion(LEAVES[index - 1], index, size, proof, root) or size == 1
            assert not verify_inclusion(leaf, index, size, proof, ROOTS[size - 1])
            assert not verify_inclusion(leaf, index, size, (*proof, root), root)
            assert not verify_inclusion(leaf, size, size, proof, root)
            assert not verify_inclusion(leaf, -1, size, proof, root)
            assert index == 0 or not verify_inclusion(leaf, index - 1, size, proof, root)
            assert not proof or not verify_inclusion(leaf, index, size, proof[1:], root)
            assert not proof or not verify_inclusion(leaf, index, size, proof[:-1], root)
    assert count == 8515


def test_every_consistency_proof_up_to_130_leaves_verifies_and_no_neighbouring_claim_does() -> (
    None
):
    count = 0
    for size in range(1, LARGEST + 1):
        root = ROOTS[size]
        for old_size in range(1, size + 1):
            old_root, proof = ROOTS[old_size], consistency_proof(LEAVES, old_size, size)
            assert verify_consistency(old_size, old_root, size, root, proof)
            count += 1
            other = ROOTS[old_size - 1]
            assert not verify_consistency(old_size, other, size, root, proof)
            assert not verify_consistency(old_size, old_root, size, ROOTS[size - 1], proof)
            assert not verify_consistency(old_size, old_root, size, root, (*proof, root))
            assert not verify_consistency(size + 1, old_root, size, root, proof)
            assert not proof or not verify_consistency(old_size, old_root, size, root, proof[1:])
            assert not proof or not verify_consistency(old_size, old_root, size, root, proof[:-1])
    assert count == 8515


@given(st.data())
@settings(max_examples=200)
def test_any_changed_bit_of_a_proof_is_rejected(data: st.DataObject) -> None:
    size = data.draw(st.integers(2, LARGEST))
    index = data.draw(st.integers(0, size - 1))
    old_size = data.draw(st.integers(1, size - 1))
    bit = data.draw(st.integers(0, 255))

    def bend(proof: tuple[bytes, ...]) -> tuple[bytes, ...]:
        at = data.draw(st.integers(0, len(proof) - 1))
        value = int.from_bytes(proof[at], "big") ^ 1 << bit
        return (*proof[:at], value.to_bytes(32, "big"), *proof[at + 1 :])

    bent = bend(inclusion_proof(LEAVES, index, size))
    assert not verify_inclusion(LEAVES[index], index, size, bent, ROOTS[size])
    bent = bend(consistency_proof(LEAVES, old_size, size))
    assert not verify_consistency(old_size, ROOTS[old_size], size, ROOTS[size], bent)


@given(st.data())
@settings(max_examples=100)
def test_log_with_any_altered_leaf_is_not_consistent_with_its_past(data: st.DataObject) -> None:
    size = data.draw(st.integers(2, LARGEST))
    old_size = data.draw(st.integers(1, size - 1))
    altered = data.draw(st.integers(0, old_size - 1))
    forged = [*LEAVES[:altered], leaf_hash(b"forged"), *LEAVES[altered + 1 : size]]
    proof = consistency_proof(forged, old_size, size)
    assert not verify_consistency(old_size, ROOTS[old_size], size, root_of(forged), proof)


def test_empty_tree_is_the_beginning_of_every_tree_and_has_its_own_root() -> None:
    assert consistency_proof(LEAVES, 0, 5) == ()
    assert verify_consistency(0, EMPTY_ROOT, 5, ROOTS[5], ())
    assert verify_consistency(0, EMPTY_ROOT, 0, EMPTY_ROOT, ())
    assert not verify_consistency(0, ROOTS[1], 5, ROOTS[5], ())
    assert not verify_consistency(0, EMPTY_ROOT, 5, ROOTS[5], (ROOTS[1],))
    assert not verify_consistency(0, EMPTY_ROOT, 0, ROOTS[1], ())
    assert not verify_consistency(1, ROOTS[1], 2, ROOTS[2], ())


def test_pymerkle_agrees_on_roots_and_proofs() -> None:
    tree = pymerkle.InmemoryTree(algorithm="sha256")
    for number in range(LARGEST):
        tree.append_entry(b"entry %d" % number)
    for size in range(LARGEST + 1):
        assert tree.get_root(size) == ROOTS[size] == root_of(LEAVES[:size])
    for size in (1, 2, 3, 7, 8, 64, 65, 100, 127, 130):
        for index in range(size):
            # their paths begin with the leaf itself
            path = tree.prove_inclusion(index + 1, size).path
            assert tuple(path[1:]) == inclusion_proof(LEAVES, index, size)


def test_leaves_are_read_only_in_blocks_and_stored_nodes_spare_the_reading() -> None:
    block = 2**BLOCK_LEVEL
    leaves = [leaf_hash(b"%d" % number) for number in range(3 * block + 77)]
    size, index, old_size = len(leaves), block + 5, 2 * block + 9
    asked: list[tuple[int, int]] = []

    def read(start: int, stop: int) -> Iterator[bytes]:
        asked.append((start, stop))
        return iter(leaves[start:stop])

    def stored(level: int, number: int) -> bytes | None:
        if level != BLOCK_LEVEL:
            return None
        return root_of(leaves[number * block : (number + 1) * block])

    want = inclusion_proof(leaves, index, size)
    assert inclusion_proof(read, index, size) == want
    assert verify_inclusion(leaves[index], index, size, want, root_of(leaves))
    assert max(stop - start for start, stop in asked) <= block
    assert sum(stop - start for start, stop in asked) == size - 1
    asked.clear()
    assert inclusion_proof(read, index, size, stored) == want
    assert sum(stop - start for start, stop in asked) == block - 1 + 77
    want = consistency_proof(leaves, old_size, size)
    assert consistency_proof(read, old_size, size, stored) == want
    old_root = root_of(leaves[:old_size])
    assert verify_consistency(old_size, old_root, size, root_of(leaves), want)


def test_proof_over_fewer_leaves_than_stated_is_refused() -> None:
    with pytest.raises(ValueError, match="proof: leaves 4 to 7 asked for, 1 of them found"):
        inclusion_proof(LEAVES[:5], 0, 8)


@pytest.mark.parametrize(("index", "size"), [(5, 5), (-1, 5), (0, 0)])
def test_inclusion_proof_of_a_leaf_that_is_not_in_the_tree_is_refused(
    index: int, size: int
) -> None:
    with pytest.raises(ValueError, match="is not within a tree of"):
        inclusion_proof(LEAVES, index, size)


@pytest.mark.parametrize("old_size", [-1, 6])
def test_consistency_proof_of_a_tree_that_cannot_be_a_beginning_is_refused(old_size: int) -> None:
    with pytest.raises(ValueError, match="cannot begin with"):
        consistency_proof(LEAVES, old_size, 5)
