"""Folding the journal alone gives the tables; folding in pieces gives the same."""

import orjson
import pysqlite3
import pytest

from ingestd.audit.verify import NOT_FOLDED, rebuild_into
from ingestd.ledger.connection import Connection
from ingestd.ledger.fold import fold
from tests.conftest import GOOD_EXPORT, SHEET, Lab


def tables(conn: Connection) -> dict[str, list[object]]:
    names = [
        name
        for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        if name not in NOT_FOLDED and not name.startswith("sqlite_")
    ]
    return {
        name: sorted(conn.execute(f"SELECT * FROM {name}"), key=repr)  # noqa: S608 - our schema
        for name in names
    }


@pytest.fixture
def worked(lab: Lab) -> Lab:
    lab.arrive(GOOD_EXPORT)
    lab.load("sheet.csv", SHEET)
    lab.load("sheet.csv", SHEET.replace("1+1", "1+3"))
    lab.arrive(GOOD_EXPORT, name="copy.csv")
    return lab


def entries(lab: Lab) -> list[tuple[int, dict[str, object]]]:
    rows = lab.ledger.conn.execute("SELECT idx, body FROM journal ORDER BY idx")
    return [(index, orjson.loads(body)) for index, body in rows]


def empty() -> Connection:
    conn: Connection = pysqlite3.connect(":memory:", isolation_level=None)
    return conn


def test_whole_journal_folds_into_the_tables_that_stand(worked: Lab) -> None:
    anew = empty()
    rebuild_into(anew, worked.ledger.conn)
    assert tables(anew) == tables(worked.ledger.conn)
    anew.close()


def test_one_entry_at_a_time_gives_the_same_as_all_at_once(worked: Lab) -> None:
    whole, single = empty(), empty()
    rebuild_into(whole, worked.ledger.conn)
    from sqlite_utils import Database

    from ingestd.ledger.connection import migrations

    migrations.apply(Database(single))
    single.executemany(
        "INSERT INTO captures VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL)",
        worked.ledger.conn.execute(
            "SELECT id, kind, source, name, arrived_at, size, sha256, continues, prefix_size,"
            " lineage FROM captures ORDER BY id"
        ),
    )
    for entry in entries(worked):
        fold(single, [entry])
    assert tables(single) == tables(whole)
    whole.close()
    single.close()


def test_lots_of_a_sheet_planned_anew_are_counted_once(worked: Lab) -> None:
    assert worked.ledger.conn.execute("SELECT * FROM lot_use").fetchall() == [("K1", 4)]
    worked.load("sheet.csv", SHEET.replace("200,,K1", "200,,OLD"))
    assert sorted(worked.ledger.conn.execute("SELECT * FROM lot_use")) == [("K1", 3), ("OLD", 1)]


def test_entry_of_an_unknown_kind_is_an_error_not_silence(worked: Lab) -> None:
    with pytest.raises(KeyError, match="unheard_of"):
        fold(worked.ledger.conn, [(999, {"kind": "unheard_of"})])
