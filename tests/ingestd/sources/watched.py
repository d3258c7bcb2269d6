"""A folder source on a real folder, with what it delivered and logged."""

import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from ingestd.sources.arrivals import Arrival
from ingestd.sources.folder.folder import FolderSource
from ingestd.sources.folder.settings import FolderSettings

DEADLINE_S = 20.0


class Watched:
    """A running source; `answer` decides what becomes of each arrival."""

    def __init__(
        self,
        path: Path,
        *,
        answer: Callable[[Arrival], bool] = lambda _: True,
        is_known: Callable[[str, str], bool] | None = None,
        clock: Callable[[], datetime] | None = None,
        **settings: Any,
    ) -> None:
        self.path = path
        self.arrivals: list[Arrival] = []
        self.logged: list[tuple[str, dict[str, Any]]] = []
        self._answer = answer
        self._changed = threading.Condition()
        given = {"settle_s": 0.1, "scan_s": 0.1} | settings
        extra: dict[str, Any] = {}
        if is_known is not None:
            extra["is_known"] = is_known
        if clock is not None:
            extra["clock"] = clock
        self.source = FolderSource(
            FolderSettings(name="bench 3", path=path, **given), self._take, self, **extra
        )

    def _take(self, arrival: Arrival) -> bool:
        done = self._answer(arrival)
        with self._changed:
            self.arrivals.append(arrival)
            self._changed.notify_all()
        return done

    def info(self, event: str, /, **keys: Any) -> None:
        self.logged.append((event, keys))

    warning = info

    def start(self) -> "Watched":
        """Start, and wait until the folder was scanned or found missing."""
        self.source.start()
        self.until(lambda: bool(self.logged))
        return self

    def until(self, condition: Callable[[], bool]) -> None:
        """Wait for the condition; with a deadline."""
        ends = time.monotonic() + DEADLINE_S
        with self._changed:
            while not condition():
                assert time.monotonic() < ends, (self.names(), self.logged, self.source.status())
                self._changed.wait(0.005)

    def until_last(self, data: bytes) -> None:
        """Wait until the latest arrival has this content."""
        self.until(lambda: [one.data for one in self.arrivals[-1:]] == [data])

    def until_seen(self, name: bytes, size: int) -> None:
        """Wait until a look found the file with this size."""

        def is_seen() -> bool:
            track = self.source._looks.tracks.get(name)
            return track is not None and track.seen is not None and track.seen[0] == size

        self.until(is_seen)

    def until_names(self, *names: str) -> None:
        """Wait until each of these names arrived."""
        self.until(lambda: set(names) <= set(self.names()))

    def until_scanned(self, times: int) -> None:
        """Wait until so many scans that began from now on came to an end."""
        for _ in range(times + 1):
            self.source.scan_now()
            self._until_scan_after(self.source.status().last_scan_at)

    def _until_scan_after(self, earlier: datetime | None) -> None:
        self.until(lambda: self.source.status().last_scan_at != earlier)

    def until_quiet(self) -> None:
        """Wait until nothing waits any more, and whole scans bring nothing new."""
        self.until_scanned(1)
        self.until(lambda: self.source.status().files_waiting == 0)
        self.until_scanned(1)

    def names(self) -> list[str]:
        return [arrival.name for arrival in self.arrivals]

    def texts(self, name: str) -> list[str]:
        return [one.data.decode() for one in self.arrivals if one.name == name]

    def events(self) -> list[str]:
        return [event for event, _ in self.logged]
