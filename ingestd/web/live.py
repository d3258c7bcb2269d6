"""New entries of the journal, told to every open page within a fraction of a second.

One thread asks SQLite several times a second whether anybody has committed: a look at shared
memory, no query. Only when something was does it read the new entries, once for all pages, and
the event loop hands the same message to each of them.
"""

import asyncio
import json
import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from typing import Any

import orjson
from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response, StreamingResponse

from ingestd.errors import IngestError
from ingestd.ledger.connection import Connection
from ingestd.web.access import NotSignedIn, Viewer, context_of, find_visitor
from ingestd.web.context import PageContext
from ingestd.web.waiting_counts import waiting_counts

POLL_S = 0.03
GAP_S = 0.06  # between two messages
HALF_S = 0.04  # from the bytes of an arrival to its meaning; longer, and they are told alone
MOST_ENTRIES = 500  # looked into for the runs they name
QUIET_S = 15.0  # a sign of life after so long, and a look whether the session still counts
MOST_PAGES = 500

router = APIRouter(include_in_schema=False)


class LiveFeed:
    """Watches the ledger and tells whoever listens."""

    def __init__(self, context: PageContext) -> None:
        self._office = context
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="live", daemon=True)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._listeners: set[asyncio.Queue[str | None]] = set()
        self._size = 0
        self.has_looked = False  # at the ledger as it was when it began

    def start(self, loop: asyncio.AbstractEventLoop) -> None:
        """Begin to watch; messages are handed out on this loop."""
        self._loop = loop
        self._thread.start()

    def stop(self) -> None:
        """End every stream and the thread; may be called from any thread, and twice."""
        self._stop.set()
        self._post(None)

    @property
    def is_alive(self) -> bool:
        """Whether the ledger is being watched."""
        return self._thread.is_alive()

    @property
    def listeners(self) -> int:
        """How many pages listen."""
        return len(self._listeners)

    def _run(self) -> None:
        ledger = self._office.open_reader()
        try:
            self._watch(ledger.conn)
        except IngestError as error:
            self._office.fail(error)
        finally:
            ledger.close()

    def _watch(self, conn: Connection) -> None:
        seen: Any = None
        told_at = 0.0
        while not self._stop.wait(POLL_S):
            version = conn.execute("PRAGMA data_version").fetchone()[0]
            if version == seen:
                continue
            rest = told_at + GAP_S - time.monotonic()
            if rest > 0 and self._stop.wait(rest):
                break
            first = seen is None
            seen = version
            if self._is_half(conn) and self._stop.wait(HALF_S):
                break
            message = self._news(conn)
            self.has_looked = True
            if message and not first:
                told_at = time.monotonic()
                self._post(message)

    def _post(self, message: str | None) -> None:
        """Hand the message out on the loop; a loop that has closed meanwhile has no listeners."""
        if self._loop is not None:
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._hand_out, message)

    def _is_half(self, conn: Connection) -> bool:
        """Whether all that is new are bytes just stored: what they mean follows at once."""
        row = conn.execute("SELECT idx, body FROM journal ORDER BY idx DESC LIMIT 1").fetchone()
        return (
            row is not None
            and row[0] >= self._size
            and orjson.loads(row[1])["kind"] == "capture_stored"
        )

    def _news(self, conn: Connection) -> str:
        """What the new entries are about; "" if there are none."""
        conn.execute("BEGIN")
        try:
            before = self._size
            (self._size,) = conn.execute("SELECT size FROM frontier").fetchone()
            if self._size == before:
                return ""
            start = max(before, self._size - MOST_ENTRIES)
            runs: dict[str, None] = {}
            for (body,) in conn.execute("SELECT body FROM journal WHERE idx >= ?", (start,)):
                run = _run_of(orjson.loads(body))
                if run:
                    runs[run] = None
            news = {
                "size": self._size,
                "runs": list(runs)[:50],
                "waiting": waiting_counts(conn).text,
            }
        finally:
            conn.execute("ROLLBACK")
        return json.dumps(news)

    def _hand_out(self, message: str | None) -> None:
        for queue in self._listeners:
            if queue.full():  # its page is slow: one message says as much as several
                queue.get_nowait()
            queue.put_nowait(message)

    async def listen(
        self, still_signed_in: Callable[[], bool], quiet_s: float = QUIET_S
    ) -> AsyncIterator[bytes]:
        """The messages as a stream of server-sent events, until the page or the session ends."""
        queue: asyncio.Queue[str | None] = asyncio.Queue(maxsize=4)
        self._listeners.add(queue)
        try:
            yield b"retry: 2000\n: here\n\n"
            while not self._stop.is_set():
                try:
                    message = await asyncio.wait_for(queue.get(), quiet_s)
                except TimeoutError:
                    if not await run_in_threadpool(still_signed_in):
                        yield b"event: signed-out\ndata: {}\n\n"
                        return
                    yield b": here\n\n"
                    continue
                if message is None:
                    return
                yield f"event: news\ndata: {message}\n\n".encode()
        finally:
            self._listeners.discard(queue)


def _run_of(body: dict[str, Any]) -> str:
    if body["kind"] == "run_planned":
        return str(body["body"]["name"])
    if body["kind"] == "reading_taken":
        return str(body["placed"]["run"]) if body["placed"] else ""
    return str(body.get("run") or "")


@router.get("/live")
async def live(request: Request, _visitor: Viewer) -> Response:
    """The stream a page listens to."""
    feed: LiveFeed = request.app.state.live
    if feed.listeners >= MOST_PAGES:
        return Response("Too many open pages.\n", 503, headers={"retry-after": "30"})

    def still_signed_in() -> bool:
        try:
            with context_of(request).reading() as conn:
                find_visitor(request, conn)
        except NotSignedIn:
            return False
        return True

    return StreamingResponse(
        feed.listen(still_signed_in),
        media_type="text/event-stream",
        headers={"cache-control": "no-store", "x-accel-buffering": "no"},
    )
