"""One connection to the ledger's SQLite file, set up so that a commit means what it says.

WAL with `synchronous=FULL`: a committed transaction survives a power cut. Every change is one
`BEGIN IMMEDIATE`. A COMMIT that fails may or may not stand, so it is never retried: the caller
gets CommitUnknown and the process ends.
"""

import sqlite3 as stdlib_sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import pysqlite3 as sqlite3
from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

from ingestd.errors import CommitUnknown, LedgerBusy, LedgerMismatch, StoreFull
from ingestd.ledger.journal.merkle import BLOCK_LEVEL, Frontier, Node
from ingestd.ledger.outbox import decisions, put_into_outbox

# Earlier releases can lose commits when two connections write and checkpoint at the same moment
# (sqlite.org/wal.html, "The WAL-Reset Bug").
OLDEST_SQLITE = (3, 51, 3)
APPLICATION_ID = 0x1F57D001  # written into the file's header: this is a ledger of ingestd
BUSY_S = 30.0

Connection = stdlib_sqlite3.Connection  # the wheel's class has the same interface and is untyped
Row = tuple[Any, ...]
BY_NAME = sqlite3.Row  # a row factory: columns by name
DatabaseError = sqlite3.DatabaseError  # what SQLite raises, for those who translate it

migrations = Migrations("ingestd")


def _run_script(db: Database, name: str) -> None:
    """Execute a schema file statement by statement, inside the transaction already open."""
    text = files("ingestd.ledger").joinpath("migrations", name).read_text(encoding="utf-8")
    statement = ""
    for line in text.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            db.conn.execute(statement)
            statement = ""


@migrations()
def m0001_first_schema(db: Database) -> None:
    """Captures, journal and the tables folded from them."""
    _run_script(db, "schema_0001.sql")


@migrations()
def m0002_accounts(db: Database) -> None:
    """Passwords, sessions and tokens of the live page."""
    _run_script(db, "schema_0002_accounts.sql")


@migrations()
def m0003_page_indexes(db: Database) -> None:
    """Indexes by which every page stays quick in a ledger of millions."""
    _run_script(db, "schema_0003_page_indexes.sql")


@migrations()
def m0004_outbox(db: Database) -> None:
    """What is to be delivered to other places, and how far it got."""
    _run_script(db, "schema_0004_outbox.sql")
    put_into_outbox(db.conn, decisions(db.conn))  # of a ledger older than its outbox


@migrations()
def m0005_archives(db: Database) -> None:
    """Bytes of old captures may be kept in archive files instead."""
    _run_script(db, "schema_0005_archives.sql")


@migrations()
def m0006_source_states(db: Database) -> None:
    """How each source is doing, as the service last said."""
    _run_script(db, "schema_0006_source_states.sql")


@migrations()
def m0007_control_indexes(db: Database) -> None:
    """Control values by time, day and lot."""
    _run_script(db, "schema_0007_control_indexes.sql")


@migrations()
def m0008_notices(db: Database) -> None:
    """What operators have been told of."""
    _run_script(db, "schema_0008_notices.sql")


@migrations()
def m0009_history_index(db: Database) -> None:
    """Released values of a sampling point, newest first."""
    _run_script(db, "schema_0009_history_index.sql")


@migrations()
def m0010_journal_nodes(db: Database) -> None:
    """Roots of large subtrees of the journal, by which proofs are short work."""
    _run_script(db, "schema_0010_journal_nodes.sql")
    leaves = db.conn.execute("SELECT leaf FROM journal ORDER BY idx")
    frontier = Frontier()
    while block := leaves.fetchmany(1 << BLOCK_LEVEL):
        completed: list[Node] = []
        frontier = frontier.extend((leaf for (leaf,) in block), completed)
        db.conn.executemany("INSERT INTO journal_nodes VALUES (?, ?, ?)", completed)


@migrations()
def m0011_arrivals(db: Database) -> None:
    """Arrivals of a source by their time."""
    _run_script(db, "schema_0011_arrivals.sql")


@migrations()
def m0012_states_with_points(db: Database) -> None:
    """Results of one state at one point, without fetching all of that state."""
    _run_script(db, "schema_0012_states_with_points.sql")


@migrations()
def m0013_control_history(db: Database) -> None:
    """The newest control values of a method out of their index alone."""
    _run_script(db, "schema_0013_control_history.sql")


@migrations()
def m0014_identities(db: Database) -> None:
    """How identities of readings are kept; older ledgers keep them scattered."""
    _run_script(db, "schema_0014_identities.sql")


def connect(path: Path | str, *, readonly: bool = False) -> Connection:
    """An open connection with the ledger's settings, read back where it matters.

    Raises:
        LedgerMismatch: SQLite too old, the file is no ledger, or WAL cannot be had there.
    """
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        raise LedgerMismatch(
            str(path),
            f"SQLite {sqlite3.sqlite_version} can lose commits under concurrent checkpoints",
            "install the pysqlite3 wheel 0.6.1 or newer",
        )
    try:
        conn: Connection = sqlite3.connect(
            f"file:{_uri_path(path)}?mode={'ro' if readonly else 'rwc'}",
            uri=True,
            timeout=BUSY_S,
            isolation_level=None,
            check_same_thread=False,
            cached_statements=256,
        )
        _configure(conn, path, readonly=readonly)
    except sqlite3.DatabaseError as error:
        raise LedgerMismatch(
            str(path), str(error), "check path, permissions and that it is a ledger of ingestd"
        ) from error
    return conn


def open_scratch() -> Connection:
    """An empty ledger to try things in, in a file that SQLite removes, whatever ends the process.

    So it need not sync, and holds no references.
    """
    conn: Connection = sqlite3.connect("", isolation_level=None)
    for setting in ("journal_mode = MEMORY", "synchronous = OFF", "cache_size = -32768"):
        conn.execute(f"PRAGMA {setting}")
    migrations.apply(Database(conn))
    return conn


def _uri_path(path: Path | str) -> str:
    return str(path).replace("%", "%25").replace("?", "%3f").replace("#", "%23")


def _configure(conn: Connection, path: Path | str, *, readonly: bool) -> None:
    pragma = conn.execute
    application = pragma("PRAGMA application_id").fetchone()[0]
    tables = pragma("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if application != APPLICATION_ID and tables:
        raise LedgerMismatch(
            str(path), "this SQLite file is not a ledger of ingestd", "name another path"
        )
    if not readonly:
        if not tables:
            pragma(f"PRAGMA application_id = {APPLICATION_ID}")
        mode = pragma("PRAGMA journal_mode = WAL").fetchone()[0]
        if mode != "wal" and str(path) != ":memory:":
            raise LedgerMismatch(
                str(path), f"SQLite offers journal mode {mode!r}, not WAL", "use a local disk"
            )
    for setting in (
        "synchronous = FULL",
        "foreign_keys = ON",
        "recursive_triggers = ON",
        "trusted_schema = OFF",
        "cell_size_check = ON",
        "temp_store = MEMORY",
        "cache_size = -8192",  # KiB; the system keeps the file in memory as well
        "journal_size_limit = 67108864",
        *(("query_only = ON",) if readonly else ()),
    ):
        pragma(f"PRAGMA {setting}")
    if pragma("PRAGMA synchronous").fetchone()[0] != 2:
        raise LedgerMismatch(
            str(path), "SQLite does not hold synchronous=FULL", "use a local disk"
        )


def migrate(conn: Connection, path: Path | str) -> None:
    """Bring the schema up to this program's; forward only, all pending steps or none.

    Raises:
        LedgerMismatch: the ledger was written by a newer program.
        LedgerBusy, StoreFull, CommitUnknown: as `immediate`; the schema is as it was.
    """
    if not _pending(conn, path):
        return
    with immediate(conn):
        if _pending(conn, path):  # another process may have been quicker
            migrations.apply(Database(conn))


def refuse_other_schema(conn: Connection, path: Path | str) -> None:
    """Return if this program can read the ledger as it stands.

    Raises:
        LedgerMismatch: a newer program wrote it, or an older one and it is to be brought up to
            date first.
    """
    if pending := _pending(conn, path):
        raise LedgerMismatch(
            str(path),
            f"it was written by an older ingestd (without {', '.join(pending)})",
            "back it up, then start `ingestd run` once: that brings it up to date",
        )


def _pending(conn: Connection, path: Path | str) -> list[str]:
    """Names of the steps still to be made.

    Raises:
        LedgerMismatch: the ledger has steps that this program does not know.
    """
    applied = {migration.name for migration in migrations.applied(Database(conn))}
    if unknown := applied.difference(_names()):
        raise LedgerMismatch(
            str(path),
            f"it was written by a newer ingestd (schema steps {', '.join(sorted(unknown))})",
            "install that version or a newer one",
        )
    return [name for name in _names() if name not in applied]


@cache
def _names() -> tuple[str, ...]:
    """The steps this program knows, in order."""
    fresh: Connection = sqlite3.connect(":memory:")
    try:
        return tuple(migration.name for migration in migrations.pending(Database(fresh)))
    finally:
        fresh.close()


@contextmanager
def immediate(conn: Connection) -> Iterator[None]:
    """A write transaction: all of it or nothing, the lock taken before anything is read.

    Raises:
        LedgerBusy: another process kept the lock for BUSY_S seconds.
        StoreFull: no room; nothing was changed.
        CommitUnknown: the commit or a write failed; the caller must stop.
    """
    try:
        conn.execute("BEGIN IMMEDIATE")
    except sqlite3.OperationalError as error:
        raise translate(error) from error
    try:
        yield
        conn.execute("COMMIT")
    except sqlite3.Error as error:
        _roll_back(conn)
        raise translate(error) from error
    except BaseException:
        _roll_back(conn)
        raise


def _roll_back(conn: Connection) -> None:
    if conn.in_transaction:
        conn.execute("ROLLBACK")


def translate(error: Exception) -> Exception:
    """The ingestd error for what SQLite raised; its own errors of use are returned unchanged."""
    name = getattr(error, "sqlite_errorname", "") or ""
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return LedgerBusy("ledger", "another process holds the write lock", "end that process")
    if name == "SQLITE_FULL":
        return StoreFull("ledger", "no room left on its disk", "make room; intake goes on then")
    if name.startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_PERM")):
        return LedgerMismatch(
            "ledger", f"{name}: {error}", "check its disk, its folder and their permissions"
        )
    if name.startswith(("SQLITE_IOERR", "SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return CommitUnknown(
            "ledger", f"{name}: {error}", "check the disk; run `ingestd verify` before going on"
        )
    return error
