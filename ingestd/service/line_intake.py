"""What many serial lines hand over at the same time is taken in together.

A lone arrival is taken at once, in two durable commits. While the writer is at work others pile
up; the next turn takes them all, again in two commits. The more lines talk, the fewer commits a
frame costs, and nothing ever waits for company.
"""

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from ingestd.errors import IngestError
from ingestd.pipeline.pipeline import Pipeline
from ingestd.sources.serial.settings import LineArrival

MOST: Final = 32  # taken together, so that a folder's file in between does not wait for long


@dataclass(slots=True)
class _Item:
    """An arrival, and what came of it once it was taken."""

    arrival: LineArrival
    understood: bool | None = None
    error: IngestError | None = None


class LineIntake:
    """Arrivals of all lines that nobody has taken yet."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: deque[_Item] = deque()

    def job(self, arrival: LineArrival) -> Callable[[Pipeline], bool]:
        """A job for the writer that answers for this arrival, and takes others along."""
        item = _Item(arrival)
        with self._lock:
            self._waiting.append(item)
        return lambda pipeline: self._answer(pipeline, item)

    def _answer(self, pipeline: Pipeline, item: _Item) -> bool:
        if item.understood is None and item.error is None:
            self._take(pipeline, item)
        if item.error is not None:
            raise item.error
        return bool(item.understood)

    def _take(self, pipeline: Pipeline, first: _Item) -> None:
        batch = self._next(first)
        try:
            answers = pipeline.arrive_lines([item.arrival for item in batch])
        except IngestError as error:
            # The ledger is busy, full or broken: that is nobody's own fault, so each is told.
            for item in batch:
                item.error = error
            return
        for item, understood in zip(batch, answers, strict=True):
            item.understood = understood

    def _next(self, first: _Item) -> list[_Item]:
        """The asker's own, and those that have waited longest."""
        with self._lock:
            self._waiting.remove(first)
            batch = [first]
            while self._waiting and len(batch) < MOST:
                batch.append(self._waiting.popleft())
        return batch
