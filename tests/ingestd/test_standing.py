"""What stands and what waits, in one look."""

from datetime import UTC, datetime

from ingestd.checkpointing import write_checkpoint
from ingestd.standing import standing
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, PLAN, SHEET, Lab, row

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def test_laboratory_at_rest_needs_no_hand(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    now = standing(lab.ledger.conn, lab.config, now=NOON)
    assert now.results == {"accepted": 2}
    assert (now.readings_waiting, now.runs_open, now.proposed) == (0, 0, 0)
    assert now.journal_entries == lab.one("SELECT size FROM frontier")
    assert not now.needs_a_hand


def test_waiting_held_and_failed_need_a_hand(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-Z", "3"))
    lab.arrive(b"no form knows this\n", name="memo.txt")
    now = standing(lab.ledger.conn, lab.config, now=NOON)
    assert (now.readings_waiting, now.captures["failed"], now.runs_open) == (1, 1, 1)
    assert now.needs_a_hand
    assert now.as_dict()["needs_a_hand"] is True


def test_lots_that_expire_soon_are_named(lab: Lab) -> None:
    lab.load("plan.toml", PLAN.replace("expires = 2026-02-01", "expires = 2026-03-10"))
    now = standing(lab.ledger.conn, lab.config, now=NOON)
    assert now.lots_expiring == ("OLD (2026-03-10)",)


def test_public_key_is_shown_once_it_is_made(lab: Lab) -> None:
    assert standing(lab.ledger.conn, lab.config).public_key == ""
    write_checkpoint(lab.ledger.conn, lab.config)
    key = standing(lab.ledger.conn, lab.config).public_key
    assert key.startswith("ingestd/Test%20works+")
