"""Plain files: one a day, whole or not there, the same bytes whenever they are written."""

import csv
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import IO

import pytest
from pyarrow import parquet

from ingestd.audit.verify import verify_ledger
from ingestd.delivery.daily_files import COLUMNS, DailyFiles, write_atomically
from ingestd.delivery.targets import Progress
from ingestd.errors import TargetRejected, TargetUnavailable
from ingestd.ledger.deliveries import delivery_standings
from ingestd.times import instant
from tests.ingestd.delivery.conftest import Site

FILES = '[delivery.files]\nfolder = "out"\n'
NAME = "results-Lab%20one-2026-03-02"


@pytest.fixture
def site(make_site: Callable[..., Site]) -> Site:
    return make_site(files=FILES)


def files_of(site: Site) -> DailyFiles:
    return DailyFiles(
        site.lab.config, apply=lambda job: job(site.lab.ledger), clock=site.lab.clock
    )


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_day_s_file_holds_every_decision_of_the_day(site: Site) -> None:
    site.work(1)
    site.note("R1", 4, "dilution=1+4")
    site.release(site.result_of("W1b"), "sheet said 1+4")
    site.withdraw(site.result_of("W1a"), "mixed up")
    site.deliver(files_of(site))
    rows = read(site.lab.folder / "out" / f"{NAME}.csv")
    assert list(rows[0]) == [name for name, _ in COLUMNS]
    assert [
        (row["sample"], row["version"], row["standing"], row["replaces"], row["replaced_by"],
         row["statement"], row["unit"], row["reason"], row["decided_by"])
        for row in rows
    ] == [
        ("W1a", "1", "released", "", "", "1280", "mg/L", "", "rita"),
        ("W1b", "1", "released", "", "", "301", "mg/L", "", "rita"),
        ("W1b", "1", "superseded", "", "2", "301", "mg/L", "sheet said 1+4", "rita"),
        ("W1b", "2", "released", "1", "", "1500", "mg/L", "sheet said 1+4", "rita"),
        ("W1a", "1", "withdrawn", "", "", "1280", "mg/L", "mixed up", "rita"),
    ]  # fmt: skip


def test_file_agrees_with_the_ledger_digit_for_digit(site: Site) -> None:
    site.work(3)
    site.deliver(files_of(site))
    here = site.lab.ledger.conn.execute(
        "SELECT r.sample, v.text, v.value, coalesce(v.uncertainty, ''), v.verdict FROM results r"
        " JOIN result_versions v ON v.result = r.id AND v.version = r.version ORDER BY v.entry"
    ).fetchall()
    assert [
        (row["sample"], row["statement"], row["value"], row["uncertainty"], row["verdict"])
        for row in read(site.lab.folder / "out" / f"{NAME}.csv")
    ] == here


def test_delivering_again_writes_nothing(site: Site) -> None:
    site.work(1)
    target = files_of(site)
    site.deliver(target)
    path = site.lab.folder / "out" / f"{NAME}.csv"
    before = path.stat()
    assert target.step(site.lab.ledger.conn) == Progress()
    assert path.stat().st_ino == before.st_ino


def test_days_are_those_of_the_laboratory(site: Site) -> None:
    lisbon_summer = site.lab.config.site.model_copy(update={"time_zone": "Europe/Lisbon"})
    site.lab.config = site.lab.config.model_copy(update={"site": lisbon_summer})
    site.lab.now = site.lab.now.replace(month=7, day=1, hour=22, minute=59, second=59)
    site.work(1)  # 23:59:59 there
    site.lab.now = site.lab.now.replace(hour=23, minute=0, second=1)
    site.work(1)  # the second day there
    site.deliver(files_of(site))
    assert sorted(path.name for path in (site.lab.folder / "out").iterdir()) == [
        "results-Lab%20one-2026-07-01.csv",
        "results-Lab%20one-2026-07-02.csv",
    ]


def test_lost_file_comes_back_with_the_next_decision_of_its_day(site: Site) -> None:
    site.work(1)
    target = files_of(site)
    site.deliver(target)
    (site.lab.folder / "out" / f"{NAME}.csv").unlink()
    site.work(1)
    site.deliver(target)
    assert len(read(site.lab.folder / "out" / f"{NAME}.csv")) == 4


def test_missing_folder_is_waited_for_and_not_made(site: Site) -> None:
    """A share that is not mounted must not be written underneath."""
    site.work(1)
    (site.lab.folder / "out").rmdir()
    with pytest.raises(TargetUnavailable, match="No such file or directory"):
        site.deliver(files_of(site))
    assert not (site.lab.folder / "out").exists()
    (standing,) = delivery_standings(site.lab.ledger.conn, ["files"])
    assert standing.results_behind == 2
    (site.lab.folder / "out").mkdir()
    site.deliver(files_of(site))
    assert len(read(site.lab.folder / "out" / f"{NAME}.csv")) == 2


def test_write_that_fails_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_bytes(b"old")

    def half(file: IO[bytes]) -> None:
        file.write(b"ne")
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left"):
        write_atomically(path, half)
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == {"day.csv": b"old"}


def test_cells_that_a_spreadsheet_would_run_are_text(site: Site) -> None:
    site.work(1)
    site.withdraw(site.result_of("W1a"), "=1+1 was meant")
    site.deliver(files_of(site))
    rows = read(site.lab.folder / "out" / f"{NAME}.csv")
    assert rows[-1]["reason"] == "'=1+1 was meant"


def test_both_targets_keep_their_own_place(site: Site) -> None:
    site.work(1)
    site.deliver(files_of(site))
    site.work(1)
    site.deliver()
    site.deliver(files_of(site))
    for standing in delivery_standings(site.lab.ledger.conn, ["postgres", "files"]):
        assert (standing.behind, standing.results_behind) == (0, 0), standing
    assert verify_ledger(site.lab.ledger.conn, rebuild=True).faults == []


def test_parquet_holds_the_same_with_kinds(make_site: Callable[..., Site]) -> None:
    site = make_site(files=FILES + 'format = "parquet"\n')
    site.work(2)
    target = files_of(site)
    site.deliver(target)
    path = target.path_of(date(2026, 3, 2))
    assert path.name == f"{NAME}.parquet"
    rows = parquet.read_table(path).to_pylist()
    here = site.lab.ledger.conn.execute(
        "SELECT o.entry, r.sample, v.text, v.value, o.at FROM outbox o JOIN results r"
        " ON r.id = o.result JOIN result_versions v ON v.result = o.result"
        " AND v.version = o.version ORDER BY o.entry"
    )
    assert [
        (row["entry"], row["sample"], row["statement"], row["value"], row["decided_at"])
        for row in rows
    ] == [
        (entry, sample, text, Decimal(value), instant(at))
        for entry, sample, text, value, at in here
    ]


def test_site_without_files_section_cannot_be_delivered_to_files(
    make_site: Callable[..., Site],
) -> None:
    with pytest.raises(TargetRejected, match=r"no \[delivery.files\] section"):
        files_of(make_site())
