"""Signed checkpoints beside the ledger and at a witness; nothing signed twice over."""

from pathlib import Path

import pytest

from ingestd.audit.checkpoints import (
    key_path,
    known_checkpoints,
    newest_kept,
    origin_of,
    smallest_covering,
    write_checkpoint,
)
from ingestd.config import load_config
from ingestd.ledger.journal.checkpoints import (
    CheckpointError,
    load_key,
    public_key_text,
    read_checkpoints,
)
from ingestd.ledger.store import Ledger
from tests.conftest import GOOD_EXPORT, SHEET, Lab


@pytest.fixture
def watched(lab: Lab) -> Lab:
    """A laboratory with a witness folder."""
    path = lab.folder / "ingestd.toml"
    path.write_text(path.read_text() + '\n[ledger]\nwitness = "share"\n')
    lab.config = load_config(path)
    return lab


def files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_checkpoint_signs_the_journal_as_it_stands_in_both_places(watched: Lab) -> None:
    written = write_checkpoint(watched.ledger.conn, watched.config)
    assert written.size == watched.one("SELECT size FROM frontier")
    key = public_key_text(load_key(key_path(watched.config)), origin_of("Test works"))
    for folder in (watched.folder / "checkpoints", watched.folder / "share"):
        assert read_checkpoints(folder, key) == (written,)


def test_key_is_made_once_and_private(lab: Lab) -> None:
    write_checkpoint(lab.ledger.conn, lab.config)
    key = key_path(lab.config).read_bytes()
    assert key_path(lab.config).stat().st_mode & 0o777 == 0o600
    lab.load("sheet.csv", SHEET)
    write_checkpoint(lab.ledger.conn, lab.config)
    assert key_path(lab.config).read_bytes() == key


def test_unchanged_journal_makes_no_second_file(lab: Lab) -> None:
    write_checkpoint(lab.ledger.conn, lab.config)
    write_checkpoint(lab.ledger.conn, lab.config)
    assert len(files(lab.folder / "checkpoints")) == 1


def rolled_back(lab: Lab) -> Ledger:
    """An older copy of the ledger, where the checkpoints are of a newer state."""
    old = lab.folder / "old.db"
    lab.ledger.copy_to(old)
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    write_checkpoint(lab.ledger.conn, lab.config)
    return Ledger.open(old)


def test_rolled_back_journal_is_not_signed_again(lab: Lab) -> None:
    ledger = rolled_back(lab)
    before = files(lab.folder / "checkpoints")
    with pytest.raises(CheckpointError, match="cut or rolled back"):
        write_checkpoint(ledger.conn, lab.config)
    ledger.close()
    new = set(files(lab.folder / "checkpoints")) - set(before)
    assert len(new) == 1
    assert new.pop().startswith("refused-"), "the refused one is kept as evidence"


def test_witness_alone_still_refuses_a_journal_rolled_back_with_its_own_checkpoints(
    watched: Lab,
) -> None:
    ledger = rolled_back(watched)
    for path in (watched.folder / "checkpoints").iterdir():
        path.unlink()
    with pytest.raises(CheckpointError, match="share"):
        write_checkpoint(ledger.conn, watched.config)
    ledger.close()


def test_journal_with_another_history_is_refused_even_when_it_is_longer(lab: Lab) -> None:
    ledger = rolled_back(lab)
    for number in range(200):
        with ledger.change(at=lab.clock(), by="eve") as change:
            change.record("replayed", capture=1, reason=f"made up {number}")
    with pytest.raises(CheckpointError, match="do not begin with"):
        write_checkpoint(ledger.conn, lab.config)
    ledger.close()


def test_known_checkpoints_come_from_every_folder_once(watched: Lab, tmp_path: Path) -> None:
    written = write_checkpoint(watched.ledger.conn, watched.config)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    name = files(watched.folder / "checkpoints")[0]
    (elsewhere / name).write_text(written.text)
    found, complaints = known_checkpoints(watched.config, folders=[elsewhere])
    assert (found, complaints) == ([written], [])


def test_newest_and_covering_checkpoint_are_told_without_reading_the_others(
    watched: Lab,
) -> None:
    conn, config = watched.ledger.conn, watched.config
    first = write_checkpoint(conn, config)
    watched.arrive(b"", name="later.csv")
    second = write_checkpoint(conn, config)
    assert newest_kept(config) == (second, [])
    assert smallest_covering(config, 3) == first
    assert smallest_covering(config, first.size) == second
    assert smallest_covering(config, second.size) is None
    for folder in (config.ledger.checkpoints, config.ledger.witness):
        assert folder is not None
        path = folder / f"checkpoint-{second.size:016d}.txt"
        path.chmod(0o644)
        path.write_text("altered\n")
    newest, complaints = newest_kept(config)
    assert newest is None
    assert len(complaints) == 2
    assert smallest_covering(config, 3) == first


def test_checkpoints_without_a_key_are_a_complaint_not_silence(lab: Lab) -> None:
    write_checkpoint(lab.ledger.conn, lab.config)
    published = public_key_text(load_key(key_path(lab.config)), origin_of("Test works"))
    key_path(lab.config).unlink()
    found, complaints = known_checkpoints(lab.config)
    assert found == []
    assert "journal.key is gone" in complaints[0]
    found, complaints = known_checkpoints(lab.config, verifier=published)
    assert len(found) == 1
    assert complaints == []


def test_file_somebody_changed_and_a_folder_that_is_not_there_are_complaints(lab: Lab) -> None:
    write_checkpoint(lab.ledger.conn, lab.config)
    (path,) = (lab.folder / "checkpoints").iterdir()
    path.chmod(0o644)
    path.write_text(path.read_text().replace("\n", "\n1", 1))
    _, complaints = known_checkpoints(lab.config, folders=[lab.folder / "nowhere"])
    assert path.name in complaints[0]
    assert "no such folder" in complaints[1]


def test_key_that_others_can_read_signs_nothing(lab: Lab) -> None:
    write_checkpoint(lab.ledger.conn, lab.config)
    key_path(lab.config).chmod(0o644)
    lab.load("sheet.csv", SHEET)
    with pytest.raises(CheckpointError, match="lets other users"):
        write_checkpoint(lab.ledger.conn, lab.config)
