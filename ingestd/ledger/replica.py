"""A ledger folded from another's journal up to any entry, in which things are tried and undone.

It lies in a file that SQLite removes by itself, whatever ends the process.
"""

from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import orjson

from ingestd.ledger.connection import open_scratch
from ingestd.ledger.fold import fold
from ingestd.ledger.journal.merkle import Frontier
from ingestd.ledger.store import Change, Ledger
from ingestd.times import instant

T = TypeVar("T")

BATCH = 5_000  # journal entries folded at a time


class Replica:
    """Stands at one entry of a ledger's journal, and goes forward only.

    Args:
        old: the ledger it is a twin of; only read.
        with_bytes: lineages of captures whose bytes are wanted here, too.
    """

    def __init__(self, old: Ledger, *, with_bytes: Iterable[int] = ()) -> None:
        self.old = old.conn
        self.conn = open_scratch()
        self.ledger = Ledger("", self.conn, old.site)
        self.at = 0  # entries folded so far
        self._frontier = Frontier()
        self.conn.execute("BEGIN")
        self.conn.execute("DROP TRIGGER captures_never_change")
        self.conn.executemany(
            "INSERT INTO captures VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL)",
            self.old.execute(
                "SELECT id, kind, source, name, arrived_at, size, sha256, continues, prefix_size,"
                " lineage FROM captures ORDER BY id"
            ),
        )
        for lineage in sorted(set(with_bytes)):
            self.conn.executemany(
                "UPDATE captures SET bytes = ? WHERE id = ?",
                self.old.execute("SELECT bytes, id FROM captures WHERE lineage = ?", (lineage,)),
            )
        self.conn.execute("COMMIT")

    def advance(self, to: int, tell: Callable[[int], None] = lambda _at: None) -> None:
        """Fold what was recorded up to an entry, without it; `tell` hears how far it is."""
        rows = self.old.execute(
            "SELECT idx, body, leaf FROM journal WHERE idx >= ? AND idx < ? ORDER BY idx",
            (self.at, to),
        )
        while batch := rows.fetchmany(BATCH):
            self.conn.execute("BEGIN")
            fold(self.conn, [(index, orjson.loads(body)) for index, body, _ in batch])
            self._frontier = self._frontier.extend(leaf for _, _, leaf in batch)
            self.conn.execute(
                "UPDATE frontier SET size = ?, nodes = ?",
                (self._frontier.size, self._frontier.to_bytes()),
            )
            self.conn.execute("COMMIT")
            self.at = self._frontier.size
            tell(self.at)

    def attempt(self, like: dict[str, Any], do: Callable[[Change], T]) -> T:
        """Have something done as by the account and at the instant of an entry, and undo it."""
        self.conn.execute("BEGIN IMMEDIATE")
        try:
            return do(Change(self.conn, at=instant(like["at"]), by=like["by"]))
        finally:
            self.conn.execute("ROLLBACK")

    def close(self) -> None:
        """Throw it away."""
        self.conn.close()
