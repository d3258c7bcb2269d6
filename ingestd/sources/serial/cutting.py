"""The bytes of one opening of a line become pieces, each with the time of its last byte.

The framer of `parsers` says what is a frame. Around it stand the things that only a line knows:
when which byte came, how long it has been silent, and which bytes the line itself reported as
damaged. Nothing here opens, reads or waits: bytes and times come in as arguments.
"""

from collections import deque
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from ingestd.sources.serial.marks import Received
from parsers.forms import FrameRules
from parsers.framer import Damaged, Frame, Framer

SETTLED_S: Final = 1.0
"""A line silent for so long after opening was not opened in the middle of a message.

Common practice, no source: instruments send a message in one go.
"""

_MOST_TIMES: Final = 4096  # chunks whose time is remembered; older bytes get the oldest of these


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Bytes that belong together.

    Attributes:
        kind: "frame"; "damaged", where the instrument meant to say something; "outside".
        seen_at, seen_s: when the last byte was received: UTC, and seconds of a monotonic clock.
        fault: why it is no frame.
    """

    data: bytes
    kind: Literal["frame", "damaged", "outside"]
    seen_at: datetime
    seen_s: float
    fault: str = ""


class LineCutter:
    """Cuts what is received from the moment a port was opened.

    Args:
        rules: the form's frame section.
        opened_s: monotonic time of opening.
        unfinished_s: silence after which an unfinished frame is given up, where the rules state
            none of their own. A message resumed after it would be made of two.
    """

    def __init__(self, rules: FrameRules, *, opened_s: float, unfinished_s: float) -> None:
        self._rules = rules
        self._framer = Framer(rules, mid_stream=True)
        self._silence_s = unfinished_s if rules.idle_end_ms is None else rules.idle_end_ms / 1000
        self._quiet_at: float | None = opened_s + min(self._silence_s, SETTLED_S)
        self._received = 0
        self._times: deque[tuple[int, datetime, float]] = deque(maxlen=_MOST_TIMES)
        self._bad: deque[int] = deque()

    @property
    def pending(self) -> int:
        """Bytes of which it is not yet known what they are."""
        return self._received - self._framer.offset

    @property
    def is_amid_frame(self) -> bool:
        """A frame has begun to arrive."""
        return self._rules.start in self._framer.pending if self.pending else False

    def wait_s(self, now_s: float) -> float | None:
        """Seconds until `quiet` may have something to say, None for never."""
        return None if self._quiet_at is None else max(self._quiet_at - now_s, 0.0)

    def receive(self, received: Received, seen_at: datetime, now_s: float) -> list[Piece]:
        """The pieces that these bytes complete."""
        self._bad.extend(self._received + index for index in received.bad)
        self._received += len(received.data)
        self._times.append((self._received, seen_at, now_s))
        self._quiet_at = now_s + self._silence_s
        self._framer.receive(received.data)
        return self._pieces()

    def quiet(self, now_s: float) -> list[Piece]:
        """The pieces that silence completes; call it only when a read has found nothing.

        Bytes that came in time but were read late thus never count as late.
        """
        if self._quiet_at is None or now_s < self._quiet_at:
            return []
        return self.end()

    def end(self) -> list[Piece]:
        """All that is left: nothing more will belong to it."""
        self._quiet_at = None
        self._framer.end_of_silence()
        return self._pieces()

    def _pieces(self) -> list[Piece]:
        pieces = []
        while (answer := self._framer.next_frame()) is not None:
            pieces.append(self._piece(answer))
        return pieces

    def _piece(self, answer: Frame | Damaged) -> Piece:
        end = answer.offset + len(answer.data)
        while self._times[0][0] < end:
            self._times.popleft()
        _, seen_at, seen_s = self._times[0]
        bad = 0
        while self._bad and self._bad[0] < end:
            self._bad.popleft()
            bad += 1
        kind: Literal["frame", "damaged", "outside"] = "frame"
        fault = f"the line reported {bad} byte{'s' * (bad > 1)} with wrong parity or framing"
        if isinstance(answer, Damaged):
            kind = "damaged" if answer.began_as_frame else "outside"
            fault = f"expected {answer.expected}, found {answer.found!r}"
        elif bad:
            kind = "damaged"
        else:
            fault = ""
        return Piece(data=answer.data, kind=kind, seen_at=seen_at, seen_s=seen_s, fault=fault)
