"""Proof that nothing was altered: the journal recomputed, captures hashed, tables rebuilt.

The journal is checked against itself (every leaf against its entry, the root against the
frontier) and against every signed checkpoint at hand. Captures are checked against their hashes
and against the entry that recorded them. A rebuild folds the journal anew and compares tables.
"""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import orjson
import pysqlite3 as sqlite3
from sqlite_utils import Database

from ingestd.ledger.checkpoints import Checkpoint
from ingestd.ledger.connection import Connection, migrations
from ingestd.ledger.fold import fold
from ingestd.ledger.merkle import Frontier, leaf_hash

BATCH = 10_000
# Not folded from the journal: the journal itself, captures (checked by hash), bookkeeping, and
# the secrets of accounts, which never stand in the journal.
NOT_FOLDED = (
    "journal",
    "frontier",
    "captures",
    "attempts",
    "source_states",
    "passwords",
    "sessions",
    "api_tokens",
    "delivery_states",
    "_sqlite_migrations",
)


@dataclass(slots=True)
class VerifyReport:
    """What was checked and what does not fit.

    Attributes:
        size, root: of the journal as recomputed.
        faults: one sentence each; the first names the first entry that does not fit.
        checkpoints: how many signed checkpoints the journal was compared with.
    """

    size: int = 0
    root: str = ""
    captures: int = 0
    checkpoints: int = 0
    rebuilt: bool = False
    faults: list[str] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        """True if nothing speaks against the ledger."""
        return not self.faults


def verify_ledger(
    conn: Connection, *, checkpoints: Sequence[Checkpoint] = (), rebuild: bool = False
) -> VerifyReport:
    """Check the whole ledger; reads only.

    Args:
        conn: to the ledger; the check sees one state of it, whoever writes meanwhile.
        checkpoints: verified ones of this journal, from beside the ledger and from elsewhere.
        rebuild: fold every table anew as well, in memory, and compare row by row.
    """
    report = VerifyReport()
    conn.execute("BEGIN")
    try:
        _check_journal(conn, checkpoints, report)
        _check_captures(conn, report)
        if rebuild and report.holds:
            _check_tables(conn, report)
    finally:
        conn.execute("ROLLBACK")
    return report


def _check_journal(
    conn: Connection, checkpoints: Sequence[Checkpoint], report: VerifyReport
) -> None:
    due = sorted(checkpoints, key=lambda checkpoint: checkpoint.size)
    frontier = Frontier()
    good_from = 0  # size of the newest checkpoint that agreed
    expected = 0
    cursor = conn.execute("SELECT idx, body, leaf FROM journal ORDER BY idx")
    while rows := cursor.fetchmany(BATCH):
        leaves = []
        for index, body, leaf in rows:
            if index != expected:
                report.faults.append(f"journal entry {expected} is missing")
                return
            expected += 1
            if leaf_hash(body) != leaf:
                report.faults.append(
                    f"journal entry {index} does not fit its hash: it was altered"
                )
                return
            leaves.append(leaf)
        start = 0
        while due and due[0].size <= expected:
            cut = len(leaves) - (expected - due[0].size)
            frontier = frontier.extend(leaves[start:cut])
            start = cut
            if frontier.root() != due[0].root:
                report.faults.append(
                    f"journal entries {good_from} to {due[0].size - 1} are not those that the"
                    f" checkpoint of size {due[0].size} was signed over"
                )
                return
            good_from = due[0].size
            report.checkpoints += 1
            due.pop(0)
        frontier = frontier.extend(leaves[start:])
    report.size = expected
    report.root = frontier.root().hex()
    for checkpoint in due:
        report.faults.append(
            f"journal entry {expected} is missing: a checkpoint was signed over"
            f" {checkpoint.size} entries, there are {expected}; its end was cut off"
        )
        return
    size, nodes = conn.execute("SELECT size, nodes FROM frontier").fetchone()
    if size != expected or (size and nodes != frontier.to_bytes()):
        report.faults.append(f"the frontier says {size} entries, the journal holds {expected}")


def _contents(conn: Connection) -> Iterator[tuple[Any, ...]]:
    return iter(
        conn.execute(
            "SELECT id, kind, source, name, arrived_at, size, sha256, continues, prefix_size,"
            " lineage, bytes FROM captures ORDER BY id"
        )
    )


def _check_captures(conn: Connection, report: VerifyReport) -> None:
    """Every capture as journalled, and its bytes fitting its hash."""
    recorded: dict[int, dict[str, Any]] = {}
    for index, body in conn.execute("SELECT idx, body FROM journal ORDER BY idx"):
        if b'"kind":"capture_stored"' in body:
            entry = orjson.loads(body)
            recorded[entry["capture"]] = {"index": index, **entry}
    states: dict[int, Any] = {}  # hash so far of captures that others continue
    continued = {
        ident
        for (ident,) in conn.execute(
            "SELECT DISTINCT continues FROM captures WHERE continues IS NOT NULL"
        )
    }
    for row in _contents(conn):
        (ident, kind, source, name, arrived_at, size, sha256, continues, prefix, _, data) = row
        report.captures += 1
        entry = recorded.pop(ident, None)
        if entry is None:
            report.faults.append(f"capture {ident} is in no journal entry")
            return
        told = (kind, source, name, arrived_at, size, sha256, continues, prefix, data is None)
        kept = tuple(
            entry[key]
            for key in (
                "capture_kind", "source", "name", "arrived_at", "size", "sha256", "continues",
                "prefix_size", "oversize",
            )
        )  # fmt: skip
        if told != kept:
            report.faults.append(
                f"capture {ident} differs from journal entry {entry['index']}: {told} / {kept}"
            )
            return
        if data is None:
            continue
        digest = states[continues].copy() if continues is not None else hashlib.sha256()
        digest.update(data)
        if digest.hexdigest() != sha256:
            report.faults.append(
                f"capture {ident} does not fit its hash in journal entry {entry['index']}:"
                " its bytes were altered"
            )
            return
        if ident in continued:
            states[ident] = digest
    for ident, entry in recorded.items():
        report.faults.append(f"capture {ident} of journal entry {entry['index']} is missing")
        return


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
                report.faults.append(
                    f"table {table}: the ledger holds {one}, the journal says {other}"
                )
                return
