"""What a line has received and nobody has made durable yet, in the order it goes out.

A frame goes out alone and at once. Pieces between frames go out together. On a line that gives
nothing but noise they are collected for some seconds, so that it fills neither memory nor
ledger, and every byte of it is still kept. Nothing here waits or locks: `Handover` guards it.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ingestd.sources.serial.cutting import Piece
from ingestd.sources.serial.settings import LineArrival

PIECE_BYTES: Final = 500  # memory of a piece beside its data
JUNK_RUN: Final = 20  # pieces in a row without a frame are noise
JUNK_S: Final = 5.0  # how long noise is collected
JUNK_BYTES: Final = 65_536  # most of it in one arrival
FAULTS: Final = 3  # of an arrival of many pieces, so many are told


@dataclass(frozen=True, slots=True)
class Waiting:
    """A piece with its place.

    Attributes:
        opening: the opening of the line that it belongs to.
        number: counted from there.
        asking: pieces, to this one, that an instrument may want an answer for.
        again: it may be the repetition of the frame before it.
        repeats_within_s: see `LineArrival`.
    """

    piece: Piece
    opening: str
    number: int
    asking: int
    again: bool
    repeats_within_s: float | None = None


class Backlog:
    """The pieces that wait.

    Args:
        limit_bytes: memory that they may fill.
        repeats_within_s: so long after a frame the same bytes may be its repetition; None where
            frames are not acknowledged, since then nothing is ever repeated.
    """

    def __init__(self, *, limit_bytes: int, repeats_within_s: float | None) -> None:
        self.asking = 0
        self.bytes = 0  # waiting and in the hands of whoever took them
        self.is_ended = False
        self._limit = limit_bytes
        self._repeats_within_s = repeats_within_s
        self._memory = 0
        self._pieces: deque[Waiting] = deque()
        self._queued_bytes = self._queued_frames = 0
        self._number = 0
        self._opening = ""
        self._before: Piece | None = None  # the last frame
        self._junk_run = 0
        self._junk_s = -JUNK_S

    def __bool__(self) -> bool:
        return bool(self._pieces)

    @property
    def has_room(self) -> bool:
        """Whether more may be put."""
        return self._memory < self._limit

    @property
    def is_noisy(self) -> bool:
        """So many pieces went out without a frame among them that none may be expected."""
        return self._junk_run > JUNK_RUN

    def put(self, opening: str, pieces: Sequence[Piece]) -> None:
        """Add what has been received."""
        if opening != self._opening:
            self._opening, self._number = opening, 0
        for piece in pieces:
            self._number += 1
            self.asking += piece.kind != "outside"
            again = piece.kind == "frame" and self._is_again(piece)
            is_first = piece.kind == "frame" and self._before is None
            within_s = self._repeats_within_s if is_first else None
            self._pieces.append(
                Waiting(piece, opening, self._number, self.asking, again, within_s)
            )
            if piece.kind == "frame":
                self._before = piece
                self._queued_frames += 1
            self._queued_bytes += len(piece.data)
            self.bytes += len(piece.data)
            self._memory += len(piece.data) + PIECE_BYTES

    def _is_again(self, piece: Piece) -> bool:
        """The same bytes as the frame before, soon after it.

        A different frame in between would mean that the acknowledgement had arrived. The line
        may have been lost and come back in between: that is how acknowledgements get lost.
        """
        before, within_s = self._before, self._repeats_within_s
        return (
            within_s is not None
            and before is not None
            and before.data == piece.data
            and piece.seen_s - before.seen_s <= within_s
        )

    def wait_s(self, now_s: float) -> float | None:
        """Seconds until there is something to take, None while there is nothing."""
        if not self._pieces:
            return None
        is_collecting = self._junk_run >= JUNK_RUN and not self.is_ended
        if not is_collecting or self._queued_frames or self._queued_bytes >= JUNK_BYTES:
            return 0.0
        return max(self._junk_s + JUNK_S - now_s, 0.0)

    def take(self, now_s: float) -> list[Waiting]:
        """The next frame, or the pieces in front of it; nothing while noise is collected."""
        wait = self.wait_s(now_s)
        if wait is None or wait > 0:
            return []
        batch = [self._pieces.popleft()]
        size = len(batch[0].piece.data)
        while batch[0].piece.kind != "frame" and self._pieces:
            following = self._pieces[0]
            size += len(following.piece.data)
            if (
                following.piece.kind == "frame"
                or following.opening != batch[0].opening
                or size > JUNK_BYTES
            ):
                break
            batch.append(self._pieces.popleft())
        if batch[0].piece.kind == "frame":
            self._queued_frames -= 1
            self._junk_run = 0
        else:
            self._junk_run += len(batch)
            self._junk_s = now_s
        self._queued_bytes -= sum(len(item.piece.data) for item in batch)
        return batch

    def settle(self, batch: Sequence[Waiting]) -> None:
        """Forget a batch that was taken: it is durable, or given up."""
        size = sum(len(item.piece.data) for item in batch)
        self.bytes -= size
        self._memory -= size + PIECE_BYTES * len(batch)


def as_arrival(source: str, batch: Sequence[Waiting]) -> LineArrival:
    """The arrival that a batch makes."""
    last = batch[-1]
    faults = dict.fromkeys(item.piece.fault for item in batch if item.piece.fault)
    return LineArrival(
        source=source,
        name=f"{last.opening}-{last.number}",
        data=b"".join(item.piece.data for item in batch),
        seen_at=last.piece.seen_at,
        is_frame=last.piece.kind == "frame",
        damaged=any(item.piece.kind == "damaged" for item in batch),
        again=last.again,
        repeats_within_s=last.repeats_within_s,
        fault="; ".join(list(faults)[:FAULTS]),
    )
