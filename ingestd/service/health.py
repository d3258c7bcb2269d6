"""How a running service is: for the watchdog, the service manager, /health and /metrics."""

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from ingestd import events
from ingestd.config import Config
from ingestd.errors import ConfigError, IngestError
from ingestd.ledger.source_states import SourceState
from ingestd.ledger.store import Ledger
from ingestd.service.source_set import SourceSet
from ingestd.service.status import Standing, standing
from ingestd.service.writer import Writer

if TYPE_CHECKING:
    from ingestd.service.health_endpoint import MonitoringDoor
    from ingestd.service.metrics import ServiceFigures

STANDING_S = 2.0  # asking often must not weigh on the service


class Health(NamedTuple):
    """How the service is.

    Attributes:
        live: writer and sources make progress; if not, it is to be restarted.
        ready: what arrives is taken in.
        reasons: everything that needs a hand, also where it is ready; a sentence each.
    """

    live: bool
    ready: bool
    reasons: tuple[str, ...]


class ServiceHealth:
    """Signs of life of one service.

    Args:
        config: the one in force; changed by a reload.
        writer, sources: of the service.
        clock: the present instant, UTC.
        log: a structlog logger.
        stuck_s: a writer that ends no job for so long is stuck.

    Attributes:
        is_ready: started, and not stopping.
        is_full: the ledger's disk had no room for the last arrival.
        refused: why the last reload was refused, "" if it was not.
        unsigned: why the last checkpoint could not be written, "" if it could.
        unclean: when the service before this one was last heard of, if it ended unasked.
        failure: what ends the service.
    """

    def __init__(
        self,
        config: Config,
        writer: Writer,
        sources: SourceSet,
        *,
        clock: Callable[[], datetime],
        log: Any,
        stuck_s: float,
    ) -> None:
        self.config = config
        self._figures: ServiceFigures | None = None  # counted where somebody may ask for them
        self.is_ready = False
        self.is_full = False
        self.refused = ""
        self.unsigned = ""
        self.unclean = ""
        self.failure: BaseException | None = None
        self._writer = writer
        self._sources = sources
        self._clock = clock
        self._log = log
        self._stuck_s = stuck_s
        self._is_stuck = False
        self._door: MonitoringDoor | None = None
        self._counting = threading.Lock()
        self._counted: tuple[float, Standing] | None = None

    def count_capture(self, source: str, readings: int, faults: int) -> None:
        """One reading of a capture has ended."""
        if self._figures is not None:
            self._figures.count_capture(source, readings, faults)

    def observe_arrival(self, kind: str, seconds: float) -> None:
        """An arrival of a folder or line was committed, so long after it was seen."""
        if self._figures is not None:
            self._figures.observe_arrival(kind, seconds)

    def count_reload(self, *, is_taken: bool) -> None:
        """The configuration was read again."""
        if self._figures is not None:
            self._figures.count_reload(is_taken=is_taken)

    @property
    def port(self) -> int | None:
        """Where /health and /metrics are served."""
        return None if self._door is None else self._door.port

    def is_making_progress(self, within_s: float | None = None) -> bool:
        """Whether the writer has ended a job within so many seconds, or has none to do.

        Folders that hang on a share do not count: nothing is mended by killing the service.
        """
        within_s = self._stuck_s if within_s is None else within_s
        return self._writer.is_alive and self._writer.busy_s < within_s

    def note_stuck_writer(self) -> None:
        """Say once that the writer is stuck, and once that it goes on."""
        is_stuck = not self.is_making_progress()
        if is_stuck and not self._is_stuck:
            self._log.error(
                events.WRITER_STUCK,
                busy_s=round(self._writer.busy_s, 1),
                waiting=self._writer.waiting,
            )
        elif self._is_stuck and not is_stuck:
            self._log.info(events.WRITER_WENT_ON)
        self._is_stuck = is_stuck

    def states(self) -> list[SourceState]:
        """How the sources are doing."""
        return self._sources.states(writer_busy_s=self._writer.busy_s)

    def describe(self) -> str:
        """One line for the service manager."""
        folders, lines = len(self._sources.folders), len(self._sources.lines)
        down = [one.name for one in self.states() if one.state != "ok"]
        return "; ".join(
            [
                f"watching {folders} folders and {lines} lines",
                *([f"not as they should be: {', '.join(down)}"] if down else []),
                *self._own_reasons(),
            ]
        )

    def health(self) -> Health:
        """How the service is, for whoever watches it."""
        is_live = self.failure is None and (not self.is_ready or self.is_making_progress())
        reasons = self._own_reasons()
        if self.is_ready and is_live:
            try:
                now = self._standing()
            except IngestError as error:
                reasons.append(str(error))
            else:
                # What its sources are is known here at first hand.
                troubles = tuple((one.name, one.state, one.detail) for one in self.states())
                reasons += replace(now, sources=troubles, silent_since="").reasons()
        is_ready = is_live and self.is_ready and not self.is_full
        return Health(live=is_live, ready=is_ready, reasons=tuple(reasons))

    def metrics(self) -> bytes:
        """Every figure, in the Prometheus text format.

        Raises:
            IngestError: the ledger cannot be read.
        """
        from ingestd.service.metrics import render_metrics  # noqa: PLC0415 - as in open_door

        if self._figures is not None:
            self._figures.set_writer(self._writer.waiting, self._writer.busy_s)
            for line in self._sources.lines:
                status = line.status()
                self._figures.set_line(status.name, status.bytes_waiting)
        return render_metrics(self._standing(), self._figures)

    def open_door(self) -> None:
        """Serve both where the configuration says.

        Raises:
            ConfigError: the address is taken.
        """
        if self.config.service.metrics:
            # Figures and HTTP cost megabytes, which a service that nobody asks does not need.
            from ingestd.service.health_endpoint import MonitoringDoor  # noqa: PLC0415 - as said
            from ingestd.service.metrics import ServiceFigures  # noqa: PLC0415 - as said

            self._figures = self._figures or ServiceFigures()
            self._door = MonitoringDoor(
                self.config.service.metrics, health=self.health, metrics=self.metrics
            )
            self._door.start()
            self._log.info(events.METRICS_SERVED, port=self._door.port)

    def shut_door(self) -> None:
        """Serve no more."""
        if self._door is not None:
            self._door.stop()
            self._door = None

    def move_door(self, config: Config) -> None:
        """Serve where another configuration says.

        Raises:
            ConfigError: the address is taken; it is served where it was.
        """
        if config.service.metrics == self.config.service.metrics:
            return
        old, self.config = self.config, config
        self.shut_door()
        try:
            self.open_door()
        except ConfigError:
            self.config = old
            self.open_door()
            raise

    def matters(self) -> list[tuple[str, str]]:
        """What needs a hand in the service itself: a key that stays the same, and a sentence."""
        found = []
        if self.unclean:
            found.append((f"unclean:{self.unclean}", self._unclean_words()))
        if self.is_ready and not self.is_making_progress():
            found.append(("stuck", f"the writer has ended no job for {self._writer.busy_s:.0f} s"))
        if self.is_full:
            words = "no room on the ledger's disk: intake waits, files stay where they are"
            found.append(("full", words))
        if self.refused:
            words = f"the configuration was refused, the old one holds: {self.refused}"
            found.append(("refused", words))
        if self.unsigned:
            found.append(("unsigned", f"no checkpoint could be written: {self.unsigned}"))
        return found

    def _unclean_words(self) -> str:
        return f"the service ended unasked after {self.unclean} UTC and was started again"

    def _own_reasons(self) -> list[str]:
        starting = [] if self.is_ready else ["the service is starting or stopping"]
        return [
            *starting,
            *(text for key, text in self.matters() if not key.startswith("unclean")),
        ]

    def _standing(self) -> Standing:
        """What stands and waits, counted anew at most every STANDING_S seconds."""
        tick = time.monotonic()
        with self._counting:
            if self._counted is None or tick - self._counted[0] > STANDING_S:
                ledger = Ledger.open_readonly(self.config.ledger.path)
                try:
                    now = standing(ledger.conn, self.config, now=self._clock())
                finally:
                    ledger.close()
                self._counted = (tick, now)
            return self._counted[1]
