"""The ledger's SQLite: settings, schema steps, transactions, and errors in our own words."""

import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pysqlite3 as sqlite3
import pytest
from sqlite_utils import Database

from ingestd.audit.verify import verify_ledger
from ingestd.errors import CommitUnknown, LedgerBusy, LedgerMismatch, StoreFull
from ingestd.ledger import connection
from ingestd.ledger.connection import (
    Connection,
    connect,
    immediate,
    migrate,
    migrations,
    translate,
)
from ingestd.ledger.store import Ledger
from tests.conftest import Lab


@pytest.fixture
def conn(tmp_path: Path) -> Iterator[Connection]:
    conn = connect(tmp_path / "x.db")
    migrate(conn, tmp_path / "x.db")
    yield conn
    conn.close()


@pytest.mark.parametrize(
    ("setting", "value"),
    [
        ("journal_mode", "wal"),
        ("synchronous", 2),
        ("foreign_keys", 1),
        ("recursive_triggers", 1),
        ("trusted_schema", 0),
        ("application_id", connection.APPLICATION_ID),
    ],
)
def test_settings_that_a_commit_relies_on_are_in_force(
    conn: Connection, setting: str, value: object
) -> None:
    assert conn.execute(f"PRAGMA {setting}").fetchone()[0] == value


def test_sqlite_that_loses_commits_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "OLDEST_SQLITE", (99, 0, 0))
    with pytest.raises(LedgerMismatch, match="can lose commits"):
        connect(tmp_path / "x.db")


def test_sqlite_here_is_new_enough() -> None:
    # sqlite.org/wal.html, "The WAL-Reset Bug": mended in 3.51.3.
    assert sqlite3.sqlite_version_info >= (3, 51, 3)


def test_file_of_another_program_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    other = sqlite3.connect(str(path))
    other.execute("CREATE TABLE notes (a)")
    other.commit()
    other.close()
    before = path.read_bytes()
    with pytest.raises(LedgerMismatch, match="not a ledger of ingestd"):
        connect(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("content", [b"not a database" * 100, b"SQLite format 3\0" + b"\0" * 500])
def test_file_that_is_no_database_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "memo.db"
    path.write_bytes(content)
    with pytest.raises(LedgerMismatch):
        Ledger.open(path)


def test_names_with_signs_of_addresses_are_opened_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "a%20b?c#d.db"
    Ledger.open(path, site="S", at=datetime(2026, 3, 2, tzinfo=UTC)).close()
    assert path.is_file()


# --- schema steps -----------------------------------------------------------------------------

STEPS = connection._names()


@pytest.mark.parametrize("first", range(1, len(STEPS)))
def test_ledger_of_every_earlier_schema_is_brought_up_to_date_with_what_it_holds(
    tmp_path: Path, first: int
) -> None:
    path = tmp_path / "old.db"
    old = connect(path)
    migrations.apply(Database(old), stop_before=STEPS[first])
    old.execute("INSERT INTO captures VALUES (1,'export','s','n','2026',1,'x',NULL,0,1,x'00')")
    old.execute("INSERT INTO counters VALUES ('kept', 7)")
    old.close()
    with pytest.raises(LedgerMismatch, match="older ingestd"):
        Ledger.open_readonly(path)
    conn = connect(path)
    migrate(conn, path)
    assert conn.execute("SELECT value FROM counters WHERE name = 'kept'").fetchone() == (7,)
    fresh = connect(tmp_path / "fresh.db")
    migrate(fresh, path)
    schema = "SELECT type, name, sql FROM sqlite_master ORDER BY type, name"
    assert conn.execute(schema).fetchall() == fresh.execute(schema).fetchall()
    assert [m.name for m in migrations.applied(Database(conn))] == list(STEPS)
    conn.close()
    fresh.close()


def test_schema_steps_are_all_made_or_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.db"
    conn = connect(path)
    migrations.apply(Database(conn), stop_before=STEPS[1])

    def run_script(db: Database, name: str) -> None:
        if name.startswith("schema_0005"):
            raise RuntimeError("the plug was pulled")
        real(db, name)

    real = connection._run_script
    monkeypatch.setattr(connection, "_run_script", run_script)
    with pytest.raises(RuntimeError, match="plug"):
        migrate(conn, path)
    assert [m.name for m in migrations.applied(Database(conn))] == [STEPS[0]]
    monkeypatch.undo()
    migrate(conn, path)
    assert [m.name for m in migrations.applied(Database(conn))] == list(STEPS)
    conn.close()


def test_two_processes_that_make_a_ledger_at_once_make_one(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    connect(path).close()
    ready = threading.Barrier(4)
    problems: list[BaseException] = []

    def make() -> None:
        conn = connect(path)
        try:
            ready.wait(10)
            migrate(conn, path)
        except Exception as error:  # noqa: BLE001 - shown by the test
            problems.append(error)
        finally:
            conn.close()

    threads = [threading.Thread(target=make) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert problems == []


def test_ledger_of_a_newer_program_is_refused_for_writing_and_for_reading(lab: Lab) -> None:
    lab.ledger.conn.execute(
        "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
        " VALUES ('ingestd', 'm9999_of_tomorrow', '2036')"
    )
    for opening in (Ledger.open, Ledger.open_readonly):
        with pytest.raises(LedgerMismatch, match=r"newer ingestd .*m9999_of_tomorrow"):
            opening(lab.config.ledger.path)


# --- transactions -----------------------------------------------------------------------------


def test_transaction_left_by_an_error_changes_nothing(conn: Connection) -> None:
    def write_and_fail() -> None:
        with immediate(conn):
            conn.execute("INSERT INTO counters VALUES ('x', 1)")
            raise KeyError("x")

    with pytest.raises(KeyError):
        write_and_fail()
    assert not conn.in_transaction
    assert conn.execute("SELECT count(*) FROM counters WHERE name = 'x'").fetchone() == (0,)


def test_held_write_lock_is_named_and_may_be_tried_again(tmp_path: Path, conn: Connection) -> None:
    other = connect(tmp_path / "x.db")
    other.execute("PRAGMA busy_timeout = 20")
    with immediate(conn), pytest.raises(LedgerBusy, match="write lock"), immediate(other):
        pass
    with immediate(other):
        other.execute("INSERT INTO counters VALUES ('x', 1)")
    other.close()


def test_reader_is_never_blocked_by_a_writer(tmp_path: Path, conn: Connection) -> None:
    reader = connect(tmp_path / "x.db", readonly=True)
    with immediate(conn):
        conn.execute("INSERT INTO counters VALUES ('x', 1)")
        assert reader.execute("SELECT count(*) FROM counters").fetchone() == (3,)
    assert reader.execute("SELECT count(*) FROM counters").fetchone() == (4,)
    with pytest.raises(sqlite3.OperationalError, match="readonly database"):
        reader.execute("DELETE FROM counters")
    reader.close()


def test_full_database_is_said_to_be_full_and_takes_more_once_there_is_room(
    conn: Connection,
) -> None:
    pages = conn.execute("PRAGMA page_count").fetchone()[0]
    conn.execute(f"PRAGMA max_page_count = {pages + 3}")
    with pytest.raises(StoreFull, match="no room"), immediate(conn):
        conn.execute(
            "INSERT INTO captures VALUES (1,'e','s','n','t',1,'x',NULL,0,1,zeroblob(1000000))"
        )
    assert not conn.in_transaction
    conn.execute("PRAGMA max_page_count = 1000000")
    with immediate(conn):
        conn.execute("INSERT INTO captures VALUES (1,'e','s','n','t',1,'x',NULL,0,1,x'00')")


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("SQLITE_BUSY_SNAPSHOT", LedgerBusy),
        ("SQLITE_LOCKED", LedgerBusy),
        ("SQLITE_FULL", StoreFull),
        ("SQLITE_IOERR_FSYNC", CommitUnknown),
        ("SQLITE_IOERR_WRITE", CommitUnknown),
        ("SQLITE_CORRUPT", CommitUnknown),
        ("SQLITE_NOTADB", CommitUnknown),
        ("SQLITE_CANTOPEN", LedgerMismatch),
        ("SQLITE_READONLY_DBMOVED", LedgerMismatch),
    ],
)
def test_error_of_sqlite_becomes_ours(name: str, kind: type[Exception]) -> None:
    error = sqlite3.OperationalError("told")
    error.sqlite_errorname = name
    assert type(translate(error)) is kind


def test_error_of_use_stays_what_it_is() -> None:
    error = sqlite3.IntegrityError("captures are never changed")
    error.sqlite_errorname = "SQLITE_CONSTRAINT_TRIGGER"
    assert translate(error) is error


def test_checks_leave_the_connection_free(lab: Lab) -> None:
    assert verify_ledger(lab.ledger.conn).holds
    assert not lab.ledger.conn.in_transaction
