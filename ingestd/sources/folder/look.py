"""Looking at one file: read it whole, judge whether it is ready, hand it over."""

import os
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from heapq import heappop, heappush

from ingestd import events
from ingestd.sources.arrivals import Arrival
from ingestd.sources.folder.content import Mark, Reader, hash_by_chunks
from ingestd.sources.folder.filesystem import (
    FolderLost,
    NotRegular,
    Stamp,
    opened_file,
    readable_name,
    stamp_of,
)
from ingestd.sources.folder.readiness import Answer, Track
from ingestd.sources.folder.settings import FolderSettings, Log

BUSY_S = 0.05  # pause after a read during which the file changed
GRANULARITY_S = 2.0  # coarsest time stamps in use, on FAT: from memory
REFUSALS = 3  # deliveries refused in a row after which all others wait for the next scan


NOT_READ = "links, pipes and devices are not read"


class FileLooks:
    """The files of one folder as far as they were looked at; used by the source's thread alone.

    Attributes:
        tracks: what is known, by name.
        refused: what `deliver` raised, by name of the file, while it does.
        held: several deliveries in a row were refused; no look is worth while before the next
            scan.
        last_arrival_at: when the latest version was handed over.
    """

    def __init__(
        self,
        settings: FolderSettings,
        deliver: Callable[[Arrival], bool],
        log: Log,
        *,
        is_known: Callable[[str, str], bool],
        clock: Callable[[], datetime],
        is_stopping: Callable[[], bool],
    ) -> None:
        self._settings = settings
        self._deliver = deliver
        self._log = log
        self._is_known = is_known
        self._clock = clock
        self._is_stopping = is_stopping
        self._ripe_s = max(settings.settle_s, GRANULARITY_S)
        self._reader = Reader(room=settings.keep_bytes)
        self._appointments: list[tuple[float, bytes]] = []
        self._refusals = 0
        self.tracks: dict[bytes, Track] = {}
        self.refused: dict[bytes, str] = {}
        self.held = False
        self.last_arrival_at: datetime | None = None

    def track(self, name: bytes) -> Track:
        """What is known of a file; begins with nothing."""
        track = self.tracks.get(name)
        if track is None:
            track = self.tracks[name] = Track()
        return track

    def appoint(self, name: bytes, after_s: float) -> None:
        """Look at the file again after so many seconds, unless that is to happen earlier."""
        track = self.track(name)
        due = time.monotonic() + after_s
        if track.due is None or due < track.due:
            track.due = due
            heappush(self._appointments, (due, name))

    def next_due(self) -> float | None:
        """When the next appointment is, monotonic seconds."""
        return self._appointments[0][0] if self._appointments else None

    def take_due(self) -> Iterator[bytes]:
        """Names whose appointment has come, one at a time."""
        while self._appointments and self._appointments[0][0] <= time.monotonic():
            due, name = heappop(self._appointments)
            track = self.tracks.get(name)
            if track is not None and track.due == due:
                yield name

    def is_worth_a_look(self, track: Track, stamp: Stamp, now: float) -> bool:
        """Whether a look could bring something that the earlier ones did not."""
        return track.is_worth_a_look(stamp, now=now, ripe_s=self._ripe_s)

    def pass_over(self, name: bytes, reason: str) -> None:
        """Note, once, that a name is not read, and why."""
        track = self.track(name)
        track.stamp = None
        if track.complaint != reason:
            track.complaint = reason
            self._log.warning(events.FILE_PASSED_OVER, file=readable_name(name), reason=reason)

    def forget(self, name: bytes) -> None:
        """Drop what is known of a file that is gone."""
        track = self.tracks.pop(name, None)
        self.refused.pop(name, None)
        self._reader.drop(name)
        if track is not None and track.seen != track.delivered:
            self._log.info(events.FILE_VANISHED, file=readable_name(name))

    def look(self, name: bytes) -> None:
        """Read the file and do what follows from it.

        Raises:
            FolderLost: the folder itself is gone; the file is looked at again when it is back.
        """
        track = self.track(name)
        track.due = None
        track.looked_at = time.monotonic()
        try:
            with opened_file(self._settings.path, name) as fd:
                if os.fstat(fd).st_size > self._settings.limit_bytes:
                    arrival = self._examine_oversize(fd, name, track)
                else:
                    arrival = self._examine(fd, name, track)
        except FileNotFoundError:
            self.forget(name)
        except FolderLost:
            track.stamp = None
            raise
        except NotRegular:
            self.pass_over(name, NOT_READ)
        except OSError as error:
            # Its stamp is not noted, so the next scan tries again: rights may be given, a writer
            # on another machine may let go of its lock.
            self.pass_over(name, error.strerror or str(error))
        else:
            track.complaint = ""
            # The file is closed by now: taking it over may block for long.
            if arrival is not None:
                self._hand_over(arrival, name, track)

    def _examine(self, fd: int, name: bytes, track: Track) -> Arrival | None:
        earlier = track.seen
        marks = frozenset(mark for mark in (earlier, track.delivered) if mark is not None)
        look = self._reader.read(fd, name, marks)
        if look is None:
            track.stamp = None
            self.appoint(name, BUSY_S)
            return None
        if earlier is None and self._is_known(readable_name(name), look.digest.hex()):
            track.seen = look.mark
            track.since = track.looked_at
            track.was_delivered(done=True)
        answer = track.judge(
            look.mark, look.prefixes, now=track.looked_at, settle_s=self._settings.settle_s
        )
        if look.mark != earlier:
            # Bytes are worth keeping once a file has shown that it grows.
            if earlier is not None and earlier[0] > 0 and earlier in look.prefixes:
                self._reader.keep(name, look.kept)
            else:
                self._reader.drop(name)
        track.note_stamp(look.stamp, same=look.mark == earlier, ripe_s=self._ripe_s)
        if answer is Answer.WAIT:
            self._appoint_settled(name, track)
        if answer in (Answer.NOTHING, Answer.WAIT):
            return None
        continues = track.delivered if track.delivered in look.prefixes else None
        return Arrival(
            source=self._settings.name,
            name=readable_name(name),
            pieces=look.kept.pieces,
            size=look.kept.size,
            sha256=look.digest.hex(),
            final=answer is Answer.DELIVER_FINAL,
            seen_at=self._clock(),
            continues=(continues[0], continues[1].hex()) if continues else None,
        )

    def _examine_oversize(self, fd: int, name: bytes, track: Track) -> Arrival | None:
        """Hash a file over the limit, once its stamp has settled; its bytes are never kept."""
        stamp = stamp_of(os.fstat(fd))
        # Hashing such a file at every look could take all day; here the stamp stands for it.
        mark: Mark = (stamp[0], repr(stamp).encode())
        track.closed = False
        answer = track.judge(
            mark, frozenset(), now=track.looked_at, settle_s=self._settings.settle_s
        )
        self._reader.drop(name)
        track.note_stamp(stamp, same=True, ripe_s=self._ripe_s)
        if answer is Answer.WAIT:
            self._appoint_settled(name, track)
        if answer is not Answer.DELIVER_FINAL:
            return None
        hashed = hash_by_chunks(fd, stopped=self._is_stopping)
        if hashed is None:
            track.stamp = None
            self.appoint(name, BUSY_S)
            return None
        return Arrival(
            source=self._settings.name,
            name=readable_name(name),
            pieces=(),
            size=hashed[0],
            sha256=hashed[1],
            final=True,
            seen_at=self._clock(),
            oversize=hashed,
        )

    def _hand_over(self, arrival: Arrival, name: bytes, track: Track) -> None:
        try:
            done = self._deliver(arrival)
        # What it means for the service is decided by whoever raised it.
        except Exception as error:  # noqa: BLE001 - whatever it was, the bytes are offered again
            track.stamp = None
            self._refusals += 1
            self.held = self._refusals >= REFUSALS
            reason = f"{type(error).__name__}: {error}"
            if self.refused.get(name) != reason:
                self.refused[name] = reason
                self._log.warning(events.ARRIVAL_REFUSED, file=arrival.name, reason=reason)
            return
        self._refusals = 0
        self.last_arrival_at = arrival.seen_at
        if self.refused.pop(name, None) is not None:
            self._log.info(events.ARRIVAL_TAKEN_AFTER_ALL, file=arrival.name)
        track.was_delivered(done=done or arrival.final)
        if track.finished is None:
            self._appoint_settled(name, track)

    def _appoint_settled(self, name: bytes, track: Track) -> None:
        self.appoint(name, track.since + self._settings.settle_s - time.monotonic())
