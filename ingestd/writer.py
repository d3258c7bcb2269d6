"""The one thread of the service that writes; whoever has something to write asks it and waits."""

import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

from ingestd.errors import IngestError
from ingestd.pipeline import Pipeline

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
        self.turns = 0  # counts up while it works: what the watchdog looks at

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
        future: Future[T] = Future()
        with self._door:
            if self._is_shut:
                raise RuntimeError("the writer has stopped")
            self._jobs.put((job, future))
        return future.result()

    def stop(self) -> None:
        """Finish the jobs already asked for, close the ledger and end."""
        self._jobs.put(None)
        self._thread.join()

    @property
    def is_alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

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
            self.turns += 1
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
