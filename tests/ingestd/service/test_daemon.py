"""The real `ingestd run`, a process of its own: start, work, stop, and what it refuses."""

import signal
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from ingestd.audit.checkpoints import known_checkpoints
from ingestd.audit.verify import verify_ledger
from ingestd.config import load_config
from ingestd.ledger.store import Ledger
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, row
from tests.ingestd.service.service_process import Bench, wait_until

BOTH = {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench.lay_out(tmp_path / "lab")
    yield bench
    bench.end_all()


def assert_proven(bench: Bench) -> None:
    checkpoints, complaints = known_checkpoints(load_config(bench.folder / "ingestd.toml"))
    ledger = Ledger.open_readonly(bench.folder / "ledger.db")
    report = verify_ledger(ledger.conn, checkpoints=checkpoints, rebuild=True)
    ledger.close()
    assert report.faults + complaints == []
    assert report.checkpoints >= 1


def test_files_dropped_before_and_while_it_runs_become_results(bench: Bench) -> None:
    bench.drop("early.csv", EXPORT_HEAD + "".join(GOOD_ROWS[:2]))
    process = bench.start()
    bench.wait_ready(process)
    bench.drop("late.csv", EXPORT_HEAD + "".join(GOOD_ROWS[2:]))
    wait_until(lambda: bench.states() == BOTH, "two accepted results")
    assert bench.stop(process) == 0
    assert_proven(bench)
    assert sorted(p.name for p in (bench.folder / "exports").iterdir()) == [
        "early.csv",
        "late.csv",
    ]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_stops_cleanly_when_asked_and_signs_what_it_did(
    bench: Bench, number: signal.Signals
) -> None:
    process = bench.start()
    bench.wait_ready(process)
    process.send_signal(number)
    assert process.wait(30) == 0
    last = bench.events()[-1]
    assert (last["event"], last["clean"]) == ("service_stopped", True)
    assert not (bench.folder / "ledger.db-wal").exists(), "the log was folded back"
    size = bench.ask("SELECT size FROM frontier")[0][0]
    names = [path.name for path in (bench.folder / "checkpoints").iterdir()]
    assert f"checkpoint-{size:016d}.txt" in names
    assert_proven(bench)


def test_signing_key_is_made_at_the_first_start_and_status_shows_its_public_half(
    bench: Bench,
) -> None:
    process = bench.start()
    bench.wait_ready(process)
    assert (bench.folder / "journal.key").stat().st_mode & 0o777 == 0o600
    assert "ingestd/Test%20works+" in bench.run("status").stdout
    bench.stop(process)


def test_second_service_on_the_same_ledger_is_refused_and_the_first_goes_on(
    bench: Bench,
) -> None:
    first = bench.start()
    bench.wait_ready(first)
    second = bench.start()
    assert second.wait(30) == 2
    assert "another ingestd service works on this ledger" in bench.said()
    bench.drop("day.csv", GOOD_EXPORT)
    wait_until(lambda: bench.states() == BOTH, "the first one's results")
    assert bench.stop(first) == 0


def test_restart_takes_nothing_in_twice(bench: Bench) -> None:
    bench.drop("day.csv", GOOD_EXPORT)
    for _ in range(3):
        process = bench.start()
        bench.wait_ready(process)
        wait_until(lambda: bench.states() == BOTH, "two accepted results")
        assert bench.stop(process) == 0
    assert bench.ask("SELECT count(*) FROM readings") == [(4,)]
    assert bench.ask("SELECT count(*) FROM captures WHERE source = 'p1'") == [(1,)]
    assert bench.ask("SELECT max(version) FROM result_versions") == [(1,)]
    assert_proven(bench)


def _has_readings(bench: Bench, count: int) -> bool:
    return bench.ask("SELECT count(*) FROM readings") == [(count,)]


def test_growing_file_is_read_row_by_row(bench: Bench) -> None:
    process = bench.start()
    bench.wait_ready(process)
    path = bench.folder / "exports" / "day.csv"
    path.write_text(EXPORT_HEAD)
    for count, line in enumerate(GOOD_ROWS, 1):
        with path.open("a") as file:
            file.write(line)
        wait_until(partial(_has_readings, bench, count), f"{count} readings")
    wait_until(lambda: bench.states() == BOTH, "two accepted results")
    bench.stop(process)
    assert_proven(bench)


def test_plan_dropped_while_it_runs_places_what_waited_and_a_bad_one_is_kept_failed(
    tmp_path: Path,
) -> None:
    from tests.conftest import PLAN

    bench = Bench.lay_out(tmp_path / "lab", with_plan=False)
    try:
        process = bench.start()
        bench.wait_ready(process)
        bench.drop("plan.toml", PLAN, folder="plan")
        wait_until(
            lambda: bench.ask("SELECT 1 FROM inputs WHERE kind = 'method'") != [], "the method"
        )
        bench.drop("day.csv", GOOD_EXPORT)
        wait_until(lambda: bench.ask("SELECT count(*) FROM waiting") == [(4,)], "four wait")
        bench.drop("bad.csv", SHEET.replace("COD-HR", "COD-XX"), folder="plan")
        wait_until(
            lambda: bench.ask("SELECT 1 FROM capture_states WHERE state = 'failed'") != [],
            "the bad sheet set aside",
        )
        bench.drop("sheet.csv", SHEET, folder="plan")
        wait_until(lambda: bench.states() == BOTH, "two accepted results")
        assert bench.stop(process) == 0
        assert "COD-XX" in bench.run("captures", "--state", "failed").stdout
        assert_proven(bench)
    finally:
        bench.end_all()


def test_commands_work_beside_the_running_service(bench: Bench) -> None:
    process = bench.start()
    bench.wait_ready(process)
    assert bench.run("user", "add", "ada", "--role", "admin").returncode == 0
    assert bench.run("user", "add", "mara", "--role", "analyst", "--by", "ada").returncode == 0
    bench.drop("day.csv", EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-Z", "333"))
    wait_until(lambda: bench.ask("SELECT count(*) FROM waiting") == [(1,)], "one waits")
    placed = bench.run("place", "4", "R1", "4", "--reason", "typed Z", "--by", "mara")
    assert placed.returncode == 0, placed.stderr
    assert bench.states() == BOTH
    later = bench.run("backup", "copy.db")
    assert later.returncode == 0, later.stderr
    assert bench.stop(process) == 0
    assert_proven(bench)


def test_ledger_of_another_site_stops_the_start_with_the_reason(bench: Bench) -> None:
    process = bench.start()
    bench.wait_ready(process)
    bench.stop(process)
    path = bench.folder / "ingestd.toml"
    path.write_text(path.read_text().replace("Test works", "Other works"))
    assert bench.start().wait(30) == 1
    assert "belongs to site 'Test works'" in bench.said()


def test_damaged_ledger_stops_the_start_with_the_reason(bench: Bench) -> None:
    process = bench.start()
    bench.wait_ready(process)
    bench.stop(process)
    path = bench.folder / "ledger.db"
    data = bytearray(path.read_bytes())
    data[4096 * 3 : 4096 * 3 + 200] = b"\xff" * 200
    path.write_bytes(bytes(data))
    assert bench.start().wait(30) == 1
    assert "Traceback" not in bench.said()
    assert "damaged" in bench.said() or "malformed" in bench.said()


def test_wrong_form_of_the_site_stops_the_start_and_names_the_key(bench: Bench) -> None:
    (bench.folder / "forms" / "own.toml").write_text('shape = "cube"\n')
    assert bench.start().wait(30) == 1
    assert "own" in bench.said()
    assert "shape" in bench.said()
    assert "Traceback" not in bench.said()


def test_folder_that_is_not_there_yet_is_waited_for(bench: Bench) -> None:
    exports = bench.folder / "exports"
    exports.rmdir()
    process = bench.start()
    bench.wait_ready(process)
    exports.mkdir()
    bench.drop("day.csv", GOOD_EXPORT)
    wait_until(lambda: bench.states() == BOTH, "two accepted results")
    assert bench.stop(process) == 0
