"""The journal's Merkle tree: roots, and proofs that an entry is in and that nothing changed.

A tree over n leaves splits at the largest power of two below n. Seen from the left it is a row
of perfect subtrees, one for each bit set in n, largest first; their roots are all that is needed
to append (Frontier), and folding them from the right gives the root. A proof is a short list of
roots of such subtrees. Everything here is arithmetic on hashes: nothing is read or written.

Source: RFC 9162, section 2.1; tests/ingestd/ledger/test_merkle.py.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from itertools import islice

HASH_BYTES = 32
SIZE_BYTES = 8
BLOCK_LEVEL = 10  # leaves are asked for in blocks of 2**10

EMPTY_ROOT = sha256(b"").digest()

# Leaf hashes of one log: all of them in order, or a function of (start, stop) that reads some.
LeafHashes = Sequence[bytes] | Callable[[int, int], Iterable[bytes]]
# Hash of a perfect subtree that somebody stored: (level, number) covers the 2**level leaves from
# number * 2**level on. None: not stored, work it out.
StoredNodes = Callable[[int, int], bytes | None]
Node = tuple[int, int, bytes]  # level, number, hash


def leaf_hash(entry: bytes) -> bytes:
    """Hash of one entry as a leaf, 32 bytes: SHA-256 of 0x00 and the entry."""
    return sha256(b"\x00" + entry).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Hash of two subtrees side by side, 32 bytes: SHA-256 of 0x01, left and right."""
    return sha256(b"\x01" + left + right).digest()


@dataclass(frozen=True, slots=True)
class Frontier:
    """
    The right edge of a tree: all that is needed to append to it, in O(log n) hashes.

    Frozen: keep the old one until the transaction that appends has been committed.

    Args:
        size: number of leaves.
        nodes: roots of the perfect subtrees, largest (leftmost) first, one for each bit set in
            size, 32 bytes each.
    """

    size: int = 0
    nodes: tuple[bytes, ...] = ()

    def __post_init__(self) -> None:
        if self.size < 0 or len(self.nodes) != self.size.bit_count():
            raise ValueError(
                f"frontier: {self.size} leaves need {max(self.size, 0).bit_count()} nodes, "
                f"found {len(self.nodes)}"
            )

    def append(self, leaf: bytes) -> "Frontier":
        """The frontier with one more leaf hash at the end."""
        node, rest, size = leaf, self.nodes, self.size
        while size & 1:
            node = sha256(b"\x01" + rest[-1] + node).digest()
            rest = rest[:-1]
            size >>= 1
        return Frontier(self.size + 1, (*rest, node))

    def extend(self, leaves: Iterable[bytes], completed: list[Node] | None = None) -> "Frontier":
        """The frontier with these leaf hashes at the end: one hash a leaf, level by level.

        Args:
            leaves: leaf hashes.
            completed: takes the roots of perfect subtrees of 2**BLOCK_LEVEL leaves and more that
                these leaves complete: what proofs need to be short work in a long log.
        """
        row = list(leaves)
        size = self.size + len(row)
        edge = list(self.nodes)
        kept: list[bytes] = []
        level = 0
        while row:
            if completed is not None and level >= BLOCK_LEVEL:
                first = self.size >> level
                completed += ((level, first + n, node) for n, node in enumerate(row))
            if self.size >> level & 1:
                row.insert(0, edge.pop())
            if len(row) & 1:
                kept.append(row.pop())
            pairs = iter(row)
            row = [
                sha256(b"\x01" + left + right).digest()
                for left, right in zip(pairs, pairs, strict=True)
            ]
            level += 1
        return Frontier(size, (*edge, *reversed(kept)))

    def root(self) -> bytes:
        """Root hash of the tree, 32 bytes; SHA-256 of nothing when it is empty."""
        return _fold(self.nodes)

    def to_bytes(self) -> bytes:
        """Size as 8 bytes, big-endian, then the nodes: what from_bytes reads."""
        return self.size.to_bytes(SIZE_BYTES, "big") + b"".join(self.nodes)

    @classmethod
    def from_bytes(cls, data: bytes) -> "Frontier":
        """
        The frontier that to_bytes wrote.

        Raises:
            ValueError: the length does not fit the size that stands in front.
        """
        size = int.from_bytes(data[:SIZE_BYTES], "big")
        length = SIZE_BYTES + HASH_BYTES * size.bit_count()
        if len(data) < SIZE_BYTES or len(data) != length:
            raise ValueError(f"frontier: expected {length} bytes, found {len(data)}")
        nodes = (data[at : at + HASH_BYTES] for at in range(SIZE_BYTES, length, HASH_BYTES))
        return cls(size, tuple(nodes))


def root_of(leaves: Iterable[bytes]) -> bytes:
    """Root hash of the tree over these leaf hashes, 32 bytes; reads them once, in blocks."""
    frontier = Frontier()
    source = iter(leaves)
    while block := list(islice(source, 2**BLOCK_LEVEL)):
        frontier = frontier.extend(block)
    return frontier.root()


def roots_at(leaves: Iterable[bytes], sizes: Iterable[int]) -> dict[int, bytes]:
    """
    Root hash at each of these sizes, in one pass: checks all kept checkpoints at once.

    Args:
        leaves: leaf hashes in order; read no further than the largest size.
        sizes: numbers of leaves, in any order.

    Returns:
        Size → root; a size beyond the end of `leaves` is missing.
    """
    frontier = Frontier()
    source = iter(leaves)
    roots: dict[int, bytes] = {}
    for size in sorted(set(sizes)):
        while frontier.size < size:
            block = list(islice(source, min(2**BLOCK_LEVEL, size - frontier.size)))
            if not block:
                return roots
            frontier = frontier.extend(block)
        roots[size] = frontier.root()
    return roots


def inclusion_proof(
    leaves: LeafHashes, index: int, size: int, stored: StoredNodes | None = None
) -> tuple[bytes, ...]:
    """
    Hashes that lead from leaf number `index` to the root of the first `size` leaves.

    Args:
        leaves: leaf hashes of the log, or a function (start, stop) that reads them.
        index: number of the leaf, counted from 0.
        size: number of leaves of the tree, more than index.
        stored: hashes of perfect subtrees known already; without it every leaf is read.

    Returns:
        Subtree roots from the leaf upward, at most ceil(log2(size)) of 32 bytes.

    Raises:
        ValueError: index is not within the tree, or `leaves` has fewer than `size`.

    Source: RFC 9162, section 2.1.3.1.
    """
    if not 0 <= index < size:
        raise ValueError(f"inclusion proof: leaf {index} is not within a tree of {size} leaves")
    start, stop = 0, size
    path: list[bytes] = []
    while stop - start > 1:
        middle = start + _split(stop - start)
        if index < middle:
            path.append(_range_hash(leaves, middle, stop, stored))
            stop = middle
        else:
            path.append(_range_hash(leaves, start, middle, stored))
            start = middle
    return tuple(reversed(path))


def verify_inclusion(
    leaf: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes
) -> bool:
    """
    True if the proof leads from this leaf hash at this index to this root.

    Source: RFC 9162, section 2.1.3.2.
    """
    if not 0 <= index < size:
        return False
    number, last, node = index, size - 1, leaf
    for sibling in proof:
        if last == 0:
            return False
        if number & 1 or number == last:
            node = node_hash(sibling, node)
            while not number & 1 and number:
                number >>= 1
                last >>= 1
        else:
            node = node_hash(node, sibling)
        number >>= 1
        last >>= 1
    return last == 0 and node == root


def consistency_proof(
    leaves: LeafHashes, old_size: int, size: int, stored: StoredNodes | None = None
) -> tuple[bytes, ...]:
    """
    Hashes which show that the tree of `size` leaves begins with the tree of `old_size` leaves.

    Args:
        leaves: leaf hashes of the log, or a function (start, stop) that reads them.
        old_size: size of the earlier tree; 0 and `size` itself need no proof: empty.
        size: size of the later tree.
        stored: hashes of perfect subtrees known already; without it every leaf is read.

    Returns:
        Subtree roots, at most ceil(log2(size)) + 1 of 32 bytes.

    Raises:
        ValueError: old_size is more than size, or `leaves` has fewer than `size`.

    Source: RFC 9162, section 2.1.4.1.
    """
    if not 0 <= old_size <= size:
        raise ValueError(
            f"consistency proof: a tree of {size} leaves cannot begin with {old_size} leaves"
        )
    if old_size in {0, size}:
        return ()
    start, stop = 0, size
    old_is_whole = True  # the old tree, as far as we descended, is one that its root already shows
    path: list[bytes] = []
    while stop != old_size:
        middle = start + _split(stop - start)
        if old_size <= middle:
            path.append(_range_hash(leaves, middle, stop, stored))
            stop = middle
        else:
            path.append(_range_hash(leaves, start, middle, stored))
            start = middle
            old_is_whole = False
    if not old_is_whole:
        path.append(_range_hash(leaves, start, stop, stored))
    return tuple(reversed(path))


def verify_consistency(
    old_size: int, old_root: bytes, size: int, root: bytes, proof: Sequence[bytes]
) -> bool:
    """
    True if the proof shows that the tree with `root` begins with the tree with `old_root`.

    Source: RFC 9162, section 2.1.4.2; the empty tree is the beginning of every tree.
    """
    if not 0 <= old_size <= size:
        return False
    if old_size == 0:
        return not proof and old_root == EMPTY_ROOT and (size > 0 or root == EMPTY_ROOT)
    if old_size == size:
        return not proof and old_root == root
    path = list(proof)
    if old_size & (old_size - 1) == 0:
        path.insert(0, old_root)
    if not path:
        return False
    number, last = old_size - 1, size - 1
    while number & 1:
        number >>= 1
        last >>= 1
    old_node = node = path[0]
    for sibling in path[1:]:
        if last == 0:
            return False
        if number & 1 or number == last:
            old_node = node_hash(sibling, old_node)
            node = node_hash(sibling, node)
            while not number & 1 and number:
                number >>= 1
                last >>= 1
        else:
            node = node_hash(node, sibling)
        number >>= 1
        last >>= 1
    return last == 0 and old_node == old_root and node == root


def _split(size: int) -> int:
    """The largest power of two below size (size > 1): where a tree splits."""
    return 1 << (size - 1).bit_length() - 1


def _fold(nodes: Sequence[bytes]) -> bytes:
    """Root over perfect subtrees that stand side by side, largest first."""
    if not nodes:
        return EMPTY_ROOT
    root = nodes[-1]
    for node in reversed(nodes[:-1]):
        root = node_hash(node, root)
    return root


def _range_hash(leaves: LeafHashes, start: int, stop: int, stored: StoredNodes | None) -> bytes:
    """Root over the leaves from start to stop, where start is a place at which a tree splits."""
    nodes: list[bytes] = []
    at = start
    while at < stop:
        level = (stop - at).bit_length() - 1
        nodes.append(_perfect(leaves, level, at >> level, stored))
        at += 1 << level
    return _fold(nodes)


def _perfect(leaves: LeafHashes, level: int, number: int, stored: StoredNodes | None) -> bytes:
    """Root of one perfect subtree: the stored one, or worked out from blocks of leaves."""
    known = stored(level, number) if stored else None
    if known is not None:
        return known
    if level > BLOCK_LEVEL:
        left = _perfect(leaves, level - 1, 2 * number, stored)
        return node_hash(left, _perfect(leaves, level - 1, 2 * number + 1, stored))
    start, stop = number << level, number + 1 << level
    block = list(leaves(start, stop) if callable(leaves) else leaves[start:stop])
    if len(block) != stop - start:
        raise ValueError(
            f"proof: leaves {start} to {stop - 1} asked for, {len(block)} of them found"
        )
    return Frontier().extend(block).root()
