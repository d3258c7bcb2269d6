"""The content of an open file at one look, with its identity and what it continues.

Identity is the SHA-256 of the whole content. A file that grows by a row at a time would cost a
hash of everything for each row, so the bytes and the hash state of the latest version of growing
files are kept while there is room: the file is compared with the kept bytes (a memory comparison,
several times quicker than hashing) and only what follows is hashed. Without kept bytes the prefix
is proved by hashing, in the same single pass. Both ways give the same answers.
"""

import hashlib
import mmap
import os
from collections import OrderedDict
from dataclasses import dataclass
from typing import Protocol, Self

from ingestd.sources.folder.filesystem import Stamp, stamp_of

CHUNK = 256 * 1024
# Below this hashing is quicker than everything around it; nothing is kept.
KEPT_FROM = 64 * 1024
# One join of everything for so many appended rows keeps the pieces few.
MOST_PIECES = 64

Mark = tuple[int, bytes]  # size and SHA-256 digest of a version seen before


class Hasher(Protocol):
    """A running hash."""

    def update(self, data: bytes | memoryview, /) -> None:
        """Take in more bytes."""

    def digest(self) -> bytes:
        """The hash of what was taken in."""

    def copy(self) -> Self:
        """A hash that goes on from here by itself."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A version's bytes with the hash state after them."""

    pieces: tuple[bytes, ...]
    size: int
    hasher: Hasher

    def grown_by(self, tail: bytes) -> "Kept":
        """The version that follows this one by `tail`."""
        hasher = self.hasher.copy()
        hasher.update(tail)
        pieces = (*self.pieces, tail) if tail else self.pieces
        if len(pieces) > MOST_PIECES:
            pieces = (b"".join(pieces),)
        return Kept(pieces, self.size + len(tail), hasher)


@dataclass(frozen=True, slots=True)
class Look:
    """A file as one read found it.

    Attributes:
        stamp: the same before and after reading.
        kept: its bytes and hash state.
        prefixes: those of the marks asked for with which this content begins.
    """

    stamp: Stamp
    kept: Kept
    digest: bytes
    prefixes: frozenset[Mark]

    @property
    def mark(self) -> Mark:
        """Size and digest, by which this version is known again."""
        return (self.kept.size, self.digest)


class Reader:
    """Reads open files; one for each source thread, as it reuses its buffer.

    Args:
        room: bytes of growing files kept at most.
        keep_from: smaller files are not kept.
    """

    def __init__(self, *, room: int, keep_from: int = KEPT_FROM) -> None:
        self._room = room
        self._keep_from = keep_from
        self._kept: OrderedDict[bytes, Kept] = OrderedDict()
        # On a page boundary: measured on one processor, the system copied a file eight times
        # slower to an address 16 bytes behind one, where ordinary buffers of this size lie.
        self._buffer = memoryview(mmap.mmap(-1, CHUNK))

    def read(self, fd: int, name: bytes, marks: frozenset[Mark]) -> Look | None:
        """The content of the open regular file, or None if it changed while it was read.

        Args:
            fd: open for reading.
            name: the key under which an earlier version may be kept.
            marks: versions of which to say whether this content begins with them.

        Raises:
            OSError: it cannot be read.
        """
        before = os.fstat(fd)
        earlier = self._kept.get(name)
        if earlier is not None and self._begins_with(fd, earlier):
            kept = earlier.grown_by(_rest(fd, earlier.size, before.st_size))
            digest = kept.hasher.digest()
            # Everything kept was a look before, and marks are only ever taken from looks: one of
            # the kept size is the kept version; any other is proved by hashing that far.
            prefixes = _known_prefixes(earlier, kept, digest, marks)
        else:
            data = _rest(fd, 0, before.st_size)
            kept, prefixes = _hashed(data, marks)
            digest = kept.hasher.digest()
        stamp = stamp_of(os.fstat(fd))
        if stamp != stamp_of(before) or kept.size != before.st_size:
            return None
        return Look(stamp, kept, digest, prefixes)

    def keep(self, name: bytes, kept: Kept) -> None:
        """Remember a growing file's version; the longest unused go when room runs short."""
        self.drop(name)
        if not self._keep_from <= kept.size <= self._room:
            return
        self._kept[name] = kept
        while sum(one.size for one in self._kept.values()) > self._room:
            self._kept.popitem(last=False)

    def drop(self, name: bytes) -> None:
        """Forget what is kept of a file."""
        self._kept.pop(name, None)

    def _begins_with(self, fd: int, earlier: Kept) -> bool:
        offset = 0
        for piece in earlier.pieces:
            start = 0
            while start < len(piece):
                wanted = min(len(piece) - start, CHUNK)
                got = os.preadv(fd, [self._buffer[:wanted]], offset)
                if got == 0 or not piece.startswith(self._buffer[:got], start):
                    return False
                start += got
                offset += got
        return True


def hash_by_chunks(fd: int, *, stopped: "Stopped") -> tuple[int, str] | None:
    """Size and SHA-256 of a file of any size; None if it changed meanwhile or `stopped()`."""
    before = stamp_of(os.fstat(fd))
    hasher = hashlib.sha256()
    size = 0
    while chunk := os.pread(fd, 4 * CHUNK, size):
        hasher.update(chunk)
        size += len(chunk)
        if stopped():
            return None
    return (size, hasher.hexdigest()) if stamp_of(os.fstat(fd)) == before else None


class Stopped(Protocol):
    """Asked now and then during long work."""

    def __call__(self) -> bool:
        """Whether to give up."""


def _rest(fd: int, start: int, size: int) -> bytes:
    """Everything from `start` to the end, or to a little beyond `size` if it grows meanwhile."""
    pieces = []
    offset = start
    # One byte more than expected: growth shows at once, and memory stays bounded.
    while piece := os.pread(fd, max(size + 1 - offset, 0), offset):
        pieces.append(piece)
        offset += len(piece)
    return pieces[0] if len(pieces) == 1 else b"".join(pieces)


def _hashed(data: bytes, marks: frozenset[Mark]) -> tuple[Kept, frozenset[Mark]]:
    """The content hashed once, with the marks whose size and digest its beginning has."""
    hasher = hashlib.sha256()
    view = memoryview(data)
    at = 0
    prefixes = set()
    for mark in sorted(marks):
        size, digest = mark
        if size > len(data):
            break
        hasher.update(view[at:size])
        at = size
        if hasher.digest() == digest:
            prefixes.add(mark)
    hasher.update(view[at:])
    return Kept((data,) if data else (), len(data), hasher), frozenset(prefixes)


def _known_prefixes(
    earlier: Kept, kept: Kept, digest: bytes, marks: frozenset[Mark]
) -> frozenset[Mark]:
    quick = {(earlier.size, earlier.hasher.digest()), (kept.size, digest)}
    found = marks & quick
    if other := {mark for mark in marks - quick if mark[0] not in (earlier.size, kept.size)}:
        found |= _hashed(b"".join(kept.pieces), frozenset(other))[1]
    return found
