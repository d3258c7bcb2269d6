"""Checkpoints signed beside the work: what is refused is said, and nothing waits for a share."""

import os
import threading

import pytest

from ingestd import events
from ingestd.audit.checkpoints import key_path
from ingestd.config import load_config
from ingestd.service.checkpoint_thread import Signing
from tests.conftest import SHEET, Lab
from tests.ingestd.service.service_process import wait_until


@pytest.fixture
def watched(lab: Lab) -> Lab:
    """A laboratory with a witness folder."""
    path = lab.folder / "ingestd.toml"
    path.write_text(path.read_text() + '\n[ledger]\nwitness = "share"\n')
    lab.config = load_config(path)
    return lab


def told(lab: Lab) -> list[object]:
    return [event["event"] for event in lab.events]


def sign(lab: Lab, signing: Signing) -> None:
    signing.begin(lab.config)
    signing.wait()


def test_journal_is_signed_at_ledger_and_witness(watched: Lab) -> None:
    signing = Signing(watched.pipeline.log)
    signing.wait()  # nothing was begun: nothing to wait for
    sign(watched, signing)
    assert signing.refused == ""
    assert told(watched) == [events.CHECKPOINT_WRITTEN]
    assert watched.events[0]["size"] == watched.one("SELECT size FROM frontier")
    assert len(list((watched.folder / "share").iterdir())) == 1


def test_witness_that_cannot_be_written_is_said_until_it_can(watched: Lab) -> None:
    (watched.folder / "share").write_text("a file, no folder")
    signing = Signing(watched.pipeline.log)
    sign(watched, signing)
    assert "share" in signing.refused
    (watched.folder / "share").unlink()
    sign(watched, signing)
    assert signing.refused == ""
    assert told(watched) == [events.CHECKPOINT_REFUSED, events.CHECKPOINT_WRITTEN]


def test_journal_that_does_not_continue_what_was_signed_is_refused(watched: Lab) -> None:
    signing = Signing(watched.pipeline.log)
    sign(watched, signing)
    watched.load("sheet.csv", SHEET)
    sign(watched, signing)
    # The ledger is set back to an older copy, whose journal then goes another way.
    with watched.ledger.conn as conn:
        conn.execute("UPDATE frontier SET size = size - 1")
    sign(watched, signing)
    assert signing.refused != ""
    assert told(watched)[-1] == events.CHECKPOINT_REFUSED


def test_key_that_others_can_read_signs_nothing(watched: Lab) -> None:
    signing = Signing(watched.pipeline.log)
    sign(watched, signing)
    key_path(watched.config).chmod(0o644)
    watched.load("sheet.csv", SHEET)
    sign(watched, signing)
    assert key_path(watched.config).name in signing.refused
    assert "mode 0644 lets other users" in signing.refused
    assert len(list((watched.folder / "share").iterdir())) == 1


def test_witness_that_hangs_holds_up_nothing_and_is_said(watched: Lab) -> None:
    """A named pipe in place of a checkpoint blocks whoever opens it, as a dead share does."""
    share = watched.folder / "share"
    share.mkdir()
    pipe = share / "checkpoint-0000000000000001.txt"
    os.mkfifo(pipe)
    signing = Signing(watched.pipeline.log)
    signing.begin(watched.config)
    begun = threading.active_count()
    signing.begin(watched.config)
    assert threading.active_count() == begun
    assert "the one before is still being written" in signing.refused
    pipe.write_text("")  # somebody writes at last: the reader goes on
    signing.wait()
    wait_until(lambda: len(told(watched)) == 2, "the first one ended")
    assert told(watched)[0] == events.CHECKPOINT_REFUSED
