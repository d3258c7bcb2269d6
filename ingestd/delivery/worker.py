"""A thread that keeps one target up to date and never lets anything else wait for it.

It reads the ledger through a connection of its own that cannot write, and asks for the short
marks it makes. Trouble at the target makes it wait, longer each time and with jitter, so that
many sites do not come back in step.
"""

import random
import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from ingestd import events
from ingestd.config import Config
from ingestd.delivery.daily_files import DailyFiles
from ingestd.delivery.targets import Apply, Progress, Target
from ingestd.errors import (
    ConfigError,
    IngestError,
    LedgerBusy,
    StoreFull,
    TargetRejected,
    TargetUnavailable,
)
from ingestd.ledger.deliveries import DeliveryStanding, delivery_standings, note_state
from ingestd.ledger.store import Ledger

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 300.0
END_S = 3.0  # how long a step under way may take to end by itself
CUT_S = 1.0  # and once it was cut off


class Waits:
    """Seconds to wait after each failure in a row: chance times a bound that doubles.

    Args:
        chance: a number from 0 to 1 at each call.
    """

    def __init__(
        self,
        first_s: float = FIRST_WAIT_S,
        longest_s: float = LONGEST_WAIT_S,
        *,
        chance: Callable[[], float] = random.random,
    ) -> None:
        self._first_s = first_s
        self._longest_s = longest_s
        self._chance = chance
        self._failures = 0

    def next_s(self) -> float:
        """The next wait, at least a tenth of the first bound."""
        bound = min(self._longest_s, self._first_s * float(2 ** min(self._failures, 60)))
        self._failures += 1
        return max(self._chance() * bound, self._first_s / 10)

    def reset(self) -> None:
        """Something went well: begin anew."""
        self._failures = 0


class DeliveryWorker:
    """Delivers to one target on a thread of its own.

    Args:
        target: where to.
        ledger: path of the ledger; opened for reading on the thread.
        apply: runs a job on the ledger that may write, and returns when it has.
        fail: told of errors that mean "stop" and of bugs; the thread has ended then.
        idle_s: between two looks at what is new.
    """

    def __init__(
        self,
        target: Target,
        *,
        ledger: Path,
        apply: Apply,
        fail: Callable[[BaseException], None],
        log: Any,
        clock: Callable[[], datetime],
        idle_s: float = 1.0,
        waits: Waits | None = None,
    ) -> None:
        self.target = target
        self._ledger = ledger
        self._apply = apply
        self._fail = fail
        self._log = log.bind(target=target.name)
        self._clock = clock
        self._idle_s = idle_s
        self._waits = waits or Waits()
        self._stop = threading.Event()
        self._state = ""
        self._problem = ""
        self._thread = threading.Thread(target=self._run, name=f"to {target.name}", daemon=True)

    def start(self) -> None:
        """Begin delivering."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end after the step under way."""
        self._stop.set()

    def join(self, timeout: float | None = None) -> None:
        """Wait for the thread; a step that takes longer than END_S is cut off.

        Cutting loses nothing: the centre has the whole batch or none of it. A thread that is
        just connecting cannot be cut; it ends by itself and touches nothing more.
        """
        self._thread.join(END_S if timeout is None else timeout)
        if self._thread.is_alive():
            self.target.interrupt()
            self._thread.join(CUT_S)

    @property
    def is_alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def status(self) -> DeliveryStanding:
        """How delivery fares, read from the ledger; callable from any thread."""
        ledger = Ledger.open_readonly(self._ledger)
        try:
            return delivery_standings(ledger.conn, [self.target.name])[0]
        finally:
            ledger.close()

    def _run(self) -> None:
        try:
            ledger = Ledger.open_readonly(self._ledger)
            try:
                self._work(ledger)
            finally:
                self.target.close()
                ledger.close()
        except IngestError as error:
            if not self._stop.is_set():
                self._fail(error)
        except Exception as error:  # noqa: BLE001 - a bug, or the writer is gone: the service ends
            if not self._stop.is_set():
                self._fail(error)

    def _work(self, ledger: Ledger) -> None:
        while not self._stop.is_set():
            try:
                progress = self.target.step(ledger.conn)
                self._went_well(progress)
            except IngestError as error:
                if error.disposition == "stop":
                    raise
                self._stop.wait(self._went_wrong(error))
            else:
                if not progress.more:
                    self._stop.wait(self._idle_s)

    def _went_well(self, progress: Progress) -> None:
        self._waits.reset()
        self._note("working", "")
        if progress.entries:
            self._log.info(events.BATCH_DELIVERED, entries=progress.entries, rows=progress.rows)
        for entry, problem in progress.refused.items():
            self._log.warning(events.DELIVERY_SET_ASIDE, entry=entry, problem=problem)

    def _went_wrong(self, error: IngestError) -> float:
        """Note it where pages and commands see it; returns how long to wait."""
        if self._stop.is_set():
            return 0.0
        wait_s = self._waits.next_s()
        if isinstance(error, TargetRejected):
            self._note("refused", str(error), wait_s)
        elif isinstance(error, TargetUnavailable):
            self._note("waiting", str(error), wait_s)
        return wait_s  # otherwise the ledger was busy or full: the mark is made at the next try

    def _note(self, state: str, problem: str, wait_s: float = 0.0) -> None:
        if (state, problem) == (self._state, self._problem):
            return
        if state != self._state:
            if state == "working":
                self._log.info(events.DELIVERY_WENT_ON)
            elif state == "refused":
                self._log.error(events.DELIVERY_REFUSED, problem=problem, again_in_s=wait_s)
            else:
                self._log.warning(events.DELIVERY_DEFERRED, problem=problem, again_in_s=wait_s)
        at, name = self._clock(), self.target.name
        try:
            self._apply(lambda ledger: note_state(ledger, name, state, problem, at=at))
        except (LedgerBusy, StoreFull):
            return  # noted the next time
        self._state, self._problem = state, problem


def make_targets(config: Config, *, apply: Apply, clock: Callable[[], datetime]) -> list[Target]:
    """The targets that the [delivery] section names, none by default.

    Raises:
        ConfigError: a target needs an extra that is not installed.
    """
    targets: list[Target] = []
    if config.delivery.postgres is not None:
        try:
            from ingestd.delivery.central import CentralTarget  # noqa: PLC0415 - an extra
        except ImportError as error:
            raise ConfigError(
                "[delivery.postgres]",
                f"it needs psycopg: {error}",
                "pip install ingestd[postgres]",
            ) from error
        targets.append(CentralTarget(config, apply=apply, clock=clock))
    if config.delivery.files is not None:
        targets.append(DailyFiles(config, apply=apply, clock=clock))
    return targets


def make_couriers(
    config: Config,
    *,
    apply: Apply,
    fail: Callable[[BaseException], None],
    log: Any,
    clock: Callable[[], datetime],
) -> list[DeliveryWorker]:
    """One courier for each target, not started; arguments as for Courier.

    Raises:
        ConfigError: a target needs an extra that is not installed.
    """
    return [
        DeliveryWorker(
            target,
            ledger=config.ledger.path,
            apply=apply,
            fail=fail,
            log=log,
            clock=clock,
            idle_s=config.delivery.idle_s,
        )
        for target in make_targets(config, apply=apply, clock=clock)
    ]
