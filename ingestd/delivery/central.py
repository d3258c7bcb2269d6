"""The central PostgreSQL as a target: what it has, what it lacks, one batch at a time.

The centre's own cursor is the truth about what it has. A crash between its commit and our mark,
or a centre restored from a backup, only moves where the next batch begins.
"""

import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import psycopg

from ingestd.config import Config, PostgresTarget
from ingestd.delivery import merging
from ingestd.delivery.batches import batch_of, next_batch
from ingestd.delivery.connecting import SUBJECT, Connection, connect, cut, deadline, translate
from ingestd.delivery.merging import Batch, Renew
from ingestd.delivery.schema import check_schema
from ingestd.delivery.targets import Apply, Progress
from ingestd.errors import IngestError, TargetRejected
from ingestd.ledger import deliveries
from ingestd.ledger.connection import Connection as LedgerConnection
from ingestd.ledger.journal.merkle import Frontier
from ingestd.ledger.store import Ledger
from ingestd.steps import step

MONTHS_AHEAD = 2
LINGER_S = 60.0  # a connection that idles longer is given up: the centre has many sites


class CentralTarget:
    """Delivers one site's journal and results to the central database.

    Args:
        config: of the site, with a [delivery.postgres] section.
        apply: runs a job on the ledger that may write, and returns when it has.
        clock: the present instant, UTC.
        linger_s: a connection that has nothing to do for longer is given up.
    """

    name = "postgres"

    def __init__(
        self,
        config: Config,
        *,
        apply: Apply,
        clock: Callable[[], datetime],
        linger_s: float = LINGER_S,
    ) -> None:
        settings = config.delivery.postgres
        if settings is None:
            raise TargetRejected("delivery", "there is no [delivery.postgres] section", "add it")
        self.settings: PostgresTarget = settings
        self._site = config.site.name
        self._checkpoints = config.ledger.checkpoints or Path("checkpoints")
        self._apply = apply
        self._clock = clock
        self._conn: Connection | None = None
        self._at = Frontier()  # what the centre has
        self._checkpoint = 0  # size of the newest one it has
        self._months: set[str] = set()
        self._touched = -1  # when the folder of checkpoints changed last, as far as looked at
        self._linger_s = linger_s
        self._busy_until = time.monotonic()
        self._is_settled = False  # the centre was found to have all there is at `_at`

    def step(self, ledger: LedgerConnection) -> Progress:
        """Bring the next batch there and mark it here; does nothing if there is nothing new.

        Args:
            ledger: for reading only.

        Raises:
            TargetUnavailable, TargetRejected: the centre; nothing is lost, step again later.
        """
        if self._is_settled and not self._has_news(ledger):
            if self._conn is not None and time.monotonic() - self._busy_until > self._linger_s:
                self.close()
            return Progress()
        self._is_settled = False
        return self._guarded(lambda conn, renew: self._step(conn, ledger, renew))

    def _has_news(self, ledger: LedgerConnection) -> bool:
        return _touched(self._checkpoints) != self._touched or deliveries.has_news(
            ledger, self._at.size
        )

    def retry(self, ledger: LedgerConnection) -> Progress:
        """Offer what the centre refused once more; as `step`."""
        return self._guarded(lambda conn, renew: self._retry(conn, ledger, renew))

    def interrupt(self) -> None:
        """End a step under way, from another thread; it counts as unreachable."""
        if self._conn is not None:
            cut(self._conn)

    def close(self) -> None:
        """Leave the centre."""
        if self._conn is not None:
            self._conn.close()
            self._conn = None

    def _guarded(self, work: Callable[[Connection, Renew], Progress]) -> Progress:
        try:
            conn = self._conn or self._open()
            with deadline(conn, self.settings.deadline_s) as renew:
                return work(conn, renew)
        except psycopg.Error as error:
            self.close()
            raise translate(error) from error
        except IngestError:
            self.close()
            raise

    def _open(self) -> Connection:
        conn = self._conn = connect(self.settings)
        self._months.clear()
        with deadline(conn, self.settings.deadline_s):
            check_schema(conn)
            merging.make_staging(conn)
            self._at = Frontier()
            self._checkpoint = -1  # unknown until the cursor has been read
        return conn

    def _step(self, conn: Connection, ledger: LedgerConnection, renew: Renew) -> Progress:
        if self._checkpoint < 0:
            self._find_cursor(conn, ledger, renew)
        self._busy_until = time.monotonic()
        start = self._at
        touched = _touched(self._checkpoints)
        size = deliveries.journal_size(ledger)
        batch = next_batch(
            ledger,
            self._site,
            start,
            most=self.settings.batch,
            checkpoints=self._checkpoints,
            sent=self._checkpoint,
        )
        if not batch.checkpoints and not deliveries.has_news(ledger, start.size):
            self._touched, self._is_settled = touched, True
            return Progress()
        self._make_months(conn, batch)
        refused = merging.send(conn, batch, renew)
        step("batch_committed")
        rows = batch.count(without=refused)
        if batch.after.size > start.size:
            self._mark(batch.after, rows, refused)
        self._at = batch.after
        if batch.checkpoints:
            self._checkpoint = batch.checkpoints[-1][2]
        return Progress(
            entries=batch.after.size - start.size,
            rows=rows,
            refused=refused,
            more=batch.after.size < size,
        )

    def _retry(self, conn: Connection, ledger: LedgerConnection, renew: Renew) -> Progress:
        before = deliveries.set_aside_entries(ledger, self.name)
        if not before:
            return Progress()
        batch = batch_of(ledger, self._site, sorted(before))
        self._make_months(conn, batch)
        refused = merging.send_again(conn, batch, renew)
        rows = batch.count(without=refused)
        cleared = sorted(set(before) - set(refused))
        again = {about: said for about, said in refused.items() if said != before[about]}
        if cleared or again:
            mark = deliveries.delivered_up_to(ledger, self.name)
            self._mark(mark, rows, again, cleared)
        return Progress(entries=len(cleared), rows=rows, refused=refused)

    def _find_cursor(self, conn: Connection, ledger: LedgerConnection, renew: Renew) -> None:
        """Where the centre stands; it must be a point of our own history."""
        row = conn.execute(
            "SELECT s.site, c.next_index, c.nodes FROM ingestd.sites s JOIN ingestd.cursors c"
            " ON c.site = s.site WHERE s.site = ingestd.own_site()"
        ).fetchone()
        if row is None or row[0] != self._site:
            raise TargetRejected(
                SUBJECT,
                f"its user may not write for site {self._site!r}"
                + (f", but for {row[0]!r}" if row else ""),
                "an owner admits it with `ingestd central admit`",
            )
        size = int(row[1])
        there = Frontier.from_bytes(row[2])
        marked = deliveries.delivered_up_to(ledger, self.name)
        ours = deliveries.frontier_at(ledger, size, marked)
        if ours != there:
            raise TargetRejected(
                SUBJECT,
                f"its {size} journal entries of site {self._site!r} are not the first {size}"
                f" of this ledger, which has {deliveries.journal_size(ledger)}",
                "two ledgers deliver under one name, or this one was restored from an older"
                " backup: compare both with `ingestd verify` before anything else",
            )
        self._catch_up(conn, ledger, marked, ours, renew)
        newest = conn.execute(
            "SELECT size FROM ingestd.checkpoints WHERE site = %s ORDER BY size DESC LIMIT 1",
            (self._site,),
        ).fetchone()
        self._at = there
        self._checkpoint = newest[0] if newest else 0

    def _catch_up(
        self,
        conn: Connection,
        ledger: LedgerConnection,
        marked: Frontier,
        ours: Frontier,
        renew: Renew,
    ) -> None:
        """Mark entries that the centre has although we never heard of it.

        Which of their rows it refused went unheard, too: they are offered again, and change
        nothing where they are there.
        """
        while marked.size < ours.size:
            batch = next_batch(
                ledger,
                self._site,
                marked,
                most=min(self.settings.batch, ours.size - marked.size),
                checkpoints=self._checkpoints,
                sent=ours.size,
            )
            self._make_months(conn, batch)
            refused = merging.send_again(conn, batch, renew)
            self._mark(batch.after, batch.count(without=refused), refused)
            marked = batch.after

    def _mark(
        self,
        frontier: Frontier,
        rows: int,
        refused: dict[int, str],
        cleared: list[int] | None = None,
    ) -> None:
        def mark(ledger: Ledger) -> None:
            with ledger.change(at=self._clock(), by="ingestd") as change:
                deliveries.mark_delivered(
                    change,
                    self.name,
                    frontier,
                    rows=rows,
                    set_aside=refused,
                    cleared=cleared or (),
                )
                change.flush()
                step("mark_written")

        self._apply(mark)
        step("mark_committed")

    def _make_months(self, conn: Connection, batch: Batch) -> None:
        """Partitions for this batch, and for the months to come by the clock."""
        now = self._clock()
        ahead = {
            f"{now.year + (now.month - 1 + step) // 12:04}-{(now.month - 1 + step) % 12 + 1:02}-01"
            for step in range(MONTHS_AHEAD + 1)
        }
        wanted = sorted((batch.months | ahead) - self._months)
        for at in range(0, len(wanted), 60):
            conn.execute("SELECT ingestd.make_months(%s::date[])", (wanted[at : at + 60],))
        self._months.update(wanted)


def _touched(folder: Path) -> int:
    """When something was added to a folder, nanoseconds; -1 if it is not there."""
    try:
        return folder.stat().st_mtime_ns
    except OSError:
        return -1
