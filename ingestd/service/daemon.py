"""The long-running service: sources feed the one writer; faults are acted on here.

Start: ledger opened and checked, forms in force, captures left from before read, then the
sources. Stop: sources first, then the writer finishes what it was asked, then a checkpoint.
Meanwhile one thread looks around: it pings the watchdog, reloads, says how things are.
"""

import fcntl
import os
import signal
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import parsers
from ingestd import events
from ingestd.config import Config, load_config
from ingestd.delivery.worker import DeliveryWorker, make_targets
from ingestd.errors import ConfigError, IngestError, LedgerMismatch, Refused, StoreFull
from ingestd.ledger.connection import Connection
from ingestd.ledger.source_states import SourceState, keep_source_states, source_states
from ingestd.ledger.store import Ledger
from ingestd.pipeline.forms import forms_in_force
from ingestd.pipeline.garbage import calm_collector
from ingestd.pipeline.inputs import site_forms, take_configured
from ingestd.pipeline.pipeline import SERVICE, Pipeline
from ingestd.service.ask_socket import AskSocket
from ingestd.service.checkpoint_thread import Signing
from ingestd.service.health import ServiceHealth
from ingestd.service.line_intake import LineIntake
from ingestd.service.notices.sender import NoticeSender
from ingestd.service.source_set import Settings, SourceSet, wanted_sources
from ingestd.service.systemd import notify, reloading_words, status_word, watchdog_interval_s
from ingestd.service.writer import Writer
from ingestd.sources.arrivals import Arrival
from ingestd.sources.folder.folder import FolderSource
from ingestd.sources.serial.line import LineSource
from ingestd.sources.serial.settings import LineArrival
from ingestd.steps import step

T = TypeVar("T")

CHECKPOINT_S = 600.0
SAY_S = 30.0  # how old what the ledger says of the sources may be while nothing changes
TURN_S = 0.5  # how often the supervisor looks around
STUCK_S = 60.0  # a writer that ends no job for so long is stuck; SQLite waits 30 s for a lock
CHECK_CACHE_KIB = 2048
EXTEND_S = 60.0  # more time to start, asked for again and again while the ledger is opened


def utc_now() -> datetime:
    """The present instant, UTC."""
    return datetime.now(UTC)


class Service:
    """One running service.

    Args:
        config: absolute paths.
        log: a structlog logger.
        clock: the present instant, UTC.
        config_path: read again on a reload; without it there is none.
        on_turn: called twice a second, for what has to be done now and then.
        stuck_s: a writer that ends no job for so long is stuck.
    """

    def __init__(
        self,
        config: Config,
        *,
        log: Any,
        clock: Callable[[], datetime] = utc_now,
        config_path: Path | None = None,
        on_turn: Callable[[], None] = lambda: None,
        stuck_s: float = STUCK_S,
    ) -> None:
        self.config = config
        self.log = log
        self.clock = clock
        self.writer = Writer(self._open_pipeline, self._fail)
        self.line_intake = LineIntake()
        self.sources = SourceSet(deliver=self._deliver, deliver_line=self._deliver_line, log=log)
        self.service_health = ServiceHealth(
            config, self.writer, self.sources, clock=clock, log=log, stuck_s=stuck_s
        )
        self.signing = Signing(log)
        self.asking = AskSocket(config.ledger.path, self._ask_line)
        self.workers: list[DeliveryWorker] = []
        self.notice_sender: NoticeSender | None = None
        self._config_path = config_path
        self._on_turn = on_turn
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._reload = threading.Event()
        self._lock_fd: int | None = None
        self._said: list[tuple[str, str, str]] = []
        self._say_again = 0.0
        self._saying: Future[bool] | None = None
        self._status = ""

    @property
    def folders(self) -> list[FolderSource]:
        """The watched folders, the plan's last."""
        return self.sources.folders

    @property
    def lines(self) -> list[LineSource]:
        """The serial lines."""
        return self.sources.lines

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
        if self.service_health.failure is not None:
            raise self.service_health.failure

    def start(self) -> None:
        """Ledger, forms, captures left from before, then the sources.

        Raises:
            IngestError: the ledger cannot be opened, or another service holds it.
        """
        self._take_lock()
        calm_collector()
        self.service_health.open_door()
        ready = threading.Event()
        patience = threading.Thread(target=_ask_for_time, args=(ready,), daemon=True)
        patience.start()
        try:
            self.writer.start()
            self.service_health.unclean = self.writer.ask(_unclean_end)
            left = self.writer.ask(lambda pipeline: pipeline.resume())
            self.signing.begin(self.config)  # makes the key at the first start
            self.signing.wait()
            forms = self.writer.ask(lambda pipeline: pipeline.forms())
            self.sources.start(wanted_sources(self.config, forms))
            self._start_couriers()
            self._start_postman(self.config)
            self.asking.open()
        finally:
            ready.set()
            patience.join()
        self.log.info(
            events.SERVICE_STARTED,
            site=self.config.site.name,
            ledger=str(self.config.ledger.path),
            sources=len(self.config.source),
            resumed=left,
        )
        self.service_health.is_ready = True
        self._status = self.service_health.describe()
        notify("READY=1", status_word(self._status))

    def supervise(self) -> None:
        """Wait for the end; meanwhile reload, ping the watchdog, say how things are."""
        ping_s = watchdog_interval_s()
        turn_s = TURN_S if ping_s is None else min(TURN_S, ping_s / 2)
        next_ping = time.monotonic()
        next_checkpoint = time.monotonic() + CHECKPOINT_S
        while not self._stop.is_set():
            self._wake.wait(turn_s)
            self._wake.clear()
            if self._stop.is_set():
                return
            if self._reload.is_set():
                self._reload.clear()
                self.reload()
            now = time.monotonic()
            if (
                ping_s is not None
                and now >= next_ping
                and self.service_health.is_making_progress(ping_s)
            ):
                notify("WATCHDOG=1")
                next_ping = now + ping_s
            self.service_health.note_stuck_writer()
            self.service_health.unsigned = self.signing.refused
            self._end_if_a_source_died()
            self._say_source_states()
            self._say_status()
            self.asking.answer()
            if now >= next_checkpoint:
                self.signing.begin(self.config)
                next_checkpoint = now + CHECKPOINT_S
            self._on_turn()

    def ask_stop(self, *_: object) -> None:
        """End `supervise`; safe to call from a signal handler or any thread."""
        self._stop.set()
        self._wake.set()

    def ask_reload(self, *_: object) -> None:
        """Reload in the next turn; safe to call from a signal handler or any thread."""
        self._reload.set()
        self._wake.set()

    def stop(self) -> None:
        """Stop the sources, let the writer finish, write a checkpoint."""
        notify("STOPPING=1")
        self.service_health.is_ready = False
        self.service_health.shut_door()
        self.asking.close()
        states = self.service_health.states()
        self.sources.end_all()
        step("sources_stopped")
        if self.notice_sender is not None:
            self.notice_sender.stop()
        for worker in self.workers:
            worker.stop()
        for worker in self.workers:
            worker.join()
        if self.notice_sender is not None:
            self.notice_sender.join()
        if self.writer.is_alive:
            if self.service_health.failure is None:
                self._say_stopped(states)
                self.signing.wait()
                self.signing.begin(self.config)
                self.signing.wait()
            self.writer.stop()
        step("writer_stopped")
        self.log.info(events.SERVICE_STOPPED, clean=self.service_health.failure is None)
        if self._lock_fd is not None:
            os.close(self._lock_fd)
            self._lock_fd = None

    def handle_signals(self) -> None:
        """Stop on SIGTERM and SIGINT, reload on SIGHUP."""
        signal.signal(signal.SIGTERM, self.ask_stop)
        signal.signal(signal.SIGINT, self.ask_stop)
        signal.signal(signal.SIGHUP, self.ask_reload)

    # --- reloading ----------------------------------------------------------------------------

    def reload(self) -> bool:
        """Go over to the configuration as it is in its file now; False where it is refused.

        Everything that can be wrong with it is found before anything is stopped. Sources whose
        settings did not change never stop; of the others nothing is lost, since a folder is
        scanned anew and what was delivered is known by its content.
        """
        notify(*reloading_words(), status_word("reading the configuration again"))
        try:
            if self._config_path is None:
                raise ConfigError("configuration", "it came from no file", "restart instead")
            exchanged = self._go_over_to(load_config(self._config_path))
        except (IngestError, parsers.FormError, RuntimeError) as error:
            if self.service_health.failure is not None:
                return False  # the writer has stopped, and so does the service
            self.service_health.refused = str(error)
            self.service_health.count_reload(is_taken=False)
            self.log.error(events.CONFIGURATION_REFUSED, problem=self.service_health.refused)  # noqa: TRY400 - no bug, no trace
            is_taken = False
        else:
            self.service_health.refused = ""
            self.service_health.count_reload(is_taken=True)
            self.log.info(events.CONFIGURATION_RELOADED, **exchanged)
            is_taken = True
        self._status = self.service_health.describe()
        notify("READY=1", status_word(self._status))
        return is_taken

    def _go_over_to(self, config: Config) -> dict[str, int]:
        for key, old, new in (
            ("site.name", self.config.site.name, config.site.name),
            ("ledger.path", self.config.ledger.path, config.ledger.path),
            ("delivery", self.config.delivery, config.delivery),
        ):
            if old != new:
                raise ConfigError(key, "it cannot change while the service runs", "restart it")
        own = {name: parsers.load_form(data, name) for name, data in site_forms(config).items()}
        in_force = self.writer.ask(lambda pipeline: pipeline.forms())
        wanted_sources(config, {**in_force, **own})  # raises before anything is changed

        def take(pipeline: Pipeline) -> dict[str, Settings]:
            take_configured(pipeline.ledger, config, at=self.clock(), by=SERVICE)
            in_force = pipeline.in_force_cache.current(pipeline.ledger.conn)
            return wanted_sources(config, forms_in_force(in_force))

        def switch(pipeline: Pipeline) -> None:
            pipeline.config = config

        wanted = self.writer.ask(take)
        self.service_health.move_door(config)
        # What the old sources still hand over is read as the old configuration says.
        exchange = self.sources.exchange(wanted, lambda: self.writer.ask(switch))
        if (config.notices, config.site) != (self.config.notices, self.config.site):
            self._start_postman(config)
        self.config = self.service_health.config = config
        return {
            "kept": exchange.kept,
            "added": exchange.added,
            "changed": exchange.changed,
            "ended": exchange.ended,
        }

    # --- parts --------------------------------------------------------------------------------

    def _open_pipeline(self) -> Pipeline:
        path = self.config.ledger.path
        path.parent.mkdir(parents=True, exist_ok=True)
        ledger = Ledger.open(path, site=self.config.site.name, at=self.clock())
        step("ledger_opened")
        if self.config.ledger.integrity_check == "quick":
            _check_file(path)
        take_configured(ledger, self.config, at=self.clock(), by=SERVICE)
        step("forms_taken")
        return Pipeline(
            ledger,
            self.config,
            clock=self.clock,
            log=self.log,
            count=self.service_health.count_capture,
        )

    def _start_couriers(self) -> None:
        """One thread a delivery target; nothing ever waits for them."""

        def apply(job: Callable[[Ledger], None]) -> None:
            self.writer.ask(lambda pipeline: job(pipeline.ledger))

        for target in make_targets(self.config, apply=apply, clock=self.clock):
            worker = DeliveryWorker(
                target,
                ledger=self.config.ledger.path,
                apply=apply,
                fail=self._fail,
                log=self.log,
                clock=self.clock,
                idle_s=self.config.delivery.idle_s,
            )
            worker.start()
            self.workers.append(worker)

    def _start_postman(self, config: Config) -> None:
        """One thread that tells operators; after a reload another one goes on where it was."""
        if self.notice_sender is not None:
            self.notice_sender.stop()
            self.notice_sender.join()

        def apply(job: Callable[[Connection], None]) -> None:
            def change(pipeline: Pipeline) -> None:
                with pipeline.ledger.change(at=self.clock(), by=SERVICE) as change:
                    job(change.conn)

            self.writer.ask(change)

        self.notice_sender = NoticeSender(
            config, apply=apply, own=self.service_health.matters, clock=self.clock, log=self.log
        )
        if self.notice_sender.has_work:
            self.notice_sender.start()

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

    def _deliver(self, arrival: Arrival) -> bool:
        done = self._ask_writer(lambda pipeline: pipeline.arrive(arrival))
        self._observe("folder", arrival.seen_at)
        return done

    def _deliver_line(self, arrival: LineArrival) -> bool:
        done = self._ask_writer(self.line_intake.job(arrival))
        self._observe("line", arrival.seen_at)
        return done

    def _ask_line(self, name: str) -> None:
        """Ask the instrument at a line for a reading, as soon as it is not talking."""
        line = next((one for one in self.lines if one.status().name == name), None)
        if line is None:
            known = ", ".join(one.status().name for one in self.lines)
            raise Refused(name, "no such line", f"there are {known}" if known else "")
        status = line.status()
        if status.state != "ok":
            raise Refused(name, f"the line is {status.state}: {status.detail}")
        line.poll_now()

    def _observe(self, kind: str, seen_at: datetime) -> None:
        self.service_health.observe_arrival(kind, (utc_now() - seen_at).total_seconds())

    def _ask_writer(self, job: Callable[[Pipeline], bool]) -> bool:
        try:
            done = self.writer.ask(job)
        except StoreFull as error:
            if not self.service_health.is_full:
                self.service_health.is_full = True
                self.log.error(events.LEDGER_FULL, problem=str(error))  # noqa: TRY400 - no bug, no trace
            raise
        if self.service_health.is_full:
            self.service_health.is_full = False
            self.log.info(events.LEDGER_HAD_ROOM)
        step("delivered")
        return done

    # --- how it is ----------------------------------------------------------------------------

    def _say_status(self) -> None:
        text = self.service_health.describe()
        if text != self._status:
            self._status = text
            notify(status_word(text))

    def _end_if_a_source_died(self) -> None:
        if dead := self.sources.dead():
            self._fail(RuntimeError(f"the thread of source {', '.join(dead)} has ended"))

    def _say_source_states(self) -> None:
        """Tell the ledger how the sources are doing, when that has changed or grown old."""
        if self._saying is not None and not self._saying.done():
            return  # the writer is busy: nobody waits for it here
        states = self.service_health.states()
        now = time.monotonic()
        troubles = [(one.name, one.state, one.detail) for one in states]
        if troubles == self._said and now < self._say_again:
            return
        self._said, self._say_again = troubles, now + SAY_S
        self._saying = self._hand_in(lambda pipeline: self._keep_states(pipeline, states))

    def _say_stopped(self, states: list[SourceState]) -> None:
        """Tell the ledger that the service has ended by request."""
        ended = [replace(one, state="stopped", detail="the service is stopped") for one in states]
        saying = self._hand_in(lambda pipeline: self._keep_states(pipeline, ended))
        if saying is not None:
            saying.exception()  # a full disk is told where it stops intake

    def _keep_states(self, pipeline: Pipeline, states: list[SourceState]) -> bool:
        with pipeline.ledger.change(at=self.clock(), by=SERVICE) as change:
            keep_source_states(change.conn, states, at=self.clock())
        return True

    def _hand_in(self, job: Callable[[Pipeline], T]) -> "Future[T] | None":
        """Ask the writer without waiting; None if it has stopped."""
        try:
            return self.writer.hand_in(job)
        except RuntimeError:
            return None

    def _fail(self, error: BaseException) -> None:
        self.service_health.failure = error
        is_bug = not isinstance(error, IngestError)
        self.log.error(
            events.SERVICE_FAILED,
            problem=str(error),
            kind=type(error).__name__,
            exc_info=error if is_bug else None,
        )
        self.ask_stop()


def _unclean_end(pipeline: Pipeline) -> str:
    """When the service before this one was last heard of; "" if it ended by request."""
    states, said_at = source_states(pipeline.ledger.conn)
    has_ended = all(one.state == "stopped" for one in states)
    return "" if has_ended or said_at is None else f"{said_at:%Y-%m-%d %H:%M:%S}"


def _check_file(path: Path) -> None:
    """Return if SQLite finds the file sound.

    Every page is read: through a connection of its own, whose small cache is gone afterwards.

    Raises:
        LedgerMismatch: it does not.
    """
    ledger = Ledger.open_readonly(path)
    try:
        ledger.conn.execute(f"PRAGMA cache_size = -{CHECK_CACHE_KIB}")
        answer = ledger.conn.execute("PRAGMA quick_check(1)").fetchone()[0]
    finally:
        ledger.close()
    if answer != "ok":
        raise LedgerMismatch(str(path), f"SQLite finds it damaged: {answer}", "restore it")


def _ask_for_time(ready: threading.Event) -> None:
    """Ask the service manager for more time to start, until the start is done.

    A large ledger is checked for minutes; to be killed over it would start the check anew.
    Source: sd_notify(3), EXTEND_TIMEOUT_USEC.
    """
    begun = time.monotonic()
    while not ready.wait(EXTEND_S / 4):
        passed = time.monotonic() - begun
        notify(
            f"EXTEND_TIMEOUT_USEC={int(EXTEND_S * 1_000_000)}",
            status_word(f"starting for {passed:.0f} s: the ledger is checked, captures are read"),
        )
