"""The one thread of the service that writes; whoever has something to write asks it and waits."""

import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

from ingestd.errors import IngestError
from ingestd.pipeline.pipeline import Pipeline

T = TypeVar("T")


class Writer:
    """Runs jobs on the ledger, one after another, on a thread of its own.

    An error that means "stop" ends the thread and is handed to `fail`; every other error goes
    back to whoever asked.
    """

    def __init__(
        self, open_pipeline: Callable[[], Pipeline], fail: Callable[[BaseException], None]
    ) -> None:
        self._open = open_pipeline
        self._fail = fail
        self._jobs: queue.SimpleQueue[tuple[Callable[[Pipeline], Any], Future[Any]] | None] = (
            queue.SimpleQueue()
        )
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
        self._ready: Future[None] = Future()
        self._door = threading.Lock()  # held while a job is handed in, and while the door is shut
        self._is_shut = False
        self._begun: float | None = None  # when the job under way began

    def start(self) -> None:
        """Open the ledger on the thread; returns once it is ready to write.

        Raises:
            IngestError: the ledger cannot be opened.
        """
        self._thread.start()
        self._ready.result()

    def ask(self, job: Callable[[Pipeline], T]) -> T:
        """Run a job on the writer's thread and return what it returns.

        Raises:
            whatever the job raises.
            RuntimeError: the writer has stopped; nobody would ever answer.
        """
        return self.hand_in(job).result()

    def hand_in(self, job: Callable[[Pipeline], T]) -> "Future[T]":
        """Put a job in the queue and return at once; the future gets what `ask` would return.

        Raises:
            RuntimeError: the writer has stopped; nobody would ever answer.
        """
        future: Future[T] = Future()
        with self._door:
            if self._is_shut:
                raise RuntimeError("the writer has stopped")
            self._jobs.put((job, future))
        return future

    def stop(self) -> None:
        """Finish the jobs already asked for, close the ledger and end."""
        self._jobs.put(None)
        self._thread.join()

    @property
    def is_alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    @property
    def waiting(self) -> int:
        """Jobs asked for and not begun."""
        return self._jobs.qsize()

    @property
    def busy_s(self) -> float:
        """Seconds since the job under way was begun, 0 while there is none.

        A job that ends, also by an error, is progress; so this is how long there was none.
        """
        begun = self._begun
        return 0.0 if begun is None else time.monotonic() - begun

    def _run(self) -> None:
        try:
            pipeline = self._open()
        except BaseException as error:  # noqa: BLE001 - handed to whoever starts the writer
            self._ready.set_exception(error)
            self._refuse_the_rest()
            return
        self._ready.set_result(None)
        try:
            self._work(pipeline)
        finally:
            self._refuse_the_rest()
            pipeline.ledger.close()

    def _work(self, pipeline: Pipeline) -> None:
        while (asked := self._jobs.get()) is not None:
            job, future = asked
            self._begun = time.monotonic()
            try:
                result = job(pipeline)
            except IngestError as error:
                future.set_exception(error)
                if error.disposition == "stop":
                    self._fail(error)
                    return
            except Exception as error:  # noqa: BLE001 - a bug: the service stops and is restarted
                future.set_exception(error)
                self._fail(error)
                return
            else:
                future.set_result(result)
            finally:
                self._begun = None

    def _refuse_the_rest(self) -> None:
        with self._door:
            self._is_shut = True
        while True:
            try:
                asked = self._jobs.get_nowait()
            except queue.Empty:
                return
            if asked is not None:
                asked[1].set_exception(RuntimeError("the writer has stopped"))
