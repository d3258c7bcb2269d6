"""Simulated folders: files as their writers leave them, looked at by the real rules of readiness.

`Track` says when a version is handed over; time comes in. After a restart nothing is remembered
and every file is looked at anew.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime

from ingestd.sources.arrivals import Arrival
from ingestd.sources.folder.content import Mark
from ingestd.sources.folder.readiness import Answer, Track
from tests.simulation.arriving import deliver
from tests.simulation.laboratory import SETTLE_S
from tests.simulation.printing import Printed
from tests.simulation.site import Site


@dataclass(slots=True)
class File:
    """A file as it lies there; `then` is what a plan in it does to the model."""

    printed: Printed
    then: Callable[[], None] | None = None
    track: Track = field(default_factory=Track)


def mark_of(data: bytes) -> Mark:
    """Size and digest by which a version is known again."""
    return len(data), hashlib.sha256(data).digest()


class Folder:
    """One watched folder of a site."""

    def __init__(self, site: Site, source: str) -> None:
        self.site = site
        self.source = source
        self.files: dict[str, File] = {}

    def write(self, name: str, printed: Printed, then: Callable[[], None] | None = None) -> None:
        """A writer puts a file's content there, new or changed, and closes it."""
        file = self.files.setdefault(name, File(printed))
        file.printed, file.then = printed, then
        file.track.closed = True

    def forget(self) -> None:
        """The program has been started anew."""
        for file in self.files.values():
            file.track = Track()

    def look(self, name: str, at: datetime) -> bool:
        """Look at a file, hand it over if it is ready; True if it is to be looked at again.

        Raises:
            StoreFull, PowerCut: as the site has them; the version counts as not delivered.
        """
        file = self.files[name]
        track, data = file.track, file.printed.data
        now = at.timestamp()
        known = [m for m in (track.seen, track.delivered) if m is not None]
        prefixes = frozenset(m for m in known if mark_of(data[: m[0]]) == m)
        answer = track.judge(mark_of(data), prefixes, now=now, settle_s=SETTLE_S)
        if answer in (Answer.NOTHING, Answer.WAIT):
            return answer is Answer.WAIT
        final = answer is Answer.DELIVER_FINAL
        continues = track.delivered if track.delivered in prefixes else None
        arrival = Arrival(
            source=self.source,
            name=name,
            pieces=(data,),
            size=len(data),
            sha256=hashlib.sha256(data).hexdigest(),
            final=final,
            seen_at=at,
            continues=(continues[0], continues[1].hex()) if continues else None,
        )
        done = deliver(self.site, arrival, file.printed, file.then)
        track.was_delivered(done=done or final)
        return track.finished is None
