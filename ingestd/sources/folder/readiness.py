"""When a file is handed over: what is known of one file, and the answer after each look.

The rules, for a look at the content (never at names or times alone):

1. Content that was delivered and left nothing unfinished: nothing to do.
2. After the writer closed the file or renamed it into place: deliver at once, not final. The
   pipeline counts only what is certainly complete in it.
3. Content that begins with what was seen before has grown: deliver at once, not final, as rows
   that were there before are as certain now as then.
4. Anything else, first sightings and rewritten files with an open writer, might be half of what
   is being written: wait until two looks `settle_s` apart agree, then deliver as final.
5. Delivered, but something was unfinished: the same wait, then deliver again as final.
6. No bytes at all: the same wait, whatever the writer did; then final, so that it is recorded.
"""

from dataclasses import dataclass
from enum import Enum, auto

from ingestd.sources.folder.content import Mark
from ingestd.sources.folder.filesystem import Stamp


class Answer(Enum):
    """What follows from a look."""

    NOTHING = auto()
    WAIT = auto()
    DELIVER = auto()
    DELIVER_FINAL = auto()


@dataclass(slots=True)
class Track:
    """What is known of one file; lives as long as the file lies in the folder.

    Attributes:
        stamp: of the last look, None if it must be looked at in any case.
        stamped_at: when that stamp was first seen, monotonic seconds.
        seen: mark of the content at the last look.
        since: when that content was first seen, monotonic seconds.
        delivered: mark of the latest version delivered.
        finished: mark of the latest version delivered of which nothing remains unfinished.
        closed: the writer closed or renamed it and no version was delivered since.
        confirmed: a later look found the same content under the same stamp; from then on an
            equal stamp is trusted, until the next sweep. Stamps are coarse (2 s on some file
            systems): a change right after a look may leave them as they were.
        due: when to look again, monotonic seconds; None for no appointment.
        looked_at: when the last look began, monotonic seconds.
        complaint: what was logged last about it, so that it is logged once.
    """

    stamp: Stamp | None = None
    stamped_at: float = 0.0
    seen: Mark | None = None
    since: float = 0.0
    delivered: Mark | None = None
    finished: Mark | None = None
    closed: bool = False
    confirmed: bool = False
    due: float | None = None
    looked_at: float = 0.0
    complaint: str = ""

    def judge(
        self, mark: Mark, prefixes: frozenset[Mark], *, now: float, settle_s: float
    ) -> Answer:
        """The answer to a look that found the content `mark`, begun at `now`.

        Args:
            mark: size and digest of the content found.
            prefixes: marks of earlier versions with which it begins.
            now: monotonic seconds.
            settle_s: seconds that two equal looks must lie apart.
        """
        grown = self.seen is not None and self.seen[0] > 0 and self.seen in prefixes
        if mark == self.seen:
            grown = False
        else:
            self.seen, self.since = mark, now
        if mark == self.finished:
            self.closed = False
            return Answer.NOTHING
        settled = now - self.since >= settle_s
        if mark[0] > 0 and mark != self.delivered and (self.closed or grown) and not settled:
            return Answer.DELIVER
        return Answer.DELIVER_FINAL if settled else Answer.WAIT

    def note_stamp(self, stamp: Stamp, *, same: bool, ripe_s: float) -> None:
        """Note the stamp found by the look that began at `looked_at`.

        Args:
            stamp: as found.
            same: the content was that of the look before.
            ripe_s: seconds after which no change can hide behind an equal stamp.
        """
        if stamp != self.stamp or not same:
            self.stamp, self.stamped_at, self.confirmed = stamp, self.looked_at, False
        else:
            self.confirmed = self.looked_at - self.stamped_at >= ripe_s

    def is_worth_a_look(self, stamp: Stamp, *, now: float, ripe_s: float) -> bool:
        """Whether a look at a file listed with `stamp` may find what the earlier ones did not."""
        if stamp != self.stamp:
            return True
        return not self.confirmed and self.due is None and now - self.stamped_at >= ripe_s

    def was_delivered(self, *, done: bool) -> None:
        """Note that the content seen last was taken over; `done` if nothing is unfinished."""
        self.delivered = self.seen
        self.finished = self.seen if done else None
        self.closed = False
