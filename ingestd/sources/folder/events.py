"""Hints from the kernel that something happened in a watched folder.

Uses the lowest layer of watchdog, one thread that reads inotify and calls back, and not its
observers: those hide an overflow of the kernel's queue, hold every event back for half a second
when a file is renamed away, stop for good when the folder goes, and pass each event through two
more threads. Whatever is missed here is found by the scan.
"""

import os
from collections.abc import Callable
from enum import IntEnum
from itertools import count
from pathlib import Path

from watchdog.observers.inotify_c import (
    CallbackId,
    InotifyConstants,
    InotifyEvent,
    InotifyFD,
    Mask,
    WatchDescriptor,
)

MASK = Mask(
    InotifyConstants.IN_CLOSE_WRITE
    | InotifyConstants.IN_MOVED_TO
    | InotifyConstants.IN_MODIFY
    | InotifyConstants.IN_CREATE
    | InotifyConstants.IN_DELETE_SELF
    | InotifyConstants.IN_MOVE_SELF
    | InotifyConstants.IN_ONLYDIR
)


class Hint(IntEnum):
    """What an event says of a file, the more certain the higher."""

    CHANGED = 1
    CLOSED = 2


class FolderEvents:
    """Watches folders below one root; calls back on its own thread, and must not be blocked.

    Args:
        root: the watched folder.
        hint: called with the relative path of a file and what happened.
        scan: called where only a scan helps, with the reason: "overflow" (the kernel dropped
            events), "folder" (a folder appeared, moved or went).

    Raises:
        OSError: the system has no more inotify instances.
    """

    def __init__(
        self, root: Path, *, hint: Callable[[bytes, Hint], None], scan: Callable[[str], None]
    ) -> None:
        self._root = os.fsencode(root)
        self._hint = hint
        self._scan = scan
        self._numbers = count(1)
        # Both replaced or changed by the source's thread, read by the event thread; single
        # dictionary operations need no lock.
        self._folders: dict[WatchDescriptor, tuple[bytes, CallbackId]] = {}
        self._covered: dict[bytes, tuple[WatchDescriptor, tuple[int, int]]] = {}
        self._inotify = InotifyFD()
        self._inotify.name = f"events of {root}"
        self._inotify.start()

    @property
    def is_alive(self) -> bool:
        """Whether events can still come."""
        return self._inotify.is_alive()

    def cover(self, folder: bytes, status: os.stat_result) -> None:
        """Watch `folder` (path relative to the root, b"" for the root); again if replaced.

        Raises:
            OSError: it cannot be watched, e.g. as the limit of watches is reached.
        """
        identity = (status.st_dev, status.st_ino)
        earlier = self._covered.get(folder)
        if earlier is not None and earlier[1] == identity and earlier[0] in self._folders:
            return
        path = self._root + b"/" + folder if folder else self._root
        number = CallbackId(next(self._numbers))
        watch = self._inotify.add_callback(path, MASK, self, number)
        if watch < 0:
            raise PermissionError(f"{os.fsdecode(path)!r} may not be watched")
        # A folder that was renamed keeps its watch: only the newest name counts.
        former = self._folders.get(watch)
        self._folders[watch] = (folder, number)
        self._covered[folder] = (watch, identity)
        if former is not None:
            self._inotify.remove_callbacks([(watch, former[1])])
        if earlier is not None and earlier[0] != watch:
            self._forget(earlier[0])

    def keep_only(self, folders: set[bytes]) -> None:
        """Stop watching folders that are no longer there."""
        for folder in self._covered.keys() - folders:
            watch, _ = self._covered.pop(folder)
            if self._folders.get(watch, (None,))[0] == folder:
                self._forget(watch)

    def stop(self) -> None:
        """End; no callback comes after this returns."""
        self._folders.clear()
        self._inotify.stop()
        self._inotify.join()

    def _forget(self, watch: WatchDescriptor) -> None:
        former = self._folders.pop(watch, None)
        if former is not None:
            self._inotify.remove_callbacks([(watch, former[1])])

    # Called by watchdog on its thread. An exception here would end the thread, so there is
    # nothing in them that can raise.

    def on_event(self, event: InotifyEvent) -> None:
        """Turn an event into a hint."""
        known = self._folders.get(event.wd)
        if known is None:
            return
        if event.is_directory:
            self._scan("folder")
            return
        if event.name:
            name = known[0] + b"/" + event.name if known[0] else event.name
            sure = event.is_close_write or event.is_moved_to
            self._hint(name, Hint.CLOSED if sure else Hint.CHANGED)

    def on_watch_deleted(self, wd: WatchDescriptor) -> None:
        """The folder is gone or unmounted: look whether there is another."""
        if self._folders.pop(wd, None) is not None:
            self._scan("folder")

    def on_queue_overflow(self) -> None:
        """The kernel dropped events."""
        self._scan("overflow")
