"""The states of the sources, from the service's process to others."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingestd.sources.folder_settings import FolderStatus
from ingestd.sources.states import SourceState, read_states, state_of, states_path, write_states

AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
LOST = SourceState(name="p2", kind="line", where="/dev/x", state="lost", detail="unplugged")


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    path = states_path(tmp_path / "ledger.db")
    write_states(path, [LOST], at=AT)
    write_states(path, [LOST, LOST], at=AT)
    found = read_states(path)
    assert found is not None
    assert found.at == AT
    assert found.sources == (LOST, LOST)
    assert [one.name for one in tmp_path.iterdir()] == ["ledger.db.sources"]


@pytest.mark.parametrize("text", ["", "{", "[]", '{"at":"x","sources":[]}', '{"at":1}'])
def test_broken_or_absent_file_says_nothing(tmp_path: Path, text: str) -> None:
    path = tmp_path / "states"
    assert read_states(path) is None
    path.write_text(text)
    assert read_states(path) is None


def test_folder_says_its_path_and_state() -> None:
    status = FolderStatus(
        name="p1",
        path=Path("/exports"),
        state="degraded",
        detail="gone",
        backend="native",
        filesystem="ext4",
        last_scan_at=AT,
        last_arrival_at=None,
        files_seen=0,
        files_waiting=0,
        files_passed_over=0,
        is_alive=True,
    )
    assert state_of(status) == SourceState(
        name="p1", kind="folder", where="/exports", state="degraded", detail="gone"
    )
