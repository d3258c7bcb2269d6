"""The only door to the ledger: changes stand whole or not at all, and never fork the journal."""

import multiprocessing
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import orjson
import pysqlite3
import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.errors import LedgerMismatch
from ingestd.ledger.journal.merkle import Frontier, leaf_hash
from ingestd.ledger.store import Ledger, content_sha256

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    ledger = Ledger.open(tmp_path / "x.db", site="Works", at=NOON)
    yield ledger
    ledger.close()


def note(ledger: Ledger, reason: str, *, by: str = "ada") -> None:
    with ledger.change(at=NOON, by=by, system_user="root") as change:
        change.record("replayed", capture=1, reason=reason)


def bodies(ledger: Ledger) -> list[dict[str, object]]:
    rows = ledger.conn.execute("SELECT body FROM journal ORDER BY idx")
    return [orjson.loads(body) for (body,) in rows]


def test_first_entry_names_the_site_for_ever(ledger: Ledger, tmp_path: Path) -> None:
    assert bodies(ledger)[0]["kind"] == "ledger_made"
    assert bodies(ledger)[0]["site"] == "Works"
    assert Ledger.open(tmp_path / "x.db").site == "Works"
    with pytest.raises(LedgerMismatch, match="belongs to site 'Works'"):
        Ledger.open(tmp_path / "x.db", site="Others")


def test_every_entry_says_who_when_and_as_whom(ledger: Ledger) -> None:
    note(ledger, "why not")
    entry = bodies(ledger)[-1]
    assert (entry["by"], entry["system_user"], entry["at"], entry["v"]) == (
        "ada",
        "root",
        "2026-03-02T12:00:00.000000Z",
        1,
    )


def test_frontier_is_that_of_the_entries(ledger: Ledger) -> None:
    for number in range(20):
        note(ledger, str(number))
    texts = [body for (body,) in ledger.conn.execute("SELECT body FROM journal ORDER BY idx")]
    size, nodes = ledger.conn.execute("SELECT size, nodes FROM frontier").fetchone()
    assert size == len(texts) == 21
    assert nodes == Frontier().extend(leaf_hash(text) for text in texts).to_bytes()


def test_change_left_by_an_error_leaves_neither_entry_nor_row(ledger: Ledger) -> None:
    before = bodies(ledger)

    def change_and_fail() -> None:
        with ledger.change(at=NOON, by="ada") as change:
            change.record("replayed", capture=1, reason="x")
            change.flush()
            raise KeyError("x")

    with pytest.raises(KeyError):
        change_and_fail()
    assert bodies(ledger) == before
    note(ledger, "afterwards")
    assert verify_ledger(ledger.conn, rebuild=True).holds


def test_entry_of_an_unknown_kind_is_not_taken(ledger: Ledger) -> None:
    with pytest.raises(KeyError), ledger.change(at=NOON, by="ada") as change:
        change.record("wished_for", x=1)
    assert len(bodies(ledger)) == 1


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE journal SET body = x'00' WHERE idx = 0",
        "DELETE FROM journal",
        "INSERT OR REPLACE INTO journal VALUES (0, x'00', zeroblob(32))",
        "REPLACE INTO journal VALUES (0, x'00', zeroblob(32))",
        "INSERT INTO journal VALUES (0, x'00', zeroblob(32)) ON CONFLICT DO UPDATE SET body=x'00'",
        "UPDATE OR REPLACE journal SET idx = 0 WHERE idx = 1",
    ],
)
def test_journal_is_never_rewritten_by_any_kind_of_statement(
    ledger: Ledger, statement: str
) -> None:
    note(ledger, "x")
    before = bodies(ledger)
    with pytest.raises(pysqlite3.IntegrityError, match="never"):
        ledger.conn.execute(statement)
    assert bodies(ledger) == before


def _append(path: str, who: str, count: int) -> None:
    ledger = Ledger.open(path)
    for number in range(count):
        note(ledger, f"{who} {number}", by=who)
    ledger.close()


def test_two_processes_writing_at_once_never_fork_the_journal(
    ledger: Ledger, tmp_path: Path
) -> None:
    context = multiprocessing.get_context("spawn")
    writers = [
        context.Process(target=_append, args=(str(tmp_path / "x.db"), who, 60))
        for who in ("ada", "mara", "rita")
    ]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(60)
    assert [writer.exitcode for writer in writers] == [0, 0, 0]
    entries = bodies(ledger)[1:]
    assert len(entries) == 180
    for who in ("ada", "mara", "rita"):
        told = [entry["reason"] for entry in entries if entry["by"] == who]
        assert told == [f"{who} {number}" for number in range(60)]
    assert verify_ledger(ledger.conn, rebuild=True).holds


def test_frontier_that_contradicts_itself_takes_no_change(ledger: Ledger) -> None:
    ledger.conn.execute("UPDATE frontier SET size = 7")
    with pytest.raises(LedgerMismatch, match="contradicts itself"):
        note(ledger, "x")


def test_absent_ledger_is_said_and_not_made(tmp_path: Path) -> None:
    for opening in (Ledger.open, Ledger.open_readonly):
        with pytest.raises(LedgerMismatch, match="no ledger here"):
            opening(tmp_path / "none.db")
    assert not (tmp_path / "none.db").exists()


def test_ledger_whose_making_was_cut_short_is_made_to_its_end(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    path.touch()
    with pytest.raises(LedgerMismatch, match="is empty"):
        Ledger.open(path)
    ledger = Ledger.open(path, site="Works", at=NOON)
    assert verify_ledger(ledger.conn).size == 1
    ledger.close()


def test_copy_holds_the_same_and_never_replaces(ledger: Ledger, tmp_path: Path) -> None:
    note(ledger, "x")
    ledger.copy_to(tmp_path / "copy.db")
    copy = Ledger.open(tmp_path / "copy.db")
    assert bodies(copy) == bodies(ledger)
    copy.close()
    with pytest.raises(LedgerMismatch, match="exists already"):
        ledger.copy_to(tmp_path / "copy.db")


def test_ids_are_counted_once_in_a_transaction_and_go_on_in_the_next(ledger: Ledger) -> None:
    with ledger.change(at=NOON, by="ada") as change:
        assert [change.new_id("observations") for _ in range(3)] == [1, 2, 3]
        change.record("observed", id=3, run="R", position=None, key="closed", value="x")
    with ledger.change(at=NOON, by="ada") as change:
        assert change.new_id("observations") == 4


def test_content_hash_is_sha_256() -> None:
    # FIPS 180-4, the one-block message "abc".
    assert content_sha256(b"abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
