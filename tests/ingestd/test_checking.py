"""Everything that would go wrong before start, all at once, each with its remedy."""

from collections.abc import Callable
from pathlib import Path

from ingestd.checking import check_all
from ingestd.config import load_config
from ingestd.ledger.store import Ledger
from tests.conftest import Lab


def reload(lab: Lab, change: Callable[[str], str]) -> Lab:
    path = lab.folder / "ingestd.toml"
    path.write_text(change(path.read_text()))
    lab.config = load_config(path)
    return lab


def test_nothing_speaks_against_a_sound_laboratory(lab: Lab) -> None:
    assert check_all(lab.config) == []


def test_all_faults_are_found_at_once_with_remedies(lab: Lab) -> None:
    (lab.folder / "forms" / "bad.toml").write_text('shape = "cube"\n')
    reload(
        lab,
        lambda text: (
            text.replace('path = "exports"', 'path = "nowhere"')
            .replace('instrument = "P1"', 'instrument = "P9"\nforms = ["not_there"]')
            .replace("Test works", "Other works")
        ),
    )
    faults = check_all(lab.config)
    text = "\n".join(f"{f.what} {f.problem}" for f in faults)
    for part in ("nowhere", "P9", "not_there", "bad", "Other works"):
        assert part in text, part
    assert all(fault.remedy for fault in faults)


def test_ledger_of_something_else_is_named(lab: Lab, tmp_path: Path) -> None:
    other = tmp_path / "notes.db"
    other.write_bytes(b"this is no database, but long enough to have a header" * 20)
    reload(lab, lambda text: text + "")
    config = lab.config.model_copy(
        update={"ledger": lab.config.ledger.model_copy(update={"path": other})}
    )
    (fault,) = check_all(config)
    assert fault.what == "ledger.path"
    assert "not a database" in fault.problem


def test_ledger_that_is_not_made_yet_is_no_fault(lab: Lab, tmp_path: Path) -> None:
    config = lab.config.model_copy(
        update={"ledger": lab.config.ledger.model_copy(update={"path": tmp_path / "new.db"})}
    )
    assert check_all(config) == []
    assert not (tmp_path / "new.db").exists(), "a check makes nothing"
    assert isinstance(lab.ledger, Ledger)


def test_places_of_delivery_that_cannot_be_used_are_named(lab: Lab) -> None:
    reload(
        lab,
        lambda text: (
            text + '\n[delivery.files]\nfolder = "not there"\n'
            '[delivery.postgres]\nconninfo = "host=centre.invalid user=site dbname=all"\n'
            'password_file = "no-secret"\n'
        ),
    )
    faults = {fault.what: fault for fault in check_all(lab.config)}
    assert set(faults) == {"delivery.files.folder", "delivery.postgres.password_file"}
    assert all(fault.remedy for fault in faults.values())
