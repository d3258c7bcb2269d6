"""What waits to be handed over: frames alone and at once, noise collected, repeats known."""

from datetime import UTC, datetime
from typing import Literal

from ingestd.sources.serial.backlog import (
    JUNK_BYTES,
    JUNK_RUN,
    JUNK_S,
    PIECE_BYTES,
    Backlog,
    as_arrival,
)
from ingestd.sources.serial.cutting import Piece

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


def piece(
    data: bytes, kind: Literal["frame", "damaged", "outside"] = "frame", at_s: float = 0.0
) -> Piece:
    fault = "" if kind == "frame" else f"no frame: {data!r}"
    return Piece(data=data, kind=kind, seen_at=NOON, seen_s=at_s, fault=fault)


def backlog(within_s: float | None = 15.0) -> Backlog:
    return Backlog(limit_bytes=10_000, repeats_within_s=within_s)


def take_all(waiting: Backlog, now_s: float = 0.0) -> list[tuple[bytes, bool]]:
    taken = []
    while batch := waiting.take(now_s):
        arrival = as_arrival("line", batch)
        taken.append((arrival.data, arrival.again))
        waiting.settle(batch)
    return taken


def test_frames_go_alone_and_what_lies_between_goes_together() -> None:
    waiting = backlog()
    waiting.put(
        "A",
        [
            piece(b"1"),
            piece(b"x", "outside"),
            piece(b"y", "damaged"),
            piece(b"z", "outside"),
            piece(b"2"),
        ],
    )
    first, between, second = waiting.take(0.0), waiting.take(0.0), waiting.take(0.0)
    assert as_arrival("line", first).name == "A-1"
    arrival = as_arrival("line", between)
    assert (arrival.data, arrival.is_frame, arrival.damaged) == (b"xyz", False, True)
    assert (arrival.name, arrival.seen_at) == ("A-4", NOON)
    assert arrival.fault == "no frame: b'x'; no frame: b'y'; no frame: b'z'"
    assert as_arrival("line", second).data == b"2"
    assert waiting.take(0.0) == []


def test_openings_are_never_joined_and_count_anew() -> None:
    waiting = backlog()
    waiting.put("A", [piece(b"x", "outside")])
    waiting.put("B", [piece(b"y", "outside")])
    names = [as_arrival("line", waiting.take(0.0)).name for _ in range(2)]
    assert names == ["A-1", "B-1"]


def test_same_bytes_soon_after_may_be_a_repetition() -> None:
    waiting = backlog()
    waiting.put("A", [piece(b"1", at_s=0.0), piece(b"1", at_s=15.0), piece(b"1", at_s=30.1)])
    assert take_all(waiting) == [(b"1", False), (b"1", True), (b"1", False)]


def test_other_frame_in_between_proves_that_the_first_was_acknowledged() -> None:
    waiting = backlog()
    waiting.put("A", [piece(b"1"), piece(b"2"), piece(b"1")])
    assert take_all(waiting) == [(b"1", False), (b"2", False), (b"1", False)]


def test_damage_in_between_proves_nothing() -> None:
    waiting = backlog()
    waiting.put("A", [piece(b"1"), piece(b"?", "damaged"), piece(b"1")])
    assert take_all(waiting) == [(b"1", False), (b"?", False), (b"1", True)]


def test_repetition_over_a_lost_line_is_known() -> None:
    waiting = backlog()
    waiting.put("A", [piece(b"1", at_s=0.0)])
    waiting.put("B", [piece(b"1", at_s=4.0)])
    assert take_all(waiting) == [(b"1", False), (b"1", True)]


def test_without_acknowledgement_nothing_is_a_repetition() -> None:
    waiting = backlog(None)
    waiting.put("A", [piece(b"1"), piece(b"1")])
    assert take_all(waiting) == [(b"1", False), (b"1", False)]


def test_only_the_first_frame_may_repeat_what_was_before_the_start() -> None:
    for within_s in (7.0, None):
        waiting = backlog(within_s)
        waiting.put("A", [piece(b"x", "outside"), piece(b"1"), piece(b"2")])
        waiting.put("B", [piece(b"3")])
        told = [as_arrival("line", waiting.take(0.0)).repeats_within_s for _ in range(4)]
        assert told == [None, within_s, None, None]


def test_noise_is_collected_and_a_frame_ends_the_wait() -> None:
    waiting = backlog()
    for number in range(JUNK_RUN):
        waiting.put("A", [piece(b"n", "outside")])
        assert waiting.take(float(number)) != []
    waiting.put("A", [piece(b"n", "outside")])
    now = float(JUNK_RUN - 1)
    assert (waiting.take(now + 1), waiting.wait_s(now + 1)) == ([], JUNK_S - 1)
    waiting.put("A", [piece(b"m", "damaged")])
    assert as_arrival("line", waiting.take(now + JUNK_S)).data == b"nm"
    assert waiting.is_noisy
    waiting.put("A", [piece(b"n", "outside"), piece(b"1")])
    assert take_all(waiting, now + JUNK_S) == [(b"n", False), (b"1", False)]
    assert not waiting.is_noisy


def test_much_noise_goes_at_once_in_parts_of_limited_size() -> None:
    waiting = Backlog(limit_bytes=10**9, repeats_within_s=None)
    waiting.put("A", [piece(b"n" * 1000, "outside") for _ in range(200)])
    sizes = []
    while batch := waiting.take(0.0):
        sizes.append(len(as_arrival("line", batch).data))
    assert max(sizes) <= JUNK_BYTES
    assert len(sizes) <= 5
    assert 200_000 - sum(sizes) < JUNK_BYTES
    waiting.is_ended = True
    assert sum(sizes) + sum(len(p.piece.data) for p in waiting.take(0.0)) == 200_000


def test_room_is_memory_not_bytes_and_comes_back_when_settled() -> None:
    waiting = backlog()
    while waiting.has_room:
        waiting.put("A", [piece(b"1", "outside")])
    assert waiting.bytes == -(-10_000 // (PIECE_BYTES + 1))
    batch = waiting.take(0.0)
    assert not waiting.has_room
    waiting.settle(batch)
    assert (waiting.has_room, waiting.bytes) == (True, 0)
