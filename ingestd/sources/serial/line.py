"""A serial line listened to for years: every byte received is handed over, none is lost.

Two threads a line. The reading one owns the port: it opens, reads, notes the time, cuts, and
does nothing that could keep it from reading in time. The other hands over and answers, see
`line_handover`. When the port is lost the reading thread tries again, less and less often, for
ever; it follows the port's path anew each time, so an adapter that comes back under another
number is found by its link.
"""

import random
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final, Literal

from ingestd import events
from ingestd.errors import Refused
from ingestd.sources.folder.settings import Log
from ingestd.sources.serial.cutting import LineCutter, Piece
from ingestd.sources.serial.handover import Handover
from ingestd.sources.serial.marks import Received
from ingestd.sources.serial.port import Port, open_port
from ingestd.sources.serial.port_faults import PortLost, PortRefused
from ingestd.sources.serial.settings import LineArrival, LineSettings, LineStatus

FIRST_PAUSE_S: Final = 0.25
LONGEST_PAUSE_S: Final = 30.0
STEADY_S: Final = 1.0  # a port that stays open for so long, or gives a byte, is back


class LineSource:
    """Listens to one line.

    Args:
        settings: what to listen to and how.
        deliver: takes an arrival over. True: it is durable and, where it is a frame, was
            understood; False: durable, but it could not be read. It may block. If it raises,
            nothing is answered and the same arrival is handed over again, later and later.
        log: a structlog logger, already bound to the source.
        clock: present time in UTC.
        jitter: chance from 0 to 1, so that many lines do not try again in step.

    Raises:
        ValueError: the form is not of shape frame.
    """

    def __init__(
        self,
        settings: LineSettings,
        deliver: Callable[[LineArrival], bool],
        log: Log,
        *,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        jitter: Callable[[], float] = random.random,
    ) -> None:
        if settings.form.frame is None:
            raise ValueError(f"form {settings.form.name} is of shape {settings.form.shape}")
        self._settings = settings
        self._rules = settings.form.frame
        self._log = log
        self._clock = clock
        self._jitter = jitter
        self._handover = Handover(settings, self._rules, deliver, self._send, log, jitter=jitter)
        self._thread = threading.Thread(
            target=self._run, name=f"line {settings.name}", daemon=True
        )
        self._stopping = threading.Event()
        # Whoever writes holds the lock, and so does the reading thread while it closes the port.
        self._port_lock = threading.Lock()
        self._port: Port | None = None
        self._opening = ""
        # Of the reading thread alone; `status` reads single values.
        self._state: Literal["ok", "lost", "refused"] = "lost"
        self._detail = "not opened yet"
        self._device = ""
        self._failures = 0
        self._said: Literal["", "open", "lost", "refused"] = ""  # by the log, last
        self._is_quiet = False
        self._is_full = False
        self._opened = 0
        self._last_byte_at: datetime | None = None
        self._received = 0
        self._pending = 0

    # --- for other threads -----------------------------------------------------------------------

    def start(self) -> None:
        """Begin to listen."""
        self._handover.start()
        self._thread.start()

    def stop(self) -> None:
        """Ask both threads to end, once what has been received is handed over."""
        self._stopping.set()

    def join(self, timeout: float | None = None) -> None:
        """Wait for both threads to end, at most `timeout` seconds."""
        begun = time.monotonic()
        self._thread.join(timeout)
        spent = time.monotonic() - begun
        self._handover.join(None if timeout is None else max(timeout - spent, 0.0))

    def poll_now(self) -> None:
        """Ask the instrument for a reading as soon as it is not talking.

        Raises:
            Refused: the form declares no request.
        """
        if not self._rules.poll:
            raise Refused(
                self._settings.name,
                f"form {self._settings.form.name} declares no request (frame.poll)",
                "start the reading at the instrument",
            )
        self._handover.poll_now()

    def status(self) -> LineStatus:
        """How it is doing, without waiting for a thread."""
        counts = self._handover.counts
        sizes = counts.bytes_by_kind
        return LineStatus(
            name=self._settings.name,
            port=self._settings.port,
            state=self._state,
            detail=self._detail or self._handover.trouble,
            device=self._device,
            is_quiet=self._is_quiet,
            opened=self._opened,
            last_byte_at=self._last_byte_at,
            last_frame_at=counts.last_frame_at,
            frames=counts.frames,
            damaged=counts.damaged,
            again=counts.again,
            bytes_received=self._received,
            bytes_in_frames=sizes["frame"],
            bytes_damaged=sizes["damaged"],
            bytes_outside=sizes["outside"],
            bytes_waiting=self._pending + self._handover.bytes_waiting,
            answers=counts.answers,
            refusals=counts.refusals,
            is_alive=self._thread.is_alive() and self._handover.is_alive(),
        )

    def _send(self, opening: str, data: bytes) -> bool:
        """Send bytes in answer to something of that opening; the reading thread sees losses."""
        with self._port_lock:
            if self._port is None or opening != self._opening:
                return False
            try:
                return self._port.write(data)
            except PortLost:
                return False

    # --- the reading thread ----------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._listen()
            except (PortLost, PortRefused) as error:
                self._lose(error)
            except Exception as error:  # noqa: BLE001 - the line goes on being listened to
                self._log.warning(events.LINE_BROKEN, port=self._settings.port, reason=repr(error))
                self._lose(PortLost(self._settings.port, repr(error), "tell who maintains this"))
        self._handover.finish()

    def _listen(self) -> None:
        """Open the port and read until it is lost, renewed, or the line is stopped."""
        port = open_port(self._settings)
        opened_s = time.monotonic()
        opening = f"{self._clock():%Y%m%dT%H%M%S.%fZ}"
        with self._port_lock:
            self._port, self._opening = port, opening
        self._device = port.device
        self._opened += 1
        self._state, self._detail = "ok", ""
        cutter = LineCutter(
            self._rules, opened_s=opened_s, unfinished_s=self._settings.unfinished_s
        )
        self._handover.open(opening)
        try:
            self._read(port, cutter, opening, opened_s)
        finally:
            self._handover.close()
            with self._port_lock:
                self._port, self._opening, self._device = None, "", ""
                rest = port.close()
            if rest:
                self._take(Received(rest), cutter, opening)
            self._put(opening, cutter, cutter.end())

    def _read(self, port: Port, cutter: LineCutter, opening: str, opened_s: float) -> None:
        quiet_s = self._settings.quiet_alarm_s
        heard_s = opened_s
        while not self._stopping.is_set():
            if not self._handover.wait_for_room(self._settings.read_timeout_s):
                self._note_full()
                continue
            now_s = time.monotonic()
            wait = cutter.wait_s(now_s)
            timeout = self._settings.read_timeout_s
            received = port.read(timeout if wait is None else min(wait, timeout))
            if received.data:
                heard_s = self._take(received, cutter, opening)
                self._is_quiet = False
            else:
                now_s = time.monotonic()
                if pieces := cutter.quiet(now_s):
                    self._put(opening, cutter, pieces)
            if received.data or time.monotonic() - opened_s >= STEADY_S:
                self._return(port)
            if quiet_s is not None and time.monotonic() - heard_s >= quiet_s:
                self._note_quiet(quiet_s)
                heard_s = time.monotonic()
                if self._settings.is_network:
                    return

    def _take(self, received: Received, cutter: LineCutter, opening: str) -> float:
        """Take received bytes over; returns the monotonic time."""
        now_s, now = time.monotonic(), self._clock()
        self._received += len(received.data)
        self._last_byte_at = now
        self._put(opening, cutter, cutter.receive(received, now, now_s), now_s)
        return now_s

    def _put(
        self, opening: str, cutter: LineCutter, pieces: list[Piece], heard_s: float = 0.0
    ) -> None:
        self._pending = cutter.pending
        self._handover.put(opening, pieces, amid_frame=cutter.is_amid_frame, heard_s=heard_s)

    def _return(self, port: Port) -> None:
        """The port has proved to be back, if it was away."""
        self._failures = 0
        if self._is_full:
            self._is_full, self._detail = False, ""
        if self._said != "open":
            self._said = "open"
            self._log.info(events.LINE_OPENED, port=self._settings.port, device=port.device)

    def _lose(self, error: PortLost | PortRefused) -> None:
        """Say once that the line is away, and wait before the next attempt."""
        self._detail = f"{error}; it is tried again until it works"
        is_refused = isinstance(error, PortRefused)
        # A device that is just being plugged in may refuse for a moment, until it has its owner.
        is_lasting = self._state == "refused" or not self._said
        self._state = "refused" if is_refused else "lost"
        if is_refused and self._said != "refused" and is_lasting:
            self._say(events.LINE_REFUSED, "refused", error)
        elif not is_refused and self._said in ("", "open"):
            self._say(events.LINE_LOST, "lost", error)
        pause = min(FIRST_PAUSE_S * 2.0**self._failures, LONGEST_PAUSE_S)
        self._failures += pause < LONGEST_PAUSE_S
        self._stopping.wait(pause * (1 + self._jitter()) / 2)

    def _say(
        self, event: str, said: Literal["lost", "refused"], error: PortLost | PortRefused
    ) -> None:
        self._said = said
        self._log.warning(event, port=self._settings.port, reason=error.problem, remedy=error.hint)

    def _note_quiet(self, quiet_s: float) -> None:
        if not self._is_quiet:
            self._is_quiet = True
            self._log.warning(events.LINE_QUIET, port=self._settings.port, quiet_s=quiet_s)

    def _note_full(self) -> None:
        if not self._is_full:
            self._is_full = True
            self._detail = (
                f"{self._settings.backlog_bytes} bytes wait for the ledger; reading has stopped "
                "until it takes them"
            )
            self._log.warning(
                events.LINE_BACKLOG_FILLED,
                port=self._settings.port,
                bytes=self._handover.bytes_waiting,
            )
