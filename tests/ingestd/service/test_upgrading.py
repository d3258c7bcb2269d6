"""A new program on an old ledger, an old program on a new one, and the way back."""

import gzip
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pysqlite3
import pytest

from ingestd.audit.backup import back_up, restore
from ingestd.audit.verify import verify_ledger
from ingestd.config import Config, load_config
from ingestd.errors import LedgerMismatch
from ingestd.ledger.results import find_results
from ingestd.ledger.store import Ledger
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, Lab, row
from tests.ingestd.service.service_manager import managed, until

DATA = Path(__file__).parent / "data"


@pytest.fixture
def old(tmp_path: Path) -> Config:
    """The first version's ledger and configuration, as they were left."""
    home = tmp_path / "old"
    for name in ("exports", "plan", "forms"):
        (home / name).mkdir(parents=True)
    shutil.copy(DATA / "first_configuration.toml", home / "ingestd.toml")
    (home / "ledger.db").write_bytes(gzip.decompress((DATA / "first_schema.db.gz").read_bytes()))
    # What lay in the watched folder then lies there still.
    (home / "exports" / "day.csv").write_text(GOOD_EXPORT)
    (home / "exports" / "late.csv").write_text(EXPORT_HEAD + row(9, "W-9", "250"))
    return load_config(home / "ingestd.toml")


def steps(path: Path) -> list[str]:
    conn = pysqlite3.connect(path)
    try:
        return [name for (name,) in conn.execute("SELECT name FROM _sqlite_migrations")]
    finally:
        conn.close()


def statements(config: Config) -> dict[str, tuple[str, str]]:
    ledger = Ledger.open_readonly(config.ledger.path)
    try:
        return {one.sample: (one.state, one.text) for one in find_results(ledger.conn)}
    finally:
        ledger.close()


def test_old_ledger_has_the_first_step_only(old: Config) -> None:
    assert steps(old.ledger.path) == ["m0001_first_schema"]


def test_commands_that_only_read_refuse_an_old_ledger_and_say_what_to_do(old: Config) -> None:
    before = old.ledger.path.read_bytes()
    with pytest.raises(LedgerMismatch, match=r"older ingestd.*back it up, then start"):
        Ledger.open_readonly(old.ledger.path)
    assert old.ledger.path.read_bytes() == before


def test_new_program_brings_an_old_ledger_up_to_date_and_every_proof_holds(old: Config) -> None:
    leaves = journal(old)
    ledger = Ledger.open(old.ledger.path)
    report = verify_ledger(ledger.conn, rebuild=True)
    ledger.close()
    assert report.faults == []
    assert journal(old)[: len(leaves)] == leaves, "no entry was touched"
    assert statements(old) == {"W-1": ("released", "1280"), "W-2": ("released", "333")}


def journal(config: Config) -> list[bytes]:
    conn = pysqlite3.connect(config.ledger.path)
    try:
        return [leaf for (leaf,) in conn.execute("SELECT leaf FROM journal ORDER BY idx")]
    finally:
        conn.close()


def run_service(config: Config, address: str, until_then: Callable[[], object]) -> None:
    with managed(address) as manager:
        process = subprocess.Popen(
            [sys.executable, "-m", "ingestd", "--config",
             config.ledger.path.parent / "ingestd.toml", "run"],
            env={**os.environ, "NOTIFY_SOCKET": address},
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            until(lambda: manager.count("READY=1") == 1, 60)
            until(until_then, 60)
            process.terminate()
            assert process.wait(60) == 0
        finally:
            process.kill()
            process.wait()


def test_service_of_the_new_version_goes_on_where_the_old_one_stopped(
    old: Config, tmp_path: Path
) -> None:
    def has_arrived() -> bool:
        ledger = Ledger.open_readonly(old.ledger.path)
        found = ledger.conn.execute("SELECT count(*) FROM captures WHERE name = 'new.csv'")
        count = found.fetchone()[0]
        ledger.close()
        return bool(count)

    (old.folders[0].path / "new.csv").write_text(EXPORT_HEAD + row(10, "W-10", "300"))
    run_service(old, str(tmp_path / "notify"), has_arrived)
    ledger = Ledger.open_readonly(old.ledger.path)
    counted = ledger.conn.execute("SELECT count(*) FROM readings").fetchone()[0]
    assert counted == 6, "the five of then once, and the new one"
    assert verify_ledger(ledger.conn, rebuild=True).faults == []
    ledger.close()
    assert statements(old)["W-1"] == ("released", "1280")


def test_old_program_refuses_a_newer_ledger_and_changes_nothing(lab: Lab) -> None:
    """What the version before this one does: it does not know the newest step."""
    lab.ledger.conn.execute(
        "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
        " VALUES ('ingestd', 'm9999_of_a_later_version', '2030-01-01')"
    )
    lab.ledger.close()
    for open_it in (Ledger.open, Ledger.open_readonly):
        with pytest.raises(LedgerMismatch, match=r"newer ingestd.*m9999_of_a_later_version"):
            open_it(lab.config.ledger.path)


def test_roll_back_is_the_copy_made_before_the_upgrade(old: Config, tmp_path: Path) -> None:
    """As README says: copy before the upgrade, put the copy back, start the old program again."""
    copy = tmp_path / "before.db"
    shutil.copy(old.ledger.path, copy)
    Ledger.open(old.ledger.path).close()
    assert len(steps(old.ledger.path)) > 1
    for path in old.ledger.path.parent.glob("ledger.db*"):
        path.unlink()
    shutil.copy(copy, old.ledger.path)
    assert steps(old.ledger.path) == ["m0001_first_schema"]
    Ledger.open(old.ledger.path).close()
    assert statements(old) == {"W-1": ("released", "1280"), "W-2": ("released", "333")}


def test_backup_of_this_version_restores_after_a_failed_upgrade(
    old: Config, tmp_path: Path
) -> None:
    Ledger.open(old.ledger.path).close()
    back_up(old, tmp_path / "copy.db")
    for path in old.ledger.path.parent.glob("ledger.db*"):
        path.rename(tmp_path / path.name)
    restore(old, tmp_path / "copy.db", by="ada", reason="upgrade undone",
            at=datetime(2026, 3, 3, tzinfo=UTC), system_user="root")  # fmt: skip
    assert statements(old) == {"W-1": ("released", "1280"), "W-2": ("released", "333")}


def test_configuration_of_the_first_version_is_read_as_it_is(old: Config) -> None:
    assert (old.site.name, len(old.folders)) == ("Test works", 1)
    assert old.notices.mail is None


def test_upgrade_cut_short_leaves_the_old_schema_whole(old: Config) -> None:
    """All steps are one transaction: a process killed in it leaves the first schema."""
    code = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from ingestd.ledger import connection\n"
        "from ingestd.ledger.store import Ledger\n"
        "run = connection._run_script\n"
        "def last(db, name):\n"
        "    run(db, name)\n"
        "    if name.startswith('schema_0006'):\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
        "connection._run_script = last\n"
        "Ledger.open(Path(sys.argv[1]))\n"
    )
    done = subprocess.run([sys.executable, "-c", code, old.ledger.path], check=False)
    assert done.returncode == -9
    assert steps(old.ledger.path) == ["m0001_first_schema"]
    ledger = Ledger.open(old.ledger.path)
    assert verify_ledger(ledger.conn, rebuild=True).faults == []
    ledger.close()


# --- from a wheel -----------------------------------------------------------------------------


def run(*words: object, cwd: Path) -> str:
    done = subprocess.run(
        [str(word) for word in words], cwd=cwd, capture_output=True, text=True, timeout=120,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_wheel_in_an_environment_of_its_own_installs_a_laboratory(tmp_path: Path) -> None:
    """The commands of README, with the wheel built from this checkout; its dependencies are
    taken from the environment that runs the tests, so that no network is needed.
    """
    root = Path(__file__).parents[3]
    run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", tmp_path, cwd=root)
    (wheel,) = tmp_path.glob("ingestd-*.whl")
    place = tmp_path / "venv"
    run(sys.executable, "-m", "venv", "--without-pip", place, cwd=tmp_path)
    (packages,) = place.glob("lib/python3*/site-packages")
    theirs = [path for path in sys.path if path.endswith("site-packages")]
    (packages / "theirs.pth").write_text("\n".join(theirs))
    python, program = place / "bin" / "python", place / "bin" / "ingestd"
    run(sys.executable, "-m", "pip", "--python", python, "install", "--no-deps", "--no-index",
        "--ignore-installed", wheel, cwd=tmp_path)  # fmt: skip
    where = run(python, "-c", "import ingestd; print(ingestd.__file__)", cwd=tmp_path)
    assert str(place) in where, "the wheel's own, not the checkout's"
    said = run(program, "init", "lab", "--site", "Works", "--time-zone", "Etc/UTC", cwd=tmp_path)
    assert "systemctl enable --now" in said
    unit = (tmp_path / "lab" / "systemd" / "ingestd.service").read_text()
    config = tmp_path / "lab" / "ingestd.toml"
    assert f"ExecStart={program} --config {config} run" in unit
    begin = (program, "--config", config)
    run(*begin, "user", "add", "ada", "--role", "admin", cwd=tmp_path)
    run(*begin, "plan", "load", tmp_path / "lab" / "methods.toml", "--by", "ada", cwd=tmp_path)
    run(*begin, "check", "--only-configuration", cwd=tmp_path)
    run(*begin, "verify", "--rebuild", cwd=tmp_path)
