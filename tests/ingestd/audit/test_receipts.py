"""Receipts and consistency proofs, made from a ledger and checked without it."""

import json
import re
from pathlib import Path

import pytest

from ingestd.audit.checkpoints import key_path, origin_of, write_checkpoint
from ingestd.audit.receipts import consistency_of, entry_of, receipt_of
from ingestd.audit.verify import verify_ledger
from ingestd.errors import Refused
from ingestd.ledger.journal.checkpoints import load_key, public_key_text
from ingestd.ledger.journal.consistency import verify_consistency_file
from ingestd.ledger.journal.receipts import ReceiptError, verify_receipt
from ingestd.ledger.store import Ledger
from ingestd.pipeline.decisions import release
from tests.conftest import GOOD_EXPORT, SHEET, Lab


@pytest.fixture
def judged(lab: Lab) -> Lab:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    return lab


def key_of(lab: Lab) -> str:
    return public_key_text(load_key(key_path(lab.config)), origin_of("Test works"))


def test_receipt_of_a_result_proves_its_value_to_anybody(judged: Lab) -> None:
    entry = entry_of(judged.ledger.conn, 1, version=None, decision=False)
    data = receipt_of(judged.ledger.conn, judged.config, entry)
    found = verify_receipt(data, key_of(judged))
    assert found.index == entry
    assert (found.body["sample"], found.body["text"]) == ("W-1", "1280")


def test_receipt_of_a_decision_names_who_released_and_when(judged: Lab) -> None:
    with pytest.raises(Refused, match="nobody has decided"):
        entry_of(judged.ledger.conn, 1, version=None, decision=True)
    with judged.ledger.change(at=judged.clock(), by="rita") as change:
        release(
            change, judged.pipeline.in_force_cache.current(judged.ledger.conn), "R1", reason="fine"
        )
    entry = entry_of(judged.ledger.conn, 1, version=None, decision=True)
    found = verify_receipt(receipt_of(judged.ledger.conn, judged.config, entry), key_of(judged))
    assert (found.body["by"], found.body["standing"], found.body["result"]) == (
        "rita",
        "released",
        1,
    )


def test_receipt_uses_the_smallest_checkpoint_that_covers_the_entry(judged: Lab) -> None:
    first = write_checkpoint(judged.ledger.conn, judged.config)
    judged.arrive(b"", name="later.csv")
    write_checkpoint(judged.ledger.conn, judged.config)
    data = receipt_of(judged.ledger.conn, judged.config, 3)
    assert verify_receipt(data, key_of(judged)).checkpoint == first


@pytest.fixture
def long(judged: Lab) -> Lab:
    """A journal of some thousand entries."""
    for _ in range(3):
        with judged.ledger.change(at=judged.clock(), by="ada") as change:
            for _ in range(1000):
                change.record("replayed", capture=1, reason="as an example")
    write_checkpoint(judged.ledger.conn, judged.config)
    return judged


def test_receipt_in_a_long_journal_reads_few_of_its_leaves(long: Lab) -> None:
    asked: list[str] = []
    long.ledger.conn.set_trace_callback(asked.append)
    data = receipt_of(long.ledger.conn, long.config, 1500)
    long.ledger.conn.set_trace_callback(None)
    assert verify_receipt(data, key_of(long)).index == 1500
    spans = [re.search(r"idx >= (\d+) AND idx < (\d+)", text) for text in asked]
    assert 0 < sum(int(span[2]) - int(span[1]) for span in spans if span) < 2200
    assert verify_ledger(long.ledger.conn, rebuild=True).faults == []


def test_kept_root_that_was_altered_proves_nothing_and_verification_finds_it(long: Lab) -> None:
    long.ledger.conn.execute("UPDATE journal_nodes SET hash = zeroblob(32) WHERE number = 1")
    with pytest.raises(ReceiptError, match="does not lead to the root"):
        receipt_of(long.ledger.conn, long.config, 3)
    assert "subtrees" in verify_ledger(long.ledger.conn).faults[0]


def test_ledger_without_kept_roots_gets_them_when_it_is_brought_up_to_date(long: Lab) -> None:
    rows = "SELECT * FROM journal_nodes"
    kept = long.ledger.conn.execute(rows).fetchall()
    assert len(kept) == 3  # two blocks and both together
    long.ledger.conn.execute("DROP TABLE journal_nodes")
    long.ledger.conn.execute("DELETE FROM _sqlite_migrations WHERE name = 'm0010_journal_nodes'")
    Ledger.open(long.config.ledger.path).close()
    assert long.ledger.conn.execute(rows).fetchall() == kept


def test_every_entry_has_a_receipt_that_verifies(judged: Lab) -> None:
    write_checkpoint(judged.ledger.conn, judged.config)
    size = int(str(judged.one("SELECT size FROM frontier")))
    for entry in range(size):
        data = receipt_of(judged.ledger.conn, judged.config, entry)
        assert verify_receipt(data, key_of(judged)).index == entry


@pytest.mark.parametrize(
    ("result", "version", "match"), [(9, None, "result 9"), (1, 7, "no version 7")]
)
def test_receipt_of_nothing_is_refused(
    judged: Lab, result: int, version: int | None, match: str
) -> None:
    with pytest.raises(Refused, match=match):
        entry_of(judged.ledger.conn, result, version=version, decision=False)


def test_entry_beyond_the_journal_is_refused(judged: Lab) -> None:
    with pytest.raises(Refused, match="there is none"):
        receipt_of(judged.ledger.conn, judged.config, 10**6)


def test_receipt_of_another_site_is_refused(judged: Lab, tmp_path: Path) -> None:
    from ingestd.ledger.journal.checkpoints import make_key

    data = receipt_of(judged.ledger.conn, judged.config, 3)
    other = public_key_text(make_key(tmp_path / "other.key"), origin_of("Other works"))
    with pytest.raises(ReceiptError, match="Other%20works"):
        verify_receipt(data, other)


# --- consistency ------------------------------------------------------------------------------


def test_consistency_of_two_checkpoints_is_proved_to_anybody(judged: Lab) -> None:
    old = write_checkpoint(judged.ledger.conn, judged.config)
    judged.arrive(b"", name="later.csv")
    new = write_checkpoint(judged.ledger.conn, judged.config)
    for pair in ((old, new), (new, old)):
        data = consistency_of(judged.ledger.conn, *pair)
        assert verify_consistency_file(data, key_of(judged)) == (old, new)
    same = consistency_of(judged.ledger.conn, old, old)
    assert verify_consistency_file(same, key_of(judged)) == (old, old)


def test_any_changed_byte_of_a_consistency_proof_is_found(judged: Lab) -> None:
    old = write_checkpoint(judged.ledger.conn, judged.config)
    judged.arrive(b"", name="later.csv")
    new = write_checkpoint(judged.ledger.conn, judged.config)
    data = consistency_of(judged.ledger.conn, old, new)
    for at in range(0, len(data), 3):
        changed = bytearray(data)
        changed[at] ^= 1
        with pytest.raises(ReceiptError):
            verify_consistency_file(bytes(changed), key_of(judged))


def test_checkpoint_of_a_longer_journal_cannot_be_continued(judged: Lab) -> None:
    from dataclasses import replace

    kept = write_checkpoint(judged.ledger.conn, judged.config)
    with pytest.raises(Refused, match="the journal holds"):
        consistency_of(judged.ledger.conn, kept, replace(kept, size=kept.size + 1))


def test_rewritten_journal_has_no_proof(judged: Lab) -> None:
    from dataclasses import replace

    old = write_checkpoint(judged.ledger.conn, judged.config)
    judged.arrive(b"", name="later.csv")
    new = write_checkpoint(judged.ledger.conn, judged.config)
    with pytest.raises(ReceiptError, match="do not begin with"):
        consistency_of(judged.ledger.conn, replace(old, root=b"\0" * 32), new)


@pytest.mark.parametrize("data", [b"", b"{}", b"[1]", b"\xff", json.dumps({"format": 1}).encode()])
def test_file_that_is_no_proof_is_said_so(judged: Lab, data: bytes) -> None:
    write_checkpoint(judged.ledger.conn, judged.config)
    with pytest.raises(ReceiptError, match="consistency proof"):
        verify_consistency_file(data, key_of(judged))
