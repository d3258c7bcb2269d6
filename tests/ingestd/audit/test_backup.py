"""Copies that are known to be good, and going back to one."""

import threading
from pathlib import Path

import pysqlite3
import pytest

from ingestd.audit.backup import back_up, restore
from ingestd.audit.checkpoints import key_path, known_checkpoints, write_checkpoint
from ingestd.audit.verify import verify_ledger
from ingestd.errors import LedgerMismatch, Refused
from ingestd.ledger.results import entry_body
from ingestd.ledger.store import Ledger
from tests.conftest import GOOD_EXPORT, SHEET, Lab, row


@pytest.fixture
def judged(lab: Lab) -> Lab:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    write_checkpoint(lab.ledger.conn, lab.config)
    return lab


def lose(lab: Lab) -> None:
    """The disk of the ledger died."""
    lab.ledger.close()
    for path in lab.folder.glob("ledger.db*"):
        path.unlink()


def put_back(lab: Lab, copy: Path, *, by: str = "ada", reason: str = "disk died") -> int:
    _, lost = restore(lab.config, copy, by=by, reason=reason, at=lab.clock(), system_user="root")
    return lost


def test_backup_is_one_file_that_verifies_by_itself(judged: Lab) -> None:
    target = judged.folder / "copy.db"
    copied = back_up(judged.config, target)
    assert copied.report.holds
    assert copied.report.checkpoints == 1
    assert copied.size == target.stat().st_size
    assert [p.name for p in judged.folder.glob("*copy.db*")] == ["copy.db"]
    copy = Ledger.open_readonly(target)
    assert verify_ledger(copy.conn, rebuild=True).holds
    copy.close()
    assert [p.name for p in judged.folder.glob("copy.db*")] == ["copy.db"]


def test_backup_never_overwrites(judged: Lab) -> None:
    target = judged.folder / "copy.db"
    target.write_text("something else")
    with pytest.raises(Refused, match="exists already"):
        back_up(judged.config, target)
    assert target.read_text() == "something else"


def test_backup_of_an_altered_ledger_is_refused_and_leaves_no_file(judged: Lab) -> None:
    judged.ledger.conn.execute("DROP TRIGGER journal_never_goes")
    judged.ledger.conn.execute("DELETE FROM journal WHERE idx = 7")
    with pytest.raises(LedgerMismatch, match="journal entry 7 is missing"):
        back_up(judged.config, judged.folder / "copy.db")
    assert list(judged.folder.glob("*copy.db*")) == []


def test_intake_goes_on_while_a_backup_is_made(judged: Lab) -> None:
    done = threading.Event()
    problems: list[BaseException] = []

    def copy() -> None:
        try:
            for number in range(3):
                back_up(judged.config, judged.folder / f"copy{number}.db")
        except BaseException as error:  # noqa: BLE001 - shown by the test
            problems.append(error)
        finally:
            done.set()

    thread = threading.Thread(target=copy)
    thread.start()
    count = 0
    while not done.is_set():
        judged.arrive(f"no form {count}\n", name=f"{count}.txt")
        count += 1
    thread.join()
    assert problems == []
    assert count > 3


def test_restored_ledger_works_on_and_says_that_it_was_restored(judged: Lab) -> None:
    copy = judged.folder / "copy.db"
    back_up(judged.config, copy)
    lose(judged)
    assert put_back(judged, copy) == 0
    ledger = Ledger.open(judged.config.ledger.path, site="Test works")
    (size,) = ledger.conn.execute("SELECT size FROM frontier").fetchone()
    told = entry_body(ledger.conn, size - 1)
    assert (told["kind"], told["by"], told["reason"]) == ("ledger_restored", "ada", "disk died")
    assert told["lost_checkpoints"] == []
    checkpoints, complaints = known_checkpoints(judged.config)
    report = verify_ledger(ledger.conn, checkpoints=checkpoints, rebuild=True)
    assert report.faults + complaints == []
    write_checkpoint(ledger.conn, judged.config)
    ledger.close()


def test_entries_lost_by_going_back_are_counted_and_their_checkpoints_kept_aside(
    judged: Lab,
) -> None:
    copy = judged.folder / "copy.db"
    back_up(judged.config, copy)
    judged.arrive("later\n", name="later.txt")
    newer = write_checkpoint(judged.ledger.conn, judged.config)
    before = back_up(judged.config, judged.folder / "unused.db").report.size
    lose(judged)
    lost = put_back(judged, copy)
    assert lost == before - back_size(copy)
    ledger = Ledger.open(judged.config.ledger.path, site="Test works")
    told = entry_body(ledger.conn, back_size(copy))
    assert told["lost_checkpoints"] == [newer.text]
    aside = list((judged.folder / "checkpoints").glob("before-restore-*/checkpoint-*.txt"))
    assert [path.read_text() for path in aside] == [newer.text]
    checkpoints, complaints = known_checkpoints(judged.config)
    assert verify_ledger(ledger.conn, checkpoints=checkpoints).faults + complaints == []
    assert not verify_ledger(ledger.conn, checkpoints=[newer]).holds, "a copy kept elsewhere says"
    write_checkpoint(ledger.conn, judged.config)
    ledger.close()


def back_size(copy: Path) -> int:
    ledger = Ledger.open_readonly(copy)
    size = ledger.conn.execute("SELECT size FROM frontier").fetchone()[0]
    ledger.close()
    return int(size)


def test_restored_ledger_reads_again_what_still_lies_in_the_folder(judged: Lab) -> None:
    copy = judged.folder / "copy.db"
    back_up(judged.config, copy)
    lose(judged)
    put_back(judged, copy)
    judged.ledger = Ledger.open(judged.config.ledger.path, site="Test works")
    judged.pipeline.ledger = judged.ledger
    judged.arrive(GOOD_EXPORT)
    judged.arrive(GOOD_EXPORT + row(9, "W-9", "7"))
    assert judged.one("SELECT count(*) FROM readings") == 5


@pytest.mark.parametrize("left", ["ledger.db", "ledger.db-wal"])
def test_restore_never_overwrites(judged: Lab, left: str) -> None:
    copy = judged.folder / "copy.db"
    back_up(judged.config, copy)
    lose(judged)
    (judged.folder / left).write_bytes(b"precious")
    with pytest.raises(Refused, match="nothing is overwritten"):
        put_back(judged, copy)
    assert (judged.folder / left).read_bytes() == b"precious"


def test_restore_needs_an_admin_and_a_reason(judged: Lab) -> None:
    copy = judged.folder / "copy.db"
    back_up(judged.config, copy)
    lose(judged)
    for by, reason in (("rita", "x"), ("nobody", "x"), ("ada", " ")):
        with pytest.raises(Refused):
            put_back(judged, copy, by=by, reason=reason)
    assert not judged.config.ledger.path.exists()


def test_restore_beside_a_working_service_is_refused(judged: Lab) -> None:
    import fcntl

    copy = judged.folder / "copy.db"
    back_up(judged.config, copy)
    lose(judged)
    with (judged.folder / "ledger.db.service").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        with pytest.raises(Refused, match="a service works"):
            put_back(judged, copy)


def test_copy_that_was_altered_is_refused(judged: Lab) -> None:
    copy = judged.folder / "copy.db"
    back_up(judged.config, copy)
    conn = pysqlite3.connect(str(copy))
    conn.execute("DROP TRIGGER captures_never_change")
    conn.execute("UPDATE captures SET name = 'x' WHERE source = 'p1'")
    conn.commit()
    conn.close()
    lose(judged)
    with pytest.raises(LedgerMismatch, match="does not verify"):
        put_back(judged, copy)
    assert not judged.config.ledger.path.exists()


def test_file_that_is_no_ledger_or_of_another_site_is_refused(judged: Lab, tmp_path: Path) -> None:
    other = Ledger.open(tmp_path / "other.db", site="Other works", at=judged.clock())
    other.close()
    memo = tmp_path / "memo.db"
    memo.write_text("no database at all" * 100)
    lose(judged)
    with pytest.raises(LedgerMismatch, match="Other works"):
        put_back(judged, tmp_path / "other.db")
    with pytest.raises(LedgerMismatch, match="not a database"):
        put_back(judged, memo)
    assert key_path(judged.config).exists(), "the key is not part of the ledger and stays"
