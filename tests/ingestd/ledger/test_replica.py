"""A twin says at any entry what the ledger said then, and what is tried in it leaves no trace."""

from collections.abc import Iterator

import pytest

from ingestd.ledger.captures import content_from, get_capture
from ingestd.ledger.connection import Connection
from ingestd.ledger.deliveries import frontier_at
from ingestd.ledger.inputs import InForceCache
from ingestd.ledger.journal.merkle import Frontier
from ingestd.ledger.replica import Replica
from ingestd.ledger.store import Change
from tests.conftest import GOOD_EXPORT, PLAN, SHEET, Lab

TABLES = ("readings", "placements", "runs", "inputs", "results", "result_versions", "pin_sets")


def rows(conn: Connection) -> list[object]:
    return [conn.execute(f"SELECT * FROM {table}").fetchall() for table in TABLES]  # noqa: S608 - names above


@pytest.fixture
def replica(lab: Lab) -> Iterator[Replica]:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lineage = int(str(lab.one("SELECT lineage FROM captures WHERE name = 'day.csv'")))
    one = Replica(lab.ledger, with_bytes=[lineage])
    yield one
    one.close()


def size(lab: Lab) -> int:
    return int(str(lab.one("SELECT size FROM frontier")))


def test_at_the_last_entry_it_says_what_the_ledger_says(lab: Lab, replica: Replica) -> None:
    heard: list[int] = []
    replica.advance(size(lab), heard.append)
    assert rows(replica.conn) == rows(lab.ledger.conn)
    assert heard[-1] == replica.at == size(lab)


def test_at_an_earlier_entry_it_says_what_the_ledger_said_then(lab: Lab, replica: Replica) -> None:
    before, then = rows(lab.ledger.conn), size(lab)
    lab.load("plan.toml", PLAN.replace("to = 10 }", "to = 100 }"))
    replica.advance(then)
    assert rows(replica.conn) == before
    method = InForceCache().current(replica.conn).methods["COD-HR"]
    assert (
        method.rounding
        != lab.pipeline.in_force_cache.current(lab.ledger.conn).methods["COD-HR"].rounding
    )
    replica.advance(size(lab))
    assert rows(replica.conn) == rows(lab.ledger.conn)


def test_what_is_tried_goes_on_from_its_entry_and_leaves_no_trace(
    lab: Lab, replica: Replica
) -> None:
    replica.advance(size(lab))
    before = rows(replica.conn)

    def retire_reading(change: Change) -> int:
        index = change.record("reading_retired", reading=1, reason="tried")
        change.flush()
        assert rows(replica.conn) != before
        return index

    like = {"at": "2026-03-02T12:00:00.000000Z", "by": "ada"}
    assert replica.attempt(like, retire_reading) == size(lab)
    assert rows(replica.conn) == before
    kept = replica.conn.execute("SELECT size, nodes FROM frontier").fetchone()
    ours = frontier_at(lab.ledger.conn, size(lab), Frontier())
    assert kept == (size(lab), ours.to_bytes())


def test_bytes_come_along_where_they_are_wanted(lab: Lab, replica: Replica) -> None:
    replica.advance(size(lab))
    ident = int(str(lab.one("SELECT id FROM captures WHERE name = 'day.csv'")))
    capture = get_capture(replica.conn, ident)
    assert content_from(replica.conn, capture) == GOOD_EXPORT.encode()
    (others,) = replica.conn.execute(
        "SELECT count(*) FROM captures WHERE bytes IS NOT NULL"
    ).fetchone()
    assert others == 1
