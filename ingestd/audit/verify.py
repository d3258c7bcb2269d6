"""Proof that nothing was altered: the journal recomputed, captures hashed, tables rebuilt.

The journal is checked against itself (every leaf against its entry, the root against the
frontier) and against every signed checkpoint at hand. Captures are checked against their hashes
and against the entry that recorded them. A rebuild folds the journal anew and compares tables.
Whatever a stranger did to the file, the answer is a sentence and never a crash.
"""

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import orjson
import pysqlite3 as sqlite3
from sqlite_utils import Database

from ingestd.audit.archive import check_archive
from ingestd.errors import Refused
from ingestd.ledger.connection import Connection, migrations
from ingestd.ledger.fold import fold
from ingestd.ledger.journal.checkpoints import Checkpoint
from ingestd.ledger.journal.merkle import Frontier, Node, leaf_hash

BATCH = 10_000
# Not folded from the journal: the journal itself, captures (checked by hash), bookkeeping, and
# the secrets of accounts, which never stand in the journal.
NOT_FOLDED = (
    "journal",
    "frontier",
    "journal_nodes",  # checked with the journal
    "captures",
    "attempts",
    "source_states",
    "passwords",
    "sessions",
    "api_tokens",
    "delivery_states",
    "notices",
    "_sqlite_migrations",
)


@dataclass(slots=True)
class VerifyReport:
    """What was checked and what does not fit.

    Attributes:
        size, root: of the journal as recomputed.
        faults: one sentence each; the first names the first entry that does not fit.
        entry: index of that entry, None where no single one can be named.
        checkpoints: how many signed checkpoints the journal was compared with.
        archived: captures whose bytes are in archive files; `archives_read` of these files were
            at hand and fit their hashes in the journal.
    """

    size: int = 0
    root: str = ""
    captures: int = 0
    checkpoints: int = 0
    archived: int = 0
    archives_read: int = 0
    rebuilt: bool = False
    entry: int | None = None
    faults: list[str] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        """True if nothing speaks against the ledger."""
        return not self.faults

    def find(self, fault: str, entry: int | None = None) -> None:
        """Take a fault down."""
        if not self.faults:
            self.entry = entry
        self.faults.append(fault)


def verify_ledger(
    conn: Connection,
    *,
    checkpoints: Sequence[Checkpoint] = (),
    archives: Sequence[Path] = (),
    rebuild: bool = False,
) -> VerifyReport:
    """Check the whole ledger; reads only, and stops at the first part that does not hold.

    Args:
        conn: to the ledger; the check sees one state of it, whoever writes meanwhile.
        checkpoints: verified ones of this journal, from beside the ledger and from elsewhere.
        archives: archive files at hand; the others are known by their hashes alone.
        rebuild: also have SQLite check its file, compare the schema, fold every table anew in
            memory and compare row by row.
    """
    report = VerifyReport()
    told = _Told()
    checks: list[Callable[[], None]] = [
        lambda: _check_journal(conn, checkpoints, told, report),
        lambda: _check_captures(conn, told, report),
        lambda: _check_archives(conn, archives, report),
    ]
    if rebuild:
        checks += [lambda: _check_file(conn, report), lambda: _check_tables(conn, report)]
    try:
        conn.execute("BEGIN")
        for check in checks:
            check()
            if not report.holds:
                break
    except sqlite3.DatabaseError as error:
        report.find(f"SQLite cannot read the ledger: {error}")
    except (ValueError, KeyError, TypeError, IndexError, OverflowError) as error:
        report.find(f"the ledger holds what this program never writes: {error!r}")
    finally:
        if conn.in_transaction:
            conn.execute("ROLLBACK")
    return report


@dataclass(slots=True)
class _Told:
    """What the journal tells of captures: index and columns by id, and those archived."""

    captures: dict[int, tuple[Any, ...]] = field(default_factory=dict)
    archived: set[int] = field(default_factory=set)

    def note(self, index: int, body: bytes) -> None:
        """Take an entry down if it is about a capture as such."""
        if b'"kind":"capture_stored"' in body:
            entry = orjson.loads(body)
            if entry["kind"] == "capture_stored":
                self.captures[entry["capture"]] = (index, *(entry[key] for key in _TOLD))
        elif b'"kind":"captures_archived"' in body:
            self.archived.update(orjson.loads(body)["captures"])


_TOLD = (
    "capture_kind", "source", "name", "arrived_at", "size", "sha256", "continues", "prefix_size",
    "oversize",
)  # fmt: skip


def _check_journal(
    conn: Connection, checkpoints: Sequence[Checkpoint], told: _Told, report: VerifyReport
) -> None:
    due = sorted(checkpoints, key=lambda checkpoint: checkpoint.size)
    frontier = Frontier()
    nodes: list[Node] = []
    good_from = 0  # size of the newest checkpoint that agreed
    expected = 0
    cursor = conn.execute("SELECT idx, body, leaf FROM journal ORDER BY idx")
    while rows := cursor.fetchmany(BATCH):
        leaves = []
        for index, body, leaf in rows:
            if index != expected:
                report.find(f"journal entry {expected} is missing", expected)
                return
            expected += 1
            if not isinstance(body, bytes) or leaf_hash(body) != leaf:
                report.find(f"journal entry {index} does not fit its hash: it was altered", index)
                return
            leaves.append(leaf)
            if b'"kind":"capture' in body:
                told.note(index, body)
        start = 0
        while due and due[0].size <= expected:
            cut = len(leaves) - (expected - due[0].size)
            frontier = frontier.extend(leaves[start:cut], nodes)
            start = cut
            if frontier.root() != due[0].root:
                report.find(
                    f"journal entries {good_from} to {due[0].size - 1} are not those that the"
                    f" checkpoint of size {due[0].size} was signed over",
                    good_from,
                )
                return
            good_from = due[0].size
            report.checkpoints += 1
            due.pop(0)
        frontier = frontier.extend(leaves[start:], nodes)
    report.size = expected
    report.root = frontier.root().hex()
    for checkpoint in due:
        report.find(
            f"journal entry {expected} is missing: a checkpoint was signed over"
            f" {checkpoint.size} entries, there are {expected}; its end was cut off",
            expected,
        )
        return
    row = conn.execute("SELECT size, nodes FROM frontier").fetchone()
    if row is None or row[0] != expected or (expected and row[1] != frontier.to_bytes()):
        says = "nothing" if row is None else f"{row[0]} entries"
        report.find(f"the frontier says {says}, the journal holds {expected} with another root")
        return
    kept = conn.execute("SELECT level, number, hash FROM journal_nodes ORDER BY level, number")
    if kept.fetchall() != sorted(nodes):
        report.find("the kept roots of the journal's subtrees are not those of its entries")


def _contents(conn: Connection) -> Iterator[tuple[Any, ...]]:
    return iter(
        conn.execute(
            "SELECT id, kind, source, name, arrived_at, size, sha256, continues, prefix_size,"
            " lineage, bytes FROM captures ORDER BY id"
        )
    )


def _check_captures(conn: Connection, told: _Told, report: VerifyReport) -> None:
    """Every capture as journalled, and its bytes fitting its hash."""
    report.archived = len(told.archived)
    states: dict[int, Any] = {}  # hash so far of captures that others continue
    continued = {
        ident
        for (ident,) in conn.execute(
            "SELECT DISTINCT continues FROM captures WHERE continues IS NOT NULL"
        )
    }
    lineages: dict[int, int] = {}
    for row in _contents(conn):
        (ident, kind, source, name, arrived_at, size, sha256, continues, prefix, lineage, data) = (
            row
        )
        report.captures += 1
        index, *kept = told.captures.pop(ident, (None,))
        if index is None:
            report.find(f"capture {ident} is in no journal entry")
            return
        lineages[ident] = ident if continues is None else lineages.get(continues, -1)
        oversize = data is None and ident not in told.archived
        found = [kind, source, name, arrived_at, size, sha256, continues, prefix, oversize]
        if found != kept or lineage != lineages[ident]:
            report.find(
                f"capture {ident} differs from journal entry {index}: {found} / {kept}", index
            )
            return
        if data is None:
            continue
        if not isinstance(data, bytes) or (continues is not None and continues not in states):
            report.find(f"capture {ident} of journal entry {index} has lost bytes", index)
            return
        digest = states[continues].copy() if continues is not None else hashlib.sha256()
        digest.update(data)
        if digest.hexdigest() != sha256:
            report.find(
                f"capture {ident} does not fit its hash in journal entry {index}:"
                " its bytes were altered",
                index,
            )
            return
        if ident in continued:
            states[ident] = digest
    for ident, (index, *_) in told.captures.items():
        report.find(f"capture {ident} of journal entry {index} is missing", index)
        return


def _check_archives(conn: Connection, archives: Sequence[Path], report: VerifyReport) -> None:
    """Archive files at hand are those of the journal, and hold the captures it names."""
    for path in archives:
        try:
            check_archive(conn, path)
        except (Refused, OSError) as error:
            report.find(str(error))
            return
        report.archives_read += 1


def _check_file(conn: Connection, report: VerifyReport) -> None:
    """SQLite finds its file sound, and the schema is this program's: guards included."""
    answer = conn.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if answer != "ok":
        report.find(f"SQLite finds the ledger damaged: {answer}")
        return
    fresh: Connection = sqlite3.connect(":memory:", isolation_level=None)
    try:
        migrations.apply(Database(fresh))
        wanted, found = _schema(fresh), _schema(conn)
    finally:
        fresh.close()
    for key in sorted({*wanted, *found}):
        if wanted.get(key) != found.get(key):
            what = (
                "was changed"
                if key in wanted and key in found
                else ("is missing" if key in wanted else "is not ours")
            )
            report.find(f"the ledger's {key[0]} {key[1]} {what}")
            return


def _schema(conn: Connection) -> dict[tuple[str, str], str]:
    rows = conn.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL")
    return {(kind, name): sql for kind, name, sql in rows if not name.startswith("_sqlite_")}


def _check_tables(conn: Connection, report: VerifyReport) -> None:
    """Fold the journal into an empty schema and compare every table row by row."""
    anew: Connection = sqlite3.connect(":memory:", isolation_level=None)
    try:
        rebuild_into(anew, conn)
        for table in _tables(anew):
            _compare(conn, anew, table, report)
            if not report.holds:
                return
        report.rebuilt = True
    finally:
        anew.close()


def rebuild_into(anew: Connection, conn: Connection) -> None:
    """Fold a ledger's journal into an empty database with the present schema.

    Captures come over without their bytes: other tables refer to them.
    """
    migrations.apply(Database(anew))
    anew.execute("BEGIN")
    anew.executemany(
        "INSERT INTO captures VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL)",
        (row[:10] for row in _contents(conn)),
    )
    cursor = conn.execute("SELECT idx, body FROM journal ORDER BY idx")
    while rows := cursor.fetchmany(BATCH):
        fold(anew, [(index, orjson.loads(body)) for index, body in rows])
    anew.execute("COMMIT")


def _tables(conn: Connection) -> list[str]:
    rows = conn.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
    return [name for (name,) in rows if name not in NOT_FOLDED and not name.startswith("sqlite_")]


def _compare(conn: Connection, anew: Connection, table: str, report: VerifyReport) -> None:
    keys = [
        row[1]
        for row in sorted(
            (r for r in anew.execute(f"PRAGMA table_info({table})") if r[5]), key=lambda r: r[5]
        )
    ]
    query = f"SELECT * FROM {table} ORDER BY {', '.join(keys)}"  # noqa: S608 - names of our schema
    kept, folded = conn.execute(query), anew.execute(query)
    while True:
        left, right = kept.fetchmany(BATCH), folded.fetchmany(BATCH)
        if left == right:
            if not left:
                return
            continue
        for index in range(max(len(left), len(right))):
            one = left[index] if index < len(left) else None
            other = right[index] if index < len(right) else None
            if one != other:
                report.find(f"table {table}: the ledger holds {one}, the journal says {other}")
                return
