"""Pieces of a line are handed over one after the other, and the instrument gets its answer.

A thread of its own, so that a slow commit never keeps the reading thread from reading. Nothing
is answered before it is durable. And an answer is only sent while the instrument can still be
waiting for it: if something newer has arrived since, or has begun to, the instrument would take
an acknowledgement of the old message for one of the new, which may be damaged. It then repeats,
and the repetition is answered.
"""

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from ingestd import events
from ingestd.sources.folder.settings import Log
from ingestd.sources.serial.backlog import Backlog, Waiting, as_arrival
from ingestd.sources.serial.cutting import Piece
from ingestd.sources.serial.settings import LineArrival, LineSettings
from parsers.forms import FrameRules

REFUSALS: Final = 3  # of the same unreadable frame; then it is kept as it is and acknowledged
REFUSAL_QUIET_S: Final = 0.05  # the sender may still be sending the rest of a damaged frame
FIRST_PAUSE_S: Final = 0.1
LONGEST_PAUSE_S: Final = 5.0
DRAIN_S: Final = 5.0  # on stopping: longest wait for what has been received to be taken


@dataclass(slots=True)
class HandoverCounts:
    """What has been handed over and answered; see `LineStatus`."""

    frames: int = 0
    damaged: int = 0
    again: int = 0
    answers: int = 0
    refusals: int = 0
    bytes_by_kind: dict[str, int] = field(
        default_factory=lambda: {"frame": 0, "damaged": 0, "outside": 0}
    )
    last_frame_at: datetime | None = None


class Handover:
    """Hands pieces over, answers, and asks where the form says so.

    Args:
        settings, rules: of the line, and the frame section of its form.
        deliver: see `LineSource`.
        send: sends bytes if this opening of the line is still open; False if they did not go.
        log: bound to the source.
        jitter: chance from 0 to 1, so that many lines do not try again in step.
    """

    def __init__(
        self,
        settings: LineSettings,
        rules: FrameRules,
        deliver: Callable[[LineArrival], bool],
        send: Callable[[str, bytes], bool],
        log: Log,
        *,
        jitter: Callable[[], float],
    ) -> None:
        self.counts = HandoverCounts()
        self.trouble = ""
        self._settings = settings
        self._rules = rules
        self._deliver = deliver
        self._send = send
        self._log = log
        self._jitter = jitter
        self._thread = threading.Thread(
            target=self._run, name=f"handover {settings.name}", daemon=True
        )
        # Shared with the reading thread, guarded by the condition.
        self._something = threading.Condition()
        self._backlog = Backlog(
            limit_bytes=settings.backlog_bytes,
            repeats_within_s=settings.retransmit_window_s if rules.acknowledge else None,
        )
        self._opening = ""
        self._amid_frame = False
        self._heard_s = 0.0
        self._ended_s: float | None = None
        self._poll_asked = False
        self._poll_due: float | None = None
        # Of this thread alone.
        self._owed: tuple[Waiting, bytes] | None = None
        self._refused = b""
        self._refusals = 0

    # --- for the reading thread ------------------------------------------------------------------

    def start(self) -> None:
        """Begin handing over."""
        self._thread.start()

    def open(self, opening: str) -> None:
        """A new opening of the line begins; what is owed to the one before is forgotten."""
        with self._something:
            self._opening, self._amid_frame = opening, False
            self._poll_due = None if self._rules.poll_every_ms is None else time.monotonic()
            self._something.notify_all()

    def close(self) -> None:
        """The line is not open any more: nothing can be sent."""
        with self._something:
            self._opening, self._poll_due = "", None

    def put(
        self, opening: str, pieces: Sequence[Piece], *, amid_frame: bool, heard_s: float
    ) -> None:
        """Take pieces over; `amid_frame`: behind them another frame has begun to arrive."""
        with self._something:
            self._amid_frame, self._heard_s = amid_frame, heard_s
            self._backlog.put(opening, pieces)
            self._something.notify_all()

    def wait_for_room(self, timeout_s: float) -> bool:
        """Whether there is room for more, after at most `timeout_s`."""
        with self._something:
            return self._something.wait_for(lambda: self._backlog.has_room, timeout_s)

    @property
    def bytes_waiting(self) -> int:
        """Bytes taken over and not yet durable."""
        return self._backlog.bytes

    def poll_now(self) -> None:
        """Ask the instrument as soon as it is not talking."""
        with self._something:
            self._poll_asked = True
            self._something.notify_all()

    def finish(self) -> None:
        """Nothing more will be put; hand over what there is, then end."""
        with self._something:
            self._ended_s = time.monotonic()
            self._backlog.is_ended = True
            self._something.notify_all()

    def join(self, timeout: float | None = None) -> None:
        """Wait for the end, at most `timeout` seconds."""
        self._thread.join(timeout)

    def is_alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    # --- the thread ------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            batch = self._next()
            if batch:
                self._hand_over(batch)
            elif self._is_done():
                return
            self._answer()
            self._ask()

    def _is_done(self) -> bool:
        with self._something:
            return self._ended_s is not None and not self._backlog

    def _next(self) -> list[Waiting]:
        """The next batch, or nothing when something else is to be done."""
        with self._something:
            while (wait := self._wait_s()) is None or wait > 0:
                self._something.wait(wait)
            return self._backlog.take(time.monotonic())

    def _wait_s(self) -> float | None:
        """Seconds until there is something to do; None: until something happens."""
        now = time.monotonic()
        waits = [self._backlog.wait_s(now), self._owed_wait_s(now)]
        if self._ended_s is not None:
            waits.append(0.0)
        if self._may_ask():
            waits.append(0.0 if self._poll_asked else None)
            waits.append(None if self._poll_due is None else self._poll_due - now)
        return min((wait for wait in waits if wait is not None), default=None)

    def _hand_over(self, batch: list[Waiting]) -> None:
        """Hand one arrival over, again and again until it is taken."""
        arrival = as_arrival(self._settings.name, batch)
        understood = self._persist(arrival)
        if understood is not None:
            self._count(batch)
            if arrival.is_frame or (arrival.damaged and not self._backlog.is_noisy):
                answer = self._judge(arrival, understood=understood)
                self._owed = (batch[-1], answer) if answer else None
        with self._something:
            self._backlog.settle(batch)
            self._something.notify_all()

    def _persist(self, arrival: LineArrival) -> bool | None:
        """Whether it was understood; None if it could not be handed over before the end."""
        pause = FIRST_PAUSE_S
        while True:
            try:
                understood = self._deliver(arrival)
            except Exception as error:  # noqa: BLE001 - whatever it is, the bytes are kept
                if not self.trouble:
                    port = self._settings.port
                    self._log.warning(events.LINE_LEDGER_WAITED, port=port, reason=str(error))
                self.trouble = f"the ledger does not take what was received: {error}"
            else:
                if self.trouble:
                    self.trouble = ""
                    self._log.info(events.LINE_LEDGER_TOOK, port=self._settings.port)
                return understood
            with self._something:
                ended_s = self._ended_s
                if ended_s is None:
                    self._something.wait_for(
                        lambda: self._ended_s is not None, pause * (1 + self._jitter()) / 2
                    )
                elif time.monotonic() - ended_s < DRAIN_S:
                    self._something.wait(FIRST_PAUSE_S)
                else:
                    self._log.warning(
                        events.LINE_BYTES_ABANDONED,
                        port=self._settings.port,
                        bytes=len(arrival.data),
                        reason=self.trouble,
                    )
                    return None
            pause = min(pause * 2, LONGEST_PAUSE_S)

    def _count(self, batch: Sequence[Waiting]) -> None:
        counts = self.counts
        for item in batch:
            counts.bytes_by_kind[item.piece.kind] += len(item.piece.data)
            counts.damaged += item.piece.kind == "damaged"
            counts.again += item.again
            if item.piece.kind == "frame":
                counts.frames += 1
                counts.last_frame_at = item.piece.seen_at

    # --- answers and questions -------------------------------------------------------------------

    def _judge(self, arrival: LineArrival, *, understood: bool) -> bytes:
        """The answer to something that is durable, b"" for none."""
        if arrival.is_frame and understood:
            self._refusals = 0
            return self._rules.acknowledge
        if not arrival.is_frame or not self._rules.refuse:
            return self._rules.refuse
        # Whole, kept, and not to be read with this form. A repetition would help only if it was
        # damaged in a way that no check could show; so ask a few times, then let it go on.
        self._refusals = self._refusals + 1 if arrival.data == self._refused else 1
        self._refused = arrival.data
        if self._refusals <= REFUSALS:
            return self._rules.refuse
        self._log.warning(events.LINE_REFUSALS_ENDED, port=self._settings.port, refusals=REFUSALS)
        return self._rules.acknowledge

    def _is_wanted(self, item: Waiting) -> bool:
        """Whether the instrument can still be waiting for an answer to this."""
        return item.asking == self._backlog.asking and item.opening == self._opening

    def _owed_wait_s(self, now_s: float) -> float | None:
        """Seconds until what is owed may be sent or dropped; None while a frame is arriving."""
        if self._owed is None:
            return None
        item, answer = self._owed
        if not self._is_wanted(item):
            return 0.0
        if self._amid_frame:
            return None
        if answer != self._rules.refuse:
            return 0.0
        return max(self._heard_s + REFUSAL_QUIET_S - now_s, 0.0)

    def _answer(self) -> None:
        """Send what is owed, if the instrument can still be waiting for it."""
        with self._something:
            if self._owed is None or self._owed_wait_s(time.monotonic()) != 0:
                return
            item, answer = self._owed
            is_wanted = self._is_wanted(item)
        self._owed = None
        if is_wanted and self._send(item.opening, answer):
            self.counts.answers += 1
            self.counts.refusals += answer == self._rules.refuse

    def _may_ask(self) -> bool:
        """Whether the line is open and nobody is talking."""
        is_silent = not self._amid_frame and not self._backlog and self._owed is None
        return bool(self._rules.poll and self._opening) and is_silent

    def _ask(self) -> None:
        """Send the form's request where it is due."""
        now = time.monotonic()
        with self._something:
            is_due = self._poll_due is not None and now >= self._poll_due
            if not (self._may_ask() and (is_due or self._poll_asked)):
                return
            self._poll_asked = False
            if self._rules.poll_every_ms is not None:
                self._poll_due = now + self._rules.poll_every_ms / 1000
            opening = self._opening
        self._send(opening, self._rules.poll)
