"""A folder watched for years: every version of every file in it is delivered, none is missed.

One thread a folder. The scan is the truth: it lists the folder every few seconds, notices what
is new or changed, and never ends. Events of the kernel are hints that only shorten the way. Both
lead to a look at one file. In each turn the thread takes, in this order, the hints, the
appointments for a second look, the scan if it is due, and a few files of the backlog that the
scan left, oldest first; so a file closed just now does not wait behind thousands found after an
outage.
"""

import errno
import os
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import islice
from typing import Literal

from ingestd import events
from ingestd.sources.arrivals import Arrival
from ingestd.sources.folder.events import FolderEvents, Hint
from ingestd.sources.folder.filesystem import (
    FolderLost,
    Listed,
    NameFilter,
    filesystem_type,
    is_remote,
    list_files,
)
from ingestd.sources.folder.look import NOT_READ, FileLooks
from ingestd.sources.folder.settings import FolderSettings, FolderStatus, Log

QUIET_S = 0.2  # after a change without close: a writer that closes at once is not looked at twice
LOST_S = 30.0  # longest pause between attempts to open a folder that gives errors
BACKLOG_SHARE = 16  # files of the backlog looked at between two looks at the hints
SERVED_EVERY = 500  # names of a scan gone through between two looks at the hints
MOST_HINTS = 10_000  # more at once are dropped, and a scan finds the files
SCAN_PAUSE = 20  # between two scans lies at least so many times the duration of one

EVENTS_REMEDY = (
    "files are found by the scan alone; if a limit was reached, raise "
    "fs.inotify.max_user_watches or fs.inotify.max_user_instances"
)


class FolderSource:
    """Watches one folder on a thread of its own.

    Args:
        settings: what to watch and how.
        deliver: takes an arrival over. True: nothing in it is unfinished; False: look again and
            deliver it as final. It may block. If it raises, the file counts as not delivered and
            is tried again at the next scan.
        log: a structlog logger, already bound to the source.
        is_known: whether these bytes, by (name, sha256), were taken over in an earlier life with
            nothing unfinished: spares delivering an unchanged folder again after a restart.
        clock: present time in UTC.
    """

    def __init__(
        self,
        settings: FolderSettings,
        deliver: Callable[[Arrival], bool],
        log: Log,
        *,
        is_known: Callable[[str, str], bool] = lambda _name, _sha256: False,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._settings = settings
        self._log = log
        self._clock = clock
        self._names = NameFilter(settings.patterns, settings.ignore)
        self._thread = threading.Thread(
            target=self._run, name=f"folder {settings.name}", daemon=True
        )
        # Shared with the event thread and with callers, guarded by the condition.
        self._something = threading.Condition()
        self._hints: dict[bytes, Hint] = {}
        self._scan_asked = ""
        self._stopping = False
        # Of the source's thread alone; `status` reads single values.
        self._looks = FileLooks(
            settings,
            deliver,
            log,
            is_known=is_known,
            clock=clock,
            is_stopping=lambda: self._stopping,
        )
        self._events: FolderEvents | None = None
        self._events_refused = ""
        self._refusal = ""  # the same, of the scan that is being made
        self._backlog: dict[bytes, float] = {}
        self._scan_due = 0.0
        self._scan_earliest = 0.0
        self._sweep_due = time.monotonic() + settings.sweep_s
        self._folders: set[bytes] = set()
        self._failed_below = False
        self._lost = "not looked at yet"
        self._losses = 0
        self._filesystem = ""
        self._last_scan_at: datetime | None = None
        self._files_seen = 0
        self._beat: float | None = None  # last sign of life during a turn; None while it waits

    # --- for other threads --------------------------------------------------------------------

    def start(self) -> None:
        """Begin watching; the first scan finds what lies there already."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end after the delivery it may be in."""
        with self._something:
            self._stopping = True
            self._something.notify()

    def join(self, timeout: float | None = None) -> None:
        """Wait for the thread to end, at most `timeout` seconds."""
        self._thread.join(timeout)

    def scan_now(self) -> None:
        """Ask for a scan at once; returns before it is made."""
        self._ask_scan("asked")

    def status(self) -> FolderStatus:
        """How it is doing, without waiting for the thread."""
        tracks = list(self._looks.tracks.values())
        lost, refused = self._lost, list(self._looks.refused.values())[:1]
        return FolderStatus(
            name=self._settings.name,
            path=self._settings.path,
            state="degraded" if lost or refused else "ok",
            detail=lost or "".join(refused) or self._events_refused,
            backend=self._backend(),
            filesystem=self._filesystem,
            last_scan_at=self._last_scan_at,
            last_arrival_at=self._looks.last_arrival_at,
            files_seen=self._files_seen,
            files_waiting=sum(
                not track.complaint and (track.seen is None or track.seen != track.finished)
                for track in tracks
            ),
            files_passed_over=sum(bool(track.complaint) for track in tracks),
            is_alive=self._thread.is_alive(),
            busy_s=0.0 if (beat := self._beat) is None else time.monotonic() - beat,
        )

    def _backend(self) -> Literal["native", "polling"]:
        return "polling" if self._events is None or self._events_refused else "native"

    def _ask_scan(self, reason: str) -> None:
        with self._something:
            if self._scan_asked != "overflow":
                self._scan_asked = reason
            self._something.notify()

    def _take_hint(self, name: bytes, hint: Hint) -> None:
        with self._something:
            if len(self._hints) >= MOST_HINTS and name not in self._hints:
                self._scan_asked = "overflow"
            else:
                self._hints[name] = max(hint, self._hints.get(name, hint))
            self._something.notify()

    # --- the thread -----------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stopping:
                try:
                    self._turn()
                except FolderLost as error:
                    self._lose(error)
                except Exception as error:  # noqa: BLE001 - the folder goes on being watched
                    self._degrade(f"{type(error).__name__}: {error}", events.FOLDER_SCAN_BROKEN)
        finally:
            if self._events is not None:
                self._events.stop()

    def _turn(self) -> None:
        """One round of work; FolderLost if the folder cannot be opened."""
        self._beat = None
        self._wait()
        self._serve_hints()
        if not self._is_paused():
            for name in self._looks.take_due():
                self._beat = time.monotonic()
                self._looks.look(name)
                if self._is_paused():
                    break
        if time.monotonic() >= self._scan_due and not self._stopping:
            self._scan()
        for name in list(islice(self._backlog, BACKLOG_SHARE)):
            if self._is_paused():
                break
            listed_at = self._backlog.pop(name)
            self._beat = time.monotonic()
            # If a hint or appointment came to it meanwhile, that was newer than the list.
            if name in self._looks.tracks and self._looks.tracks[name].looked_at < listed_at:
                self._looks.look(name)

    def _serve_hints(self) -> None:
        """Look at the files that something happened to."""
        self._beat = time.monotonic()
        with self._something:
            taken, self._hints = self._hints, {}
        hints = {name: hint for name, hint in taken.items() if self._names.wants(name)}
        for name, hint in hints.items():
            track = self._looks.track(name)
            # Whatever comes between, the next scan will not take the file for unchanged.
            track.stamp = None
            track.closed |= hint is Hint.CLOSED
        for name, hint in hints.items():
            if self._is_paused():
                break
            if hint is Hint.CLOSED:
                self._looks.look(name)
            else:
                self._looks.appoint(name, QUIET_S)

    def _is_paused(self) -> bool:
        """Whether looks are of no use before the next scan: nothing is lost by waiting for it."""
        return bool(self._lost) or self._looks.held or self._stopping

    def _wait(self) -> None:
        """Return as soon as there is anything to do."""
        with self._something:
            wake = self._scan_due
            if not self._is_paused():
                wake = 0.0 if self._backlog else min(wake, self._looks.next_due() or wake)
            self._something.wait_for(
                lambda: self._stopping or self._scan_asked or self._hints,
                timeout=max(wake - time.monotonic(), 0.0),
            )
            if self._scan_asked == "overflow":
                self._log.warning(events.FOLDER_EVENTS_DROPPED, path=str(self._settings.path))
            if self._scan_asked:
                self._scan_due = min(self._scan_due, self._scan_earliest)
                self._scan_asked = ""
            if time.monotonic() >= self._scan_due:
                self._looks.held = False

    # --- scanning -------------------------------------------------------------------------------

    def _scan(self) -> None:
        begun = time.monotonic()
        self._failed_below = False
        self._folders = set()
        self._refusal = ""
        self._listen()
        everything = list_files(
            self._settings.path,
            enters=lambda name: self._settings.recursive and not self._names.bars(name),
            entering=self._enter,
            failing=self._fail_below,
        )
        listed = []
        for number, one in enumerate(everything, start=1):
            track = self._looks.tracks.get(one.name)
            # What was read before is wanted; asking each name at each scan is the slower half.
            if (track is not None and track.stamp is not None) or self._names.wants(one.name):
                listed.append(one)
            # A long list must not keep a file waiting that was closed just now.
            if number % SERVED_EVERY == 0:
                self._serve_hints()
        if self._refusal not in ("", self._events_refused):
            self._log.warning(
                events.FOLDER_EVENTS_REFUSED,
                path=str(self._settings.path),
                reason=self._refusal,
                remedy=EVENTS_REMEDY,
            )
        self._events_refused = self._refusal
        if self._lost:
            self._lost, self._losses = "", 0
            self._log.info(
                events.FOLDER_WATCHED,
                path=str(self._settings.path),
                backend=self._backend(),
                filesystem=self._filesystem,
            )
        if begun >= self._sweep_due:
            self._sweep_due = begun + self._settings.sweep_s
            for track in self._looks.tracks.values():
                track.confirmed = False
        self._compare(listed, begun)
        if self._events is not None and not self._failed_below:
            self._events.keep_only(self._folders)
        self._files_seen = len(listed)
        self._last_scan_at = self._clock()
        now = time.monotonic()
        self._scan_earliest = now + (now - begun)
        self._scan_due = now + max(self._settings.scan_s, SCAN_PAUSE * (now - begun))

    def _compare(self, listed: list[Listed], begun: float) -> None:
        """Put on the backlog what may have changed, oldest first; forget what is gone."""
        looks = self._looks
        found = []
        for number, one in enumerate(listed, start=1):
            if number % SERVED_EVERY == 0:
                self._serve_hints()
            if one.kind != "file":
                looks.pass_over(one.name, NOT_READ)
            elif looks.is_worth_a_look(looks.track(one.name), one.stamp, begun):
                found.append(one)
        for one in sorted(found, key=lambda one: (one.stamp[1], one.name)):
            self._backlog.setdefault(one.name, begun)
        if self._failed_below:
            return
        # A file that a hint brought after the list was made is not gone.
        for name in looks.tracks.keys() - {one.name for one in listed}:
            if looks.tracks[name].looked_at < begun:
                looks.forget(name)

    def _listen(self) -> None:
        """Have events where they help; without them the scan alone does the work."""
        self._filesystem = filesystem_type(self._settings.path)
        backend = self._settings.backend
        if backend == "polling" or (backend == "auto" and is_remote(self._filesystem)):
            return
        if self._events is not None and not self._events.is_alive:
            self._events.stop()
            self._events = None
        if self._events is None:
            try:
                self._events = FolderEvents(
                    self._settings.path, hint=self._take_hint, scan=self._ask_scan
                )
            except OSError as error:
                self._refusal = error.strerror or str(error)

    def _enter(self, folder: bytes, status: os.stat_result) -> None:
        self._folders.add(folder)
        if self._events is None:
            return
        try:
            self._events.cover(folder, status)
        except OSError as error:
            self._refusal = error.strerror or str(error)

    def _fail_below(self, name: bytes, error: OSError) -> None:
        self._failed_below = True
        self._looks.pass_over(name, error.strerror or str(error))

    def _lose(self, error: FolderLost) -> None:
        gone = error.errno in (errno.ENOENT, errno.ENOTDIR)
        self._degrade(error.strerror or str(error), events.FOLDER_LOST, patient=not gone)

    def _degrade(self, reason: str, event: str, *, patient: bool = True) -> None:
        """Go on without the folder; `patient`: try again less and less often."""
        detail = f"{self._settings.path}: {reason}; it is tried again until it works"
        if detail != self._lost:
            self._lost = detail
            self._log.warning(event, path=str(self._settings.path), reason=reason)
        pause = self._settings.scan_s * 2.0**self._losses
        if patient and pause < LOST_S:
            self._losses += 1
        self._scan_due = time.monotonic() + min(pause, max(LOST_S, self._settings.scan_s))
