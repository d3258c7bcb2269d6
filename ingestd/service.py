"""The long-running service: sources feed the one writer; faults are acted on here.

Start: ledger opened and checked, forms in force, captures left from before read, then the
sources. Stop: sources first, then the writer finishes what it was asked, then a checkpoint.
"""

import contextlib
import fcntl
import gc
import os
import signal
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ingestd import events
from ingestd.checkpointing import write_checkpoint
from ingestd.config import Config
from ingestd.config import LineSource as LineConfig
from ingestd.errors import ConfigError, IngestError, LedgerMismatch, StoreFull
from ingestd.ledger.checkpoints import CheckpointError
from ingestd.ledger.source_states import SourceState, keep_source_states
from ingestd.ledger.store import Ledger
from ingestd.notify import notify, watchdog_interval_s
from ingestd.pipeline import SERVICE, Pipeline
from ingestd.planning import PLAN_SOURCE, take_forms
from ingestd.sources.arrivals import Arrival
from ingestd.sources.folder import FolderSource
from ingestd.sources.folder_settings import FolderSettings, FolderStatus
from ingestd.sources.line_settings import LineArrival, LineSettings, LineStatus
from ingestd.sources.serial_line import LineSource
from ingestd.steps import step
from ingestd.writer import Writer
from parsers import Form

CHECKPOINT_S = 600.0
SAY_S = 30.0  # how old what the ledger says of the sources may be while nothing changes
TURN_S = 0.5  # how often the supervisor looks around
PLAN_IGNORES = ("~$*", ".*", "*.tmp", "*.part", "*~", "*.md")


def utc_now() -> datetime:
    """The present instant, UTC."""
    return datetime.now(UTC)


def calm_collector() -> None:
    """Look for cyclic garbage seldom: a slice of readings makes many values and no cycles.

    Measured on bulk reading: a third of the time went into looking at the default thresholds.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


class Service:
    """One running service.

    Args:
        config: absolute paths.
        log: a structlog logger.
        clock: the present instant, UTC.
    """

    def __init__(
        self, config: Config, *, log: Any, clock: Callable[[], datetime] = utc_now
    ) -> None:
        self.config = config
        self.log = log
        self.clock = clock
        self.folders: list[FolderSource] = []
        self.lines: list[LineSource] = []
        self.writer = Writer(self._open_pipeline, self._fail)
        self._stop = threading.Event()
        self._failure: BaseException | None = None
        self._lock_fd: int | None = None
        self._is_full = False
        self._said: list[tuple[str, str, str]] = []
        self._say_again = 0.0

    # --- life ---------------------------------------------------------------------------------

    def run(self) -> None:
        """Start, work until asked to stop, stop cleanly.

        Raises:
            IngestError: what stopped it, where it did not stop by request.
        """
        self.start()
        try:
            self.supervise()
        finally:
            self.stop()
        if self._failure is not None:
            raise self._failure

    def start(self) -> None:
        """Ledger, forms, captures left from before, then the sources.

        Raises:
            IngestError: the ledger cannot be opened, or another service holds it.
        """
        self._take_lock()
        calm_collector()
        self.writer.start()
        left = self.writer.ask(lambda pipeline: pipeline.resume())
        self._checkpoint()  # makes the signing key at the first start
        self.folders = [self._folder(settings) for settings in self._folder_settings()]
        forms = self.writer.ask(lambda pipeline: pipeline.forms())
        self.lines = [self._line(line, forms) for line in self.config.lines]
        for source in self._sources():
            source.start()
        self.log.info(
            events.SERVICE_STARTED,
            site=self.config.site.name,
            ledger=str(self.config.ledger.path),
            sources=len(self.config.source),
            resumed=left,
        )
        notify(
            "READY=1",
            f"STATUS=watching {len(self.folders)} folders and {len(self.lines)} lines",
        )

    def supervise(self) -> None:
        """Wait for the end; ping the watchdog while writer and sources make progress."""
        ping_s = watchdog_interval_s()
        next_ping = time.monotonic()
        next_checkpoint = time.monotonic() + CHECKPOINT_S
        while not self._stop.wait(TURN_S if ping_s is None else min(TURN_S, ping_s)):
            now = time.monotonic()
            if ping_s is not None and now >= next_ping and self._is_healthy():
                notify("WATCHDOG=1")
                next_ping = now + ping_s
            self._say_source_states()
            if now >= next_checkpoint:
                self._checkpoint()
                next_checkpoint = now + CHECKPOINT_S

    def ask_stop(self, *_: object) -> None:
        """End `supervise`; safe to call from a signal handler or any thread."""
        self._stop.set()

    def stop(self) -> None:
        """Stop the sources, let the writer finish, write a checkpoint."""
        notify("STOPPING=1")
        for source in self._sources():
            source.stop()
        for source in self._sources():
            source.join()
        step("sources_stopped")
        if self.writer.is_alive:
            if self._failure is None:
                self._say_source_states(stopped=True)
                self._checkpoint()
            self.writer.stop()
        step("writer_stopped")
        self.log.info(events.SERVICE_STOPPED, clean=self._failure is None)
        if self._lock_fd is not None:
            os.close(self._lock_fd)
            self._lock_fd = None

    def handle_signals(self) -> None:
        """Stop on SIGTERM and SIGINT."""
        signal.signal(signal.SIGTERM, self.ask_stop)
        signal.signal(signal.SIGINT, self.ask_stop)

    # --- parts --------------------------------------------------------------------------------

    def _open_pipeline(self) -> Pipeline:
        path = self.config.ledger.path
        path.parent.mkdir(parents=True, exist_ok=True)
        ledger = Ledger.open(path, site=self.config.site.name, at=self.clock())
        step("ledger_opened")
        if self.config.ledger.integrity_check == "quick":
            answer = ledger.conn.execute("PRAGMA quick_check(1)").fetchone()[0]
            if answer != "ok":
                raise LedgerMismatch(str(path), f"SQLite finds it damaged: {answer}", "restore it")
        take_forms(ledger, self.config, at=self.clock(), by=SERVICE)
        step("forms_taken")
        return Pipeline(ledger, self.config, clock=self.clock, log=self.log)

    def _take_lock(self) -> None:
        path = Path(f"{self.config.ledger.path}.service")
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(descriptor)
            raise ConfigError(
                str(self.config.ledger.path),
                "another ingestd service works on this ledger",
                "stop it first, or name another [ledger] path",
            ) from error
        self._lock_fd = descriptor

    def _folder_settings(self) -> list[FolderSettings]:
        found = [
            FolderSettings(
                name=source.name,
                path=source.path,
                patterns=source.patterns,
                ignore=source.ignore,
                recursive=source.recursive,
                settle_s=source.settle_s,
                scan_s=source.scan_s,
                backend=source.backend,
                limit_bytes=source.limit_mib * 2**20,
            )
            for source in self.config.folders
        ]
        plan = self.config.plan.folder
        if plan is not None:
            found.append(
                FolderSettings(
                    name=PLAN_SOURCE,
                    path=plan,
                    patterns=("*.csv", "*.xlsx", "*.toml"),
                    ignore=PLAN_IGNORES,
                    settle_s=0.5,
                )
            )
        return found

    def _folder(self, settings: FolderSettings) -> FolderSource:
        return FolderSource(
            settings, deliver=self._deliver, log=self.log.bind(source=settings.name)
        )

    def _sources(self) -> list[FolderSource | LineSource]:
        return [*self.folders, *self.lines]

    def _line(self, line: LineConfig, forms: Mapping[str, Form]) -> LineSource:
        if line.form not in forms:
            raise ConfigError(
                f"source {line.name}", f"there is no form {line.form!r}", "see `ingestd check`"
            )
        if forms[line.form].frame is None:
            raise ConfigError(
                f"source {line.name}",
                f"form {line.form!r} is of shape {forms[line.form].shape}",
                "a serial line needs a form of shape frame",
            )
        settings = LineSettings(
            name=line.name,
            port=line.port,
            form=forms[line.form],
            baud=line.baud,
            bits=line.bits,
            parity=line.parity,
            stop_bits=line.stop_bits,
            flow=line.flow,
            exclusive=line.exclusive,
            quiet_alarm_s=line.quiet_alarm_s,
            retransmit_window_s=line.retransmit_window_s,
        )
        return LineSource(settings, self._deliver_line, self.log.bind(source=line.name))

    def _deliver(self, arrival: Arrival) -> bool:
        return self._ask_writer(lambda pipeline: pipeline.arrive(arrival))

    def _deliver_line(self, arrival: LineArrival) -> bool:
        return self._ask_writer(lambda pipeline: pipeline.arrive_line(arrival))

    def _ask_writer(self, job: Callable[[Pipeline], bool]) -> bool:
        try:
            done = self.writer.ask(job)
        except StoreFull as error:
            if not self._is_full:
                self._is_full = True
                self.log.error(events.LEDGER_FULL, problem=str(error))  # noqa: TRY400 - no bug, no trace
                notify("STATUS=DISK FULL: intake waits, files stay where they are")
            raise
        if self._is_full:
            self._is_full = False
            self.log.info(events.LEDGER_HAD_ROOM)
            notify("STATUS=working")
        step("delivered")
        return done

    def _is_healthy(self) -> bool:
        """The writer answers within its turn, and every source's thread lives."""
        return self.writer.is_alive and all(source.status().is_alive for source in self._sources())

    def _say_source_states(self, *, stopped: bool = False) -> None:
        """Tell the ledger how the sources are doing, when that has changed or grown old."""
        states = [_folder_state(folder.status()) for folder in self.folders]
        states += [_line_state(line.status()) for line in self.lines]
        if stopped:
            states = [
                replace(one, state="stopped", detail="the service is stopped") for one in states
            ]
        now = time.monotonic()
        troubles = [(one.name, one.state, one.detail) for one in states]
        if troubles == self._said and now < self._say_again and not stopped:
            return
        self._said, self._say_again = troubles, now + SAY_S

        def keep(pipeline: Pipeline) -> bool:
            with pipeline.ledger.change(at=self.clock(), by=SERVICE) as change:
                keep_source_states(change.conn, states, at=self.clock())
            return True

        with contextlib.suppress(IngestError):  # a full disk is told where it stops intake
            self.writer.ask(keep)

    def _checkpoint(self) -> None:
        try:
            checkpoint = self.writer.ask(
                lambda pipeline: write_checkpoint(pipeline.ledger.conn, self.config)
            )
        except CheckpointError as error:
            self.log.error(events.CHECKPOINT_REFUSED, problem=str(error))  # noqa: TRY400 - no bug, no trace
        except (OSError, IngestError, RuntimeError) as error:  # RuntimeError: the writer stopped
            self.log.warning(events.CHECKPOINT_REFUSED, problem=str(error))
        else:
            self.log.info(events.CHECKPOINT_WRITTEN, size=checkpoint.size)

    def _fail(self, error: BaseException) -> None:
        self._failure = error
        self.log.error(
            events.SERVICE_FAILED, problem=str(error), kind=type(error).__name__, exc_info=error
        )
        self._stop.set()


def _folder_state(status: FolderStatus) -> SourceState:
    return SourceState(
        name=status.name,
        kind="folder",
        state=status.state,
        detail=status.detail,
        place=str(status.path),
        backend=status.backend,
        last_arrival_at=status.last_arrival_at,
        files_waiting=status.files_waiting,
    )


def _line_state(status: LineStatus) -> SourceState:
    return SourceState(
        name=status.name,
        kind="line",
        state=status.state,
        detail=status.detail,
        place=status.port,
        backend=status.device,
        last_arrival_at=status.last_byte_at,
        frames=status.frames,
        damaged=status.damaged,
    )
