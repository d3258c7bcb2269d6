"""A thread that looks at what waits and tells it: once a matter, gathered, not in quiet hours.

At most once, even across a crash: a matter is marked in the ledger before its notice is sent, and
unmarked only if the notice certainly did not go out. A notice that nobody takes is kept and tried
again as it is; a matter that is gone before it could be told is never told.
"""

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from ingestd import events
from ingestd.config import Config
from ingestd.config.operation import NoticesSection, quiet_span
from ingestd.errors import IngestError
from ingestd.ledger.connection import Connection
from ingestd.ledger.notices import (
    is_gone_noted,
    mark_telling,
    mark_told,
    note_gone,
    told_matters,
    unmark,
    unsure_matters,
)
from ingestd.ledger.store import Ledger
from ingestd.service.notices.channel import Channel, MaybeTaken, NotTaken
from ingestd.service.notices.letter import Letter, write_letter
from ingestd.service.notices.matters import Matter, find_matters
from ingestd.service.status import standing

LOOK_S = 15.0
GATHER_S = 30.0  # what comes within so long of the first goes into one notice
FORGET = timedelta(minutes=30)  # a matter that comes back sooner is the same one
FIRST_WAIT_S = 30.0
LONGEST_WAIT_S = 1800.0

Apply = Callable[[Callable[[Connection], None]], None]
Own = Callable[[], Sequence[tuple[str, str]]]


def make_channels(settings: NoticesSection, *, now: Callable[[], datetime]) -> list[Channel]:
    """The ways that a configuration names."""
    if settings.mail is None and settings.webhook is None:
        return []
    # Mail and HTTP cost megabytes, which a service that tells nobody does not need.
    from ingestd.service.notices.channels import Hook, Mail  # noqa: PLC0415 - as said

    found: list[Channel] = []
    if settings.mail is not None:
        found.append(Mail(settings.mail))
    if settings.webhook is not None:
        found.append(Hook(settings.webhook, now=now))
    return found


def is_quiet(settings: NoticesSection, zone: str, at: datetime) -> bool:
    """Whether nobody is told anything at this instant."""
    if not settings.quiet_hours:
        return False
    begin, end = quiet_span(settings.quiet_hours)
    local = at.astimezone(ZoneInfo(zone)).time()
    if begin < end:
        return begin <= local < end
    return local >= begin or local < end


@dataclass(slots=True)
class _Round:
    """One channel's postbag.

    Attributes:
        kept: a notice that was not taken yet, tried again as it is.
        earliest: monotonic time before which nothing is sent.
        failures: attempts in a row that were not taken.
    """

    channel: Channel
    kept: Letter | None = None
    earliest: float = 0.0
    failures: int = 0
    seen: dict[str, float] = field(default_factory=dict)


class NoticeSender:
    """Tells operators what waits.

    Args:
        config: names channels, quiet hours and how often.
        apply: runs a job on the ledger's connection inside a transaction, and returns then.
        own: key and sentence of what the service knows of itself.
        clock: the present instant, UTC.
        log: a structlog logger.
        channels: those of the configuration by default.
        look_s, gather_s: as LOOK_S and GATHER_S.
    """

    def __init__(
        self,
        config: Config,
        *,
        apply: Apply,
        own: Own,
        clock: Callable[[], datetime],
        log: Any,
        channels: Sequence[Channel] | None = None,
        look_s: float = LOOK_S,
        gather_s: float = GATHER_S,
    ) -> None:
        self._config = config
        self._apply = apply
        self._own = own
        self._clock = clock
        self._log = log
        self._look_s = look_s
        self._gather_s = gather_s
        found = make_channels(config.notices, now=clock) if channels is None else channels
        self._rounds = [_Round(channel) for channel in found]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="notices", daemon=True)

    @property
    def has_work(self) -> bool:
        """Whether there is any way to tell anybody."""
        return bool(self._rounds)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end."""
        self._stop.set()

    def join(self, timeout: float = 5.0) -> None:
        """Wait for it; one that waits for a mail server is left behind."""
        if self._thread.ident is not None:
            self._thread.join(timeout)

    def _run(self) -> None:
        is_first = True
        while not self._stop.is_set():
            try:
                ledger = Ledger.open_readonly(self._config.ledger.path)
                try:
                    if is_first:
                        self._tell_unsure(ledger.conn)
                    is_first = False
                    self.look(ledger.conn)
                finally:
                    ledger.close()
            except (IngestError, RuntimeError) as error:  # RuntimeError: the writer has stopped
                if not self._stop.is_set():
                    self._log.warning(events.NOTICE_DEFERRED, problem=str(error))
            except Exception as error:  # noqa: BLE001 - a bug here must not end the intake
                self._log.error(events.NOTICE_DEFERRED, problem=repr(error), exc_info=error)
            self._stop.wait(self._look_s)

    def _tell_unsure(self, conn: Connection) -> None:
        """Say which notices were under way when the service last ended."""
        for one in self._rounds:
            name = one.channel.name
            unsure = unsure_matters(conn, name)
            if unsure:
                self._log.warning(
                    events.NOTICE_UNCERTAIN, channel=name, matters=len(unsure), first=unsure[0]
                )
                self._apply(partial(mark_told, channel=name, matters=unsure))

    def look(self, conn: Connection) -> None:
        """See what waits, and tell what has not been told and may be now."""
        at = self._clock()
        matters = find_matters(
            conn,
            standing(conn, self._config, now=at),
            self._own(),
            held_results=self._config.notices.held_results,
        )
        present = {one.key for one in matters}
        if not is_gone_noted(conn, present, forget_before=at - FORGET):
            self._apply(lambda conn: note_gone(conn, present, at=at, forget_before=at - FORGET))
        is_silent = is_quiet(self._config.notices, self._config.site.time_zone, at)
        for one in self._rounds:
            self._serve(one, conn, matters, present, at=at, is_silent=is_silent)

    def _serve(
        self,
        one: _Round,
        conn: Connection,
        matters: Sequence[Matter],
        present: set[str],
        *,
        at: datetime,
        is_silent: bool,
    ) -> None:
        told = told_matters(conn, one.channel.name)
        new = [matter for matter in matters if matter.key not in told]
        now = time.monotonic()
        one.seen = {matter.key: one.seen.get(matter.key, now) for matter in new}
        if one.kept is not None and not present.intersection(one.kept.matters):
            one.kept = None  # all of it has mended itself meanwhile
        if is_silent or now < one.earliest or not (new or one.kept):
            return
        if one.kept is None and now - min(one.seen.values()) < self._gather_s:
            return
        letter = one.kept or write_letter(self._config.site.name, new, at=at)
        self._send(one, letter)

    def _send(self, one: _Round, letter: Letter) -> None:
        name = one.channel.name
        at = self._clock()
        self._apply(lambda conn: mark_telling(conn, name, letter.matters, at))
        try:
            one.channel.send(letter)
        except NotTaken as error:
            self._apply(lambda conn: unmark(conn, name, letter.matters))
            wait_s = min(FIRST_WAIT_S * 2.0**one.failures, LONGEST_WAIT_S)
            if one.failures == 0:
                self._log.warning(
                    events.NOTICE_DEFERRED, channel=name, problem=str(error), again_in_s=wait_s
                )
            one.failures += 1
            one.kept = letter
            one.earliest = time.monotonic() + wait_s
            return
        except MaybeTaken as error:
            self._log.warning(events.NOTICE_UNCERTAIN, channel=name, problem=str(error))
        else:
            self._log.info(events.NOTICE_SENT, channel=name, matters=len(letter.matters))
        self._apply(lambda conn: mark_told(conn, name, letter.matters))
        one.kept, one.failures = None, 0
        one.earliest = time.monotonic() + self._config.notices.every_minutes * 60
