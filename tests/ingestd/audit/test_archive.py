"""Old captures in an archive file: the ledger still verifies, with and without it."""

import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pysqlite3
import pytest

from ingestd.audit.archive import Archived, archive_captures
from ingestd.audit.derivation import explain_result
from ingestd.audit.verify import verify_ledger
from ingestd.errors import Refused
from ingestd.ledger.captures import content_from, find_captures
from ingestd.pipeline.replay.replay import replay
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, Lab, row

LATER = datetime(2027, 1, 1, tzinfo=UTC)


@pytest.fixture
def judged(lab: Lab) -> Lab:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + GOOD_ROWS[0], final=False)
    lab.arrive(GOOD_EXPORT)
    return lab


def archive(lab: Lab, *, before: datetime = LATER, name: str = "old.zip") -> Archived:
    return archive_captures(
        lab.ledger,
        lab.folder / name,
        before=before,
        reason="ten years are over",
        at=lab.clock(),
        by="ada",
    )


def test_archived_bytes_leave_the_ledger_and_verification_holds_either_way(judged: Lab) -> None:
    before = int(str(judged.one("SELECT sum(length(bytes)) FROM captures")))
    done = archive(judged)
    assert done.size == before
    assert judged.one("SELECT count(*) FROM captures WHERE bytes IS NOT NULL") == 0
    without = verify_ledger(judged.ledger.conn, rebuild=True)
    assert without.faults == []
    assert (without.archived, without.archives_read) == (done.captures, 0)
    path = judged.folder / "old.zip"
    assert verify_ledger(judged.ledger.conn, archives=[path]).archives_read == 1


def test_archive_is_a_plain_zip_with_the_bytes_of_each_capture(judged: Lab) -> None:
    archive(judged)
    exports = find_captures(judged.ledger.conn, source="p1")
    with zipfile.ZipFile(judged.folder / "old.zip") as opened:
        assert opened.testzip() is None
        parts = [opened.read(f"captures/{capture.id:012d}.bin") for capture in exports]
    assert b"".join(parts) == GOOD_EXPORT.encode()


def test_results_readings_and_explanations_stay(judged: Lab) -> None:
    archive(judged)
    assert judged.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    assert "its bytes are in the archive old.zip" in "\n".join(
        explain_result(judged.ledger.conn, 1)
    )


def test_bytes_asked_for_or_replayed_are_said_to_be_in_the_archive(judged: Lab) -> None:
    archive(judged)
    exports = find_captures(judged.ledger.conn, source="p1")
    with pytest.raises(Refused, match=r"old\.zip"):
        content_from(judged.ledger.conn, exports[-1])
    report = replay(
        judged.ledger,
        judged.config,
        exports,
        reason="again",
        by="ada",
        clock=judged.clock,
        log=judged.pipeline.log,
    )
    assert [ident for ident, _ in report.failed] == [exports[-1].id]
    assert report.is_empty


def test_same_file_again_is_no_arrival_and_a_grown_one_is_stored_whole(judged: Lab) -> None:
    archive(judged)
    before = judged.one("SELECT count(*) FROM captures")
    judged.arrive(GOOD_EXPORT)
    assert judged.one("SELECT count(*) FROM captures") == before
    judged.arrive(GOOD_EXPORT + row(9, "W-9", "7"))
    newest = find_captures(judged.ledger.conn, source="p1")[-1]
    assert newest.continues is None
    assert judged.one("SELECT count(*) FROM readings") == 5
    judged.arrive(GOOD_EXPORT, name="copy.csv")
    assert judged.one("SELECT count(*) FROM readings") == 5
    assert verify_ledger(judged.ledger.conn, rebuild=True).faults == []


def test_file_that_still_grows_stays_whole_in_the_ledger(judged: Lab) -> None:
    middle = judged.now + timedelta(hours=1)
    judged.now = middle + timedelta(hours=1)
    judged.arrive(GOOD_EXPORT + row(9, "W-9", "7"))
    archive(judged, before=middle)
    exports = find_captures(judged.ledger.conn, source="p1")
    assert [capture.archived for capture in exports] == [False, False, False]
    assert content_from(judged.ledger.conn, exports[0])


def test_second_archive_takes_only_what_is_left(judged: Lab) -> None:
    archive(judged)
    with pytest.raises(Refused, match="no file ended before"):
        archive(judged, name="second.zip")
    judged.arrive("later\n", name="later.txt")
    assert archive(judged, name="second.zip").captures == 1
    paths = [judged.folder / "old.zip", judged.folder / "second.zip"]
    report = verify_ledger(judged.ledger.conn, archives=paths, rebuild=True)
    assert (report.faults, report.archives_read) == ([], 2)


def test_archive_never_overwrites_and_needs_a_reason(judged: Lab) -> None:
    target = judged.folder / "old.zip"
    target.write_text("precious")
    with pytest.raises(Refused, match="exists already"):
        archive(judged)
    assert target.read_text() == "precious"
    with pytest.raises(Refused, match="reason"):
        archive_captures(
            judged.ledger, judged.folder / "x.zip", before=LATER, reason="", at=LATER, by="ada"
        )
    assert judged.one("SELECT count(*) FROM archived") == 0


def flip(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(bytes(data))


@pytest.mark.parametrize("at", [0, 60, 200, -30])
def test_altered_or_foreign_archive_is_found(judged: Lab, at: int) -> None:
    archive(judged)
    path = judged.folder / "old.zip"
    flip(path, at)
    report = verify_ledger(judged.ledger.conn, archives=[path])
    assert "no archive of this ledger has its hash" in report.faults[0]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE captures SET bytes = NULL WHERE id = 1",
        "UPDATE captures SET bytes = x'00' WHERE id = 1",
        "UPDATE captures SET name = 'x' WHERE id = 1",
        "DELETE FROM captures WHERE id = 1",
    ],
)
def test_bytes_leave_by_no_other_way(judged: Lab, statement: str) -> None:
    with pytest.raises(pysqlite3.IntegrityError, match="captures are never"):
        judged.ledger.conn.execute(statement)
    archive(judged)
    if "NULL" not in statement:
        with pytest.raises(pysqlite3.IntegrityError, match="captures are never"):
            judged.ledger.conn.execute(statement)


def test_bytes_gone_without_an_archive_on_record_are_found(judged: Lab) -> None:
    judged.ledger.conn.execute("DROP TRIGGER captures_never_change")
    judged.ledger.conn.execute("INSERT INTO archives VALUES (1, 'x', 'x', 1)")
    judged.ledger.conn.execute("INSERT INTO archived SELECT id, 1 FROM captures")
    judged.ledger.conn.execute("UPDATE captures SET bytes = NULL")
    assert "differs from journal entry" in verify_ledger(judged.ledger.conn).faults[0]
