"""Pieces with the time of their last byte; silence and marked bytes are given their due."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from ingestd.sources.serial.cutting import SETTLED_S, LineCutter, Piece
from ingestd.sources.serial.marks import Received
from parsers.forms import ChecksumRules, Form, FrameRules
from tests.ingestd.sources.lines import changed, shipped

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


def rules(form: Form) -> FrameRules:
    assert form.frame is not None
    return form.frame


# "31C3" is the published check value of CRC-16/XMODEM over "123456789" (CRC RevEng catalogue);
# the shipped form covers ETX, too, so here it does not.
SUMMED = rules(
    changed(
        shipped("checked_line"),
        checksum=ChecksumRules(name="CRC-16/XMODEM", place="after_end"),
    )
)
PLAIN = rules(shipped("plain_line"))
GOOD = b"\x02123456789\x0331C3\r"


def feed(cutter: LineCutter, data: bytes, at_s: float, bad: tuple[int, ...] = ()) -> list[Piece]:
    return cutter.receive(Received(data, bad), NOON + timedelta(seconds=at_s), at_s)


def cut_checked() -> LineCutter:
    return LineCutter(SUMMED, opened_s=0.0, unfinished_s=10.0)


def cut_plain() -> LineCutter:
    return LineCutter(PLAIN, opened_s=0.0, unfinished_s=10.0)


def test_piece_bears_the_time_of_its_last_byte() -> None:
    cutter = cut_checked()
    assert feed(cutter, b"xx", 1.0) == []
    pieces = feed(cutter, GOOD[:5], 2.0)
    assert [(piece.kind, piece.data, piece.seen_s) for piece in pieces] == [
        ("outside", b"xx", 1.0)
    ]
    assert feed(cutter, GOOD[5:-1], 3.0) == []
    assert cutter.is_amid_frame
    pieces = feed(cutter, GOOD[-1:] + b"y", 4.0)
    assert [(p.kind, p.data, p.seen_s) for p in pieces] == [("frame", GOOD, 4.0)]
    assert pieces[0].seen_at == NOON + timedelta(seconds=4)
    assert (cutter.pending, cutter.is_amid_frame) == (1, False)


def test_time_of_a_silent_end_is_that_of_the_last_byte() -> None:
    cutter = cut_checked()
    feed(cutter, GOOD[:-1], 5.0)
    assert cutter.quiet(5.4) == []
    assert cutter.wait_s(5.4) is not None
    pieces = cutter.quiet(5.5)  # the form ends a frame after 500 ms of silence
    assert [(piece.kind, piece.seen_s) for piece in pieces] == [("frame", 5.0)]
    assert cutter.wait_s(6.0) is None
    assert cutter.quiet(60.0) == []


def test_byte_that_the_line_reported_spoils_its_frame_and_no_other() -> None:
    cutter = cut_checked()
    pieces = feed(cutter, GOOD + GOOD + GOOD, 1.0, bad=(len(GOOD) + 3,))
    assert [piece.kind for piece in pieces] == ["frame", "damaged", "frame"]
    assert pieces[1].fault == "the line reported 1 byte with wrong parity or framing"
    assert pieces[1].data == GOOD


def test_reported_byte_of_an_earlier_chunk_counts() -> None:
    cutter = cut_checked()
    feed(cutter, GOOD[:4], 1.0, bad=(1, 3))
    pieces = feed(cutter, GOOD[4:], 1.1)
    assert [piece.kind for piece in pieces] == ["damaged"]
    assert "2 bytes" in pieces[0].fault
    assert [piece.kind for piece in feed(cutter, GOOD, 1.2)] == ["frame"]


def test_line_that_was_under_way_on_opening_is_not_read() -> None:
    cutter = cut_plain()
    pieces = feed(cutter, b";12.5;mg/L;3\r\n1;2\r\n", 0.1)
    assert [(piece.kind, piece.data) for piece in pieces] == [
        ("damaged", b";12.5;mg/L;3\r\n"),
        ("frame", b"1;2\r\n"),
    ]


def test_line_after_a_pause_on_opening_is_read() -> None:
    cutter = cut_plain()
    assert cutter.wait_s(0.0) == SETTLED_S
    assert cutter.quiet(SETTLED_S) == []
    assert [piece.kind for piece in feed(cutter, b"1;2\r\n", 2.0)] == ["frame"]


def test_half_a_line_never_becomes_one_with_the_next_days() -> None:
    cutter = cut_plain()
    cutter.quiet(SETTLED_S)
    feed(cutter, b"1;12", 2.0)
    assert cutter.quiet(11.9) == []
    assert [(p.kind, p.data) for p in cutter.quiet(12.0)] == [("damaged", b"1;12")]
    assert [p.kind for p in feed(cutter, b"5;1\r\n", 90_000.0)] == ["frame"]


def test_bytes_read_late_are_not_silent() -> None:
    # The thread was kept away for a second; what had come in time is read first.
    cutter = cut_checked()
    feed(cutter, GOOD[:8], 1.0)
    assert [piece.kind for piece in feed(cutter, GOOD[8:], 2.0)] == ["frame"]


def test_end_of_the_opening_leaves_nothing() -> None:
    cutter = cut_checked()
    feed(cutter, GOOD + GOOD[:6], 1.0)
    assert [(piece.kind, piece.data) for piece in cutter.end()] == [("damaged", GOOD[:6])]
    assert cutter.pending == 0


@given(
    parts=st.lists(st.sampled_from([GOOD, GOOD[:7], b"\x02", b"\x03", b"31C3", b"\xff", b"\r"])),
    cuts=st.lists(st.integers(0, 200)),
    bad=st.sets(st.integers(0, 150)),
)
def test_every_byte_ends_in_one_piece_however_it_came(
    parts: list[bytes], cuts: list[int], bad: set[int]
) -> None:
    stream = b"".join(parts)
    edges = [0, *sorted(cut for cut in cuts if cut < len(stream)), len(stream)]
    cutter, pieces = cut_checked(), []
    for number, (start, end) in enumerate(pairwise(edges)):
        here = tuple(sorted(at - start for at in bad if start <= at < end))
        pieces += feed(cutter, stream[start:end], number / 1000, here)
        assert sum(len(piece.data) for piece in pieces) + cutter.pending == end
    pieces += cutter.end()
    assert b"".join(piece.data for piece in pieces) == stream
    at = 0
    for piece in pieces:
        last = at + len(piece.data) - 1
        chunk = next(n for n, (_, end) in enumerate(pairwise(edges)) if last < end)
        assert piece.seen_s == chunk / 1000
        if piece.kind == "frame":
            assert not bad & set(range(at, last + 1))
        at = last + 1
