# ruff: noqa: S608 - statements are put together from names of our own schema
"""Random changes to a copied ledger, in its rows and in the bytes of its file.

The checkpoint is kept elsewhere, signed over the whole journal. Whoever changes anything that the
ledger says must be found out by `verify --rebuild`; a copy that says the same must not alarm.
"""

import hashlib
import random
import shutil
import time
from dataclasses import dataclass
from pathlib import Path

import pysqlite3 as sqlite3

from ingestd.audit.verify import NOT_FOLDED, verify_ledger
from ingestd.errors import IngestError
from ingestd.ledger.connection import Connection
from ingestd.ledger.journal.checkpoints import Checkpoint
from ingestd.ledger.journal.merkle import Frontier, leaf_hash
from ingestd.ledger.store import Ledger
from tests.faults.small_ledger import make_small_ledger

# Bookkeeping that is no part of the record: how often a capture was tried, who is signed in.
BESIDE_THE_RECORD = tuple(set(NOT_FOLDED) - {"journal", "frontier", "captures"})


@dataclass(frozen=True, slots=True, kw_only=True)
class TamperFigures:
    """What a series of changes came to."""

    changes: int
    without_effect: int
    took_s: float


class Tamperer:
    """Changes copies of one ledger file.

    Args:
        original: a ledger in one file, nothing beside it.
        older: an earlier state of the same ledger.
        kept: a checkpoint over the whole journal, kept elsewhere.
        chance: what is changed.
    """

    def __init__(
        self, original: Path, older: Path, kept: Checkpoint, *, chance: random.Random
    ) -> None:
        self.original = original
        self.older = older
        self.kept = kept
        self.chance = chance
        self.copy = original.with_name("tampered.db")
        self.said = _contents(original)
        self._guards: dict[str, str] = {}

    def change_once(self) -> tuple[str, bool]:
        """One random change; returns what was done and whether the ledger says otherwise now.

        Raises:
            AssertionError: a logical change was not found, or none alarmed.
        """
        way = self.chance.choice(
            (self._change_row, self._delete_row, self._insert_row, self._swap_rows,
             self._flip_bytes, self._cut_file, self._cut_journal_neatly, self._roll_back,
             self._rewrite_neatly)
        )  # fmt: skip
        for path in self.copy.parent.glob("tampered.db*"):
            path.unlink()
        shutil.copy(self.original, self.copy)
        told = way()
        differs = self._differs()
        faults = self._verify()
        if differs:
            assert faults, f"not found: {told}"
        elif faults:
            assert _is_damaged(self.copy), f"false alarm after {told}: {faults}"
        return told, differs

    # --- ways ---------------------------------------------------------------------------------

    def _open(self) -> Connection:
        conn: Connection = sqlite3.connect(str(self.copy), isolation_level=None)
        guards = conn.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall()
        self._guards = dict(guards)
        for name in self._guards:
            conn.execute(f"DROP TRIGGER {name}")
        return conn

    def _close(self, conn: Connection) -> None:
        """Put the guards back as they were, as a careful hand would."""
        for sql in self._guards.values():
            conn.execute(sql)
        conn.close()

    def _table(self, conn: Connection) -> tuple[str, list[str], tuple[object, ...] | None]:
        names = [
            name
            for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            if not name.startswith("sqlite_") and name not in BESIDE_THE_RECORD
        ]
        filled = [n for n in names if conn.execute(f"SELECT 1 FROM {n} LIMIT 1").fetchone()]
        table = self.chance.choice(filled)
        info = conn.execute(f"PRAGMA table_info({table})").fetchall()
        keys = [column[1] for column in info if column[5]]
        rows = conn.execute(f"SELECT {', '.join(keys)} FROM {table}").fetchall()
        return table, [column[1] for column in info], self.chance.choice(rows)

    def _keys(self, conn: Connection, table: str) -> str:
        info = conn.execute(f"PRAGMA table_info({table})").fetchall()
        return " AND ".join(f"{column[1]} IS ?" for column in info if column[5])

    def _change_row(self) -> str:
        conn = self._open()
        table, columns, key = self._table(conn)
        column = self.chance.choice(columns)
        where = self._keys(conn, table)
        assert key is not None
        (value,) = conn.execute(f"SELECT {column} FROM {table} WHERE {where}", key).fetchone()
        try:
            conn.execute(
                f"UPDATE {table} SET {column} = ? WHERE {where}", (self._other(value), *key)
            )
            told = f"{table}.{column} of {key} changed"
        except sqlite3.IntegrityError:
            told = f"{table}.{column} of {key} could not be changed"
        self._close(conn)
        return told

    def _other(self, value: object) -> object:
        match value:
            case int():
                return value + self.chance.choice((1, -1, 7))
            case bytes() if value:
                at = self.chance.randrange(len(value))
                return (
                    value[:at]
                    + bytes([value[at] ^ 1 << self.chance.randrange(8)])
                    + value[at + 1 :]
                )
            case str() if value:
                at = self.chance.randrange(len(value))
                return value[:at] + chr((ord(value[at]) + 1) % 127 or 48) + value[at + 1 :]
            case bytes():
                return b"x"
            case str():
                return "x"
            case _:
                return "1"

    def _delete_row(self) -> str:
        conn = self._open()
        table, _, key = self._table(conn)
        assert key is not None
        conn.execute(f"DELETE FROM {table} WHERE {self._keys(conn, table)}", key)
        self._close(conn)
        return f"{table}: row {key} deleted"

    def _insert_row(self) -> str:
        conn = self._open()
        table, columns, key = self._table(conn)
        assert key is not None
        where = self._keys(conn, table)
        row = list(conn.execute(f"SELECT * FROM {table} WHERE {where}", key).fetchone())
        at = columns.index(self.chance.choice(columns))
        row[at] = self._other(row[at])
        row[0] = self._other(row[0])
        marks = ", ".join("?" * len(row))
        try:
            conn.execute(f"INSERT INTO {table} VALUES ({marks})", row)
            told = f"{table}: row like {key} inserted"
        except sqlite3.IntegrityError:
            told = f"{table}: row like {key} could not be inserted"
        self._close(conn)
        return told

    def _swap_rows(self) -> str:
        conn = self._open()
        size = self.kept.size
        one, other = self.chance.sample(range(size), 2)
        conn.execute("UPDATE journal SET idx = -1 WHERE idx = ?", (one,))
        conn.execute("UPDATE journal SET idx = ? WHERE idx = ?", (one, other))
        conn.execute("UPDATE journal SET idx = ? WHERE idx = -1", (other,))
        self._close(conn)
        return f"journal: entries {one} and {other} swapped"

    def _flip_bytes(self) -> str:
        data = bytearray(self.copy.read_bytes())
        places = [self.chance.randrange(len(data)) for _ in range(self.chance.choice((1, 1, 4)))]
        for at in places:
            data[at] ^= 1 << self.chance.randrange(8)
        self.copy.write_bytes(bytes(data))
        return f"bytes at {places} flipped"

    def _cut_file(self) -> str:
        data = self.copy.read_bytes()
        cut = self.chance.randrange(len(data))
        self.copy.write_bytes(data[:cut])
        return f"file cut to {cut} of {len(data)} bytes"

    def _cut_journal_neatly(self) -> str:
        """The end taken off, and everything else made to fit."""
        conn = self._open()
        size = self.chance.randrange(1, self.kept.size)
        conn.execute("DELETE FROM journal WHERE idx >= ?", (size,))
        self._make_fit(conn)
        self._close(conn)
        return f"journal cut to {size} entries with a fitting frontier"

    def _rewrite_neatly(self) -> str:
        """One entry changed, and every hash made to fit."""
        conn = self._open()
        index = self.chance.randrange(self.kept.size)
        (body,) = conn.execute("SELECT body FROM journal WHERE idx = ?", (index,)).fetchone()
        changed = self._other(body)
        assert isinstance(changed, bytes)
        conn.execute(
            "UPDATE journal SET body = ?, leaf = ? WHERE idx = ?",
            (changed, leaf_hash(changed), index),
        )
        self._make_fit(conn)
        self._close(conn)
        return f"journal entry {index} rewritten with fitting hashes"

    def _make_fit(self, conn: Connection) -> None:
        leaves = [leaf for (leaf,) in conn.execute("SELECT leaf FROM journal ORDER BY idx")]
        frontier = Frontier().extend(leaves)
        conn.execute(
            "UPDATE frontier SET size = ?, nodes = ?", (frontier.size, frontier.to_bytes())
        )

    def _roll_back(self) -> str:
        shutil.copy(self.older, self.copy)
        return "rolled back to an older copy"

    # --- judgement ----------------------------------------------------------------------------

    def _verify(self) -> list[str]:
        try:
            ledger = Ledger.open_readonly(self.copy)
        except (IngestError, sqlite3.DatabaseError, ValueError, KeyError, TypeError) as error:
            return [str(error)]
        try:
            return verify_ledger(ledger.conn, checkpoints=[self.kept], rebuild=True).faults
        finally:
            ledger.close()

    def _differs(self) -> bool:
        try:
            return _contents(self.copy) != self.said
        except (sqlite3.Error, ValueError, OverflowError):
            return True


def _contents(path: Path) -> str:
    """Digest of every row of the record that SQLite gives out, journal and captures included."""
    conn: Connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        digest = hashlib.sha256()
        rows = conn.execute(
            "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"
            " AND name NOT LIKE '_sqlite_%' ORDER BY type, name"
        ).fetchall()
        digest.update(repr(rows).encode())
        for kind, name, _ in rows:
            if kind == "table" and name not in BESIDE_THE_RECORD:
                lines = sorted(map(repr, conn.execute(f"SELECT * FROM {name} NOT INDEXED")))
                digest.update("\n".join([name, *lines]).encode("utf-8", "surrogatepass"))
        return digest.hexdigest()
    finally:
        conn.close()


def _is_damaged(path: Path) -> bool:
    """Whether SQLite itself finds the file unsound, though its tables read the same."""
    conn: Connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        if conn.execute("PRAGMA application_id").fetchone()[0] != 0x1F57D001:
            return True
        return bool(conn.execute("PRAGMA integrity_check(1)").fetchone()[0] != "ok")
    except sqlite3.DatabaseError:
        return True
    finally:
        conn.close()


def tamper_often(folder: Path, *, chance: random.Random, count: int) -> TamperFigures:
    """So many random changes to copies of a small ledger that has seen some work.

    Raises:
        AssertionError: a change was not found, or an untouched copy alarmed.
    """
    begun = time.monotonic()
    original, older, kept = make_small_ledger(folder)
    tamperer = Tamperer(original, older, kept, chance=chance)
    changes = 0
    for number in range(count):
        try:
            _, differs = tamperer.change_once()
        except AssertionError as error:
            raise AssertionError(f"change {number}: {error}") from error
        changes += differs
    return TamperFigures(
        changes=changes, without_effect=count - changes, took_s=time.monotonic() - begun
    )
