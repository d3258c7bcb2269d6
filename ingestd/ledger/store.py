"""The only door to the ledger: open it, change it in one transaction, read it.

A Change collects journal entries and folds them into tables inside one `BEGIN IMMEDIATE`; the
journal's frontier is read inside that transaction, so two processes can never fork the log.
"""

import getpass
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import orjson
import pysqlite3 as sqlite3

from ingestd.errors import LedgerMismatch
from ingestd.ledger.connection import (
    Connection,
    connect,
    immediate,
    migrate,
    refuse_other_schema,
)
from ingestd.ledger.fold import Body, Entry, fold
from ingestd.ledger.journal.canonical import canonical_unchecked
from ingestd.ledger.journal.merkle import Frontier, Node, leaf_hash
from ingestd.model import GROUPED
from ingestd.times import stamp

ENTRY_VERSION = 1


class Change:
    """One transaction under way; everything recorded in it stands together or not at all."""

    def __init__(
        self, conn: Connection, *, at: datetime, by: str, system_user: str | None = None
    ) -> None:
        self._common: Body = {"v": ENTRY_VERSION, "at": stamp(at), "by": by}
        if system_user is not None:
            self._common["system_user"] = system_user
        self.conn = conn
        self.by = by
        self.at = at
        size, nodes = conn.execute("SELECT size, nodes FROM frontier").fetchone()
        self._frontier = Frontier.from_bytes(nodes) if nodes else Frontier()
        if self._frontier.size != size:
            raise LedgerMismatch("journal", "its frontier contradicts itself", "ingestd verify")
        self._first: int = size
        self._next: int = size
        self._pending: list[Entry] = []
        self._ids: dict[str, int] = {}

    @property
    def is_empty(self) -> bool:
        """True while nothing has been recorded."""
        return self._next == self._first

    def record(self, kind: str, **content: Any) -> int:
        """Add a journal entry; returns its index. Rows appear at `flush` or at the commit."""
        index = self._next
        self._next = index + 1
        body: Body = {**self._common, "kind": kind, **content}
        self._pending.append((index, body))
        return index

    def flush(self) -> None:
        """Write what was recorded so far, so that queries in this transaction see it."""
        if not self._pending:
            return
        entries, self._pending = self._pending, []
        rows = []
        leaves = []
        for index, body in entries:
            text = canonical_unchecked(body)
            leaf = leaf_hash(text)
            leaves.append(leaf)
            rows.append((index, text, leaf))
        self.conn.executemany("INSERT INTO journal VALUES (?, ?, ?)", rows)
        completed: list[Node] = []
        self._frontier = self._frontier.extend(leaves, completed)
        if completed:
            self.conn.executemany("INSERT INTO journal_nodes VALUES (?, ?, ?)", completed)
        self.conn.execute(
            "UPDATE frontier SET size = ?, nodes = ?",
            (self._frontier.size, self._frontier.to_bytes()),
        )
        fold(self.conn, entries)

    def new_id(self, table: str) -> int:
        """The next free id of a table, counted once per transaction."""
        if table not in self._ids:
            highest = self.conn.execute(f"SELECT max(id) FROM {table}").fetchone()[0]
            self._ids[table] = highest or 0
        ident = self._ids[table] + 1
        self._ids[table] = ident
        return ident


class Ledger:
    """An open ledger; one per thread that writes."""

    def __init__(self, path: Path | str, conn: Connection, site: str) -> None:
        self.path = path
        self.conn = conn
        self.site = site

    @classmethod
    def open(cls, path: Path | str, *, site: str = "", at: datetime | None = None) -> "Ledger":
        """The ledger at this path, made and brought up to date where needed.

        Args:
            path: of the SQLite file, on a local disk.
            site: the laboratory's name; given when it may be made anew.
            at: the instant of making.

        Raises:
            LedgerMismatch: not a ledger, of another site, from a newer program, or absent
                where `site` is not given.
        """
        if not site and str(path) != ":memory:" and not Path(path).is_file():
            raise LedgerMismatch(str(path), "there is no ledger here", "start `ingestd run` once")
        conn = connect(path)
        ledger = cls(path, conn, site)
        try:
            migrate(conn, path)
            ledger._begin(site, at)
        except BaseException:
            conn.close()
            raise
        return ledger

    def _begin(self, site: str, at: datetime | None) -> None:
        """Write the first entry, or check that the ledger is of this site."""
        first = self.conn.execute("SELECT body FROM journal WHERE idx = 0").fetchone()
        if first is not None:
            self.site = _site_of(first[0])
            if site and self.site != site:
                raise LedgerMismatch(
                    str(self.path),
                    f"it belongs to site {self.site!r}, the configuration says {site!r}",
                    "mend [site] name or [ledger] path",
                )
        elif not site or at is None:
            raise LedgerMismatch(str(self.path), "the ledger is empty", "give the site's name")
        else:
            with self.change(at=at, by="ingestd") as change:
                change.record("ledger_made", site=site, identities=GROUPED)

    @classmethod
    def open_readonly(cls, path: Path | str) -> "Ledger":
        """The ledger for reading only; never blocks a writer.

        Raises:
            LedgerMismatch: absent, not a ledger, or of a newer or older program.
        """
        if not Path(path).is_file():
            raise LedgerMismatch(str(path), "there is no ledger here", "start `ingestd run` once")
        conn = connect(path, readonly=True)
        try:
            refuse_other_schema(conn, path)
        except BaseException:
            conn.close()
            raise
        first = conn.execute("SELECT body FROM journal WHERE idx = 0").fetchone()
        return cls(path, conn, _site_of(first[0]) if first else "")

    @contextmanager
    def change(self, *, at: datetime, by: str, system_user: str | None = None) -> Iterator[Change]:
        """A transaction; commits at the end of the block, rolls back if it is left by an error.

        Args:
            at: the instant written into each entry.
            by: the acting account, or "ingestd" for the service itself.
            system_user: the operating-system account, where a person acts by command.
        """
        with immediate(self.conn):
            change = Change(self.conn, at=at, by=by, system_user=system_user)
            yield change
            change.flush()

    def copy_to(self, path: Path) -> None:
        """Copy one state of the ledger to a new file of its own; others may go on writing.

        Raises:
            LedgerMismatch: the file exists already.
        """
        if path.exists():
            raise LedgerMismatch(str(path), "it exists already", "name a new file")
        target: Connection = sqlite3.connect(str(path))
        try:
            self.conn.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")  # no log beside it
        finally:
            target.close()

    def close(self) -> None:
        """Close the connection; SQLite folds its write-ahead log back where it is the last."""
        self.conn.close()


def _site_of(first: bytes) -> str:
    return str(orjson.loads(first)["site"])


def system_user() -> str:
    """The operating-system account, recorded beside the acting one."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


def content_sha256(data: bytes) -> str:
    """SHA-256 of bytes, hexadecimal."""
    return hashlib.sha256(data).hexdigest()
