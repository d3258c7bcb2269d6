"""What all pages share: configuration, connections, clock, log, and the way to change things.

Reading goes through a few read-only connections that wait in a pool; changing goes through one
connection, one change at a time. Neither ever blocks the service for longer than one change.
"""

import queue
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from ingestd import events
from ingestd.config import Config
from ingestd.config.operation import WebSection
from ingestd.errors import IngestError
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import InForce, InForceCache
from ingestd.ledger.store import Change, Ledger

READERS = 8  # read-only connections at most, and threads that serve requests
READER_CACHE_KIB = 8192


def utc_now() -> datetime:
    """The present instant, UTC."""
    return datetime.now(UTC)


class PageContext:
    """The page's hold on one ledger.

    Args:
        config: absolute paths.
        settings: of the page.
        log: a structlog logger.
        clock: the present instant, UTC.
    """

    def __init__(
        self,
        config: Config,
        settings: WebSection | None = None,
        *,
        log: Any,
        clock: Callable[[], datetime] = utc_now,
    ) -> None:
        self.config = config
        self.settings = settings or config.web
        self.log = log
        self.clock = clock
        self.zone = ZoneInfo(config.site.time_zone)
        self.in_force_cache = InForceCache()
        self.failure: IngestError | None = None
        self.on_failure: Callable[[], None] = lambda: None
        self._readers: queue.SimpleQueue[Ledger] = queue.SimpleQueue()
        self._made = 0
        self._making = threading.Lock()
        self._changing = threading.Lock()
        self._writer: Ledger | None = None

    def open(self) -> None:
        """Open the ledger for changes, bringing its schema up to date.

        Raises:
            IngestError: it cannot be opened.
        """
        path = self.config.ledger.path
        path.parent.mkdir(parents=True, exist_ok=True)
        self._writer = Ledger.open(path, site=self.config.site.name, at=self.clock())

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the ledger from beginning to end."""
        ledger = self._borrow()
        conn = ledger.conn
        conn.execute("BEGIN")
        try:
            yield conn
        finally:
            conn.execute("ROLLBACK")
            self._readers.put(ledger)

    def _borrow(self) -> Ledger:
        try:
            return self._readers.get_nowait()
        except queue.Empty:
            pass
        with self._making:
            if self._made < READERS:
                self._made += 1
                return self.open_reader()
        return self._readers.get()

    def open_reader(self) -> Ledger:
        """A read-only ledger of one's own, for whoever reads for long."""
        ledger = Ledger.open_readonly(self.config.ledger.path)
        ledger.conn.execute(f"PRAGMA cache_size = -{READER_CACHE_KIB}")
        return ledger

    def in_force(self, conn: Connection) -> InForce:
        """The inputs in force."""
        return self.in_force_cache.current(conn)

    @contextmanager
    def change(self, by: str) -> Iterator[Change]:
        """One transaction by an account.

        An error that leaves it unknown whether a change stands ends the process: whoever
        supervises it starts it anew.

        Raises:
            IngestError: nothing was changed, or nobody knows (disposition "stop").
        """
        with self._changing:
            if self.failure is not None or self._writer is None:
                raise self.failure or RuntimeError("the office is not open")
            try:
                with self._writer.change(at=self.clock(), by=by) as change:
                    yield change
            except IngestError as error:
                if error.disposition == "stop":
                    self.fail(error)
                raise

    @contextmanager
    def writer(self) -> Iterator[Ledger]:
        """The ledger itself, for functions that make several changes of their own."""
        with self._changing:
            if self.failure is not None or self._writer is None:
                raise self.failure or RuntimeError("the office is not open")
            try:
                yield self._writer
            except IngestError as error:
                if error.disposition == "stop":
                    self.fail(error)
                raise

    def open_writer(self) -> Ledger:
        """A ledger of one's own to change, for work that takes long."""
        return Ledger.open(self.config.ledger.path)

    def fail(self, error: IngestError) -> None:
        """Stop serving: what the last commit came to is unknown."""
        self.failure = error
        self.log.error(events.PAGE_FAILED, problem=str(error), kind=type(error).__name__)
        self.on_failure()

    def close(self) -> None:
        """Close every connection that is not in use."""
        while True:
            try:
                self._readers.get_nowait().close()
            except queue.Empty:
                break
        if self._writer is not None:
            self._writer.close()
            self._writer = None
