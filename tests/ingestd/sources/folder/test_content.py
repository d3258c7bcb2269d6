"""Identity of contents and proof of continuation, against published and computed hashes."""

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.sources.folder.content import MOST_PIECES, Reader, hash_by_chunks

# SHA-256 examples published by NIST with FIPS 180 (one block; a million times "a").
PUBLISHED = [
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
]


@contextmanager
def reading(path: Path) -> Iterator[int]:
    fd = os.open(path, os.O_RDONLY)
    try:
        yield fd
    finally:
        os.close(fd)


def mark(data: bytes) -> tuple[int, bytes]:
    return len(data), hashlib.sha256(data).digest()


@pytest.mark.parametrize(("data", "published"), PUBLISHED)
def test_identity_is_the_published_hash(tmp_path: Path, data: bytes, published: str) -> None:
    path = tmp_path / "a"
    path.write_bytes(data)
    with reading(path) as fd:
        look = Reader(room=0).read(fd, b"a", frozenset())
        assert look is not None
        assert look.digest.hex() == published
        assert hash_by_chunks(fd, stopped=lambda: False) == (len(data), published)


# Versions of one file, each made from the one before: (bytes cut off its end, byte changed at,
# bytes appended), so that continuations, rewritten beginnings and truncations all occur.
STEPS = st.lists(
    st.tuples(
        st.integers(min_value=0, max_value=30),
        st.none() | st.integers(min_value=0, max_value=60),
        st.binary(max_size=40),
    ),
    min_size=1,
    max_size=8,
)


@settings(max_examples=150, deadline=None)
@given(STEPS, st.sampled_from([0, 60, 10_000]), st.booleans())
def test_kept_bytes_or_not_the_answers_are_those_of_plain_hashing(
    tmp_path_factory: pytest.TempPathFactory,
    steps: list[tuple[int, int | None, bytes]],
    room: int,
    keeps: bool,  # noqa: FBT001 - drawn by hypothesis
) -> None:
    path = tmp_path_factory.getbasetemp() / "versions"
    reader = Reader(room=room, keep_from=1)
    data = b"Nr;Value\n"
    versions: list[bytes] = []
    for cut, at, more in steps:
        data = data[: len(data) - cut] if cut else data
        if at is not None and at < len(data):
            data = data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]
        data += more
        path.write_bytes(data)
        marks = frozenset(mark(version) for version in versions[-3:])
        with reading(path) as fd:
            look = reader.read(fd, b"a", marks)
        assert look is not None
        assert look.mark == mark(data)
        assert b"".join(look.kept.pieces) == data
        assert look.prefixes == {one for one in marks if mark(data[: one[0]]) == one}
        if keeps:
            reader.keep(b"a", look.kept)
        versions.append(data)


def test_rows_appended_for_long_stay_few_pieces(tmp_path: Path) -> None:
    path = tmp_path / "a"
    reader = Reader(room=10_000, keep_from=1)
    for row in range(3 * MOST_PIECES):
        with path.open("ab") as file:
            file.write(b"%d\n" % row)
        with reading(path) as fd:
            look = reader.read(fd, b"a", frozenset())
        assert look is not None
        assert len(look.kept.pieces) <= MOST_PIECES
        reader.keep(b"a", look.kept)
    with reading(path) as fd:
        again = reader.read(fd, b"a", frozenset())
    assert again is not None
    assert again.mark == mark(path.read_bytes())


def test_little_room_keeps_the_latest_files_only(tmp_path: Path) -> None:
    reader = Reader(room=25, keep_from=1)
    for name in (b"a", b"b", b"c"):
        path = tmp_path / os.fsdecode(name)
        path.write_bytes(b"0123456789")
        with reading(path) as fd:
            look = reader.read(fd, name, frozenset())
        assert look is not None
        reader.keep(name, look.kept)
    assert list(reader._kept) == [b"b", b"c"]


def test_file_that_holds_more_than_it_says_is_taken_for_changing() -> None:
    # The system states a size of 0 for its own tables, as for a file that grew since it was asked.
    with reading(Path("/proc/self/status")) as fd:
        assert Reader(room=0).read(fd, b"a", frozenset()) is None


def test_hashing_a_huge_file_ends_when_told(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"x" * 10)
    with reading(path) as fd:
        assert hash_by_chunks(fd, stopped=lambda: True) is None
