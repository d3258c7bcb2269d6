"""The kernel's marks of damaged bytes, by the words of termios(3)."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.sources.serial.marks import MarkReader, Received

# termios(3) of Linux, PARMRK: a byte with parity or framing errors is read as \377 \0 and the
# byte; a valid byte \377 as \377 \377; BREAK (PARMRK set) as \377 \0 \0.
MARKED = {
    "nothing_marked": (b"12.5\r\n", b"12.5\r\n", ()),
    "bad_byte": (b"12\xff\x00.5", b"12.5", (2,)),
    "break": (b"1\xff\x00\x002", b"1\x002", (1,)),
    "plain_ff": (b"\xff\xff", b"\xff", ()),
    "bad_ff": (b"\xff\x00\xff", b"\xff", (0,)),
    "ff_then_nul": (b"\xff\xff\x00", b"\xff\x00", ()),
    "two_bad": (b"\xff\x00A\xff\x00B", b"AB", (0, 1)),
}


@pytest.mark.parametrize("case", MARKED)
def test_marks_are_taken_out_and_told(case: str) -> None:
    marked, data, bad = MARKED[case]
    assert MarkReader().read(marked) == Received(data, bad)


def test_plain_ff_from_before_marking_is_kept() -> None:
    assert MarkReader().read(b"1\xff2\xff\xff3") == Received(b"1\xff2\xff3")


def test_mark_cut_in_two_waits_for_its_rest() -> None:
    reader = MarkReader()
    assert reader.read(b"1\xff") == Received(b"1")
    assert reader.read(b"\x00") == Received(b"")
    assert reader.read(b"2\xff") == Received(b"2", (0,))
    assert reader.read(b"\xff3") == Received(b"\xff3")


@given(
    line=st.lists(st.tuples(st.sampled_from([0, 1, 0x41, 0xFE, 0xFF]), st.booleans())),
    cuts=st.lists(st.integers(0, 60)),
)
def test_bytes_come_back_however_the_marked_stream_is_cut(
    line: list[tuple[int, bool]], cuts: list[int]
) -> None:
    marked = b"".join(
        bytes([0xFF, 0, byte]) if is_bad else b"\xff\xff" if byte == 0xFF else bytes([byte])
        for byte, is_bad in line
    )
    edges = [0, *sorted(cut for cut in cuts if cut < len(marked)), len(marked)]
    reader, data, bad = MarkReader(), b"", []
    for start, end in pairwise(edges):
        received = reader.read(marked[start:end])
        bad += [len(data) + index for index in received.bad]
        data += received.data
    assert data == bytes(byte for byte, _ in line)
    assert bad == [index for index, (_, is_bad) in enumerate(line) if is_bad]
