"""Memory of the real service at rest and while it takes in many captures, and of a replay of them.

Resident memory (VmRSS) as the system tells it, pages shared with other processes counted whole;
the proportional share (PSS) stands beside it. Flat means: the most that was resident up to the end
against the most up to the first quarter, when caches are full.
"""

import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Ledger
from tests.bench.bulk_work import export, make_folder, open_lab, plan_runs
from tests.bench.figures import Figure

IDLE_MB = 90
FLAT = 1.10
ROWS_A_FILE = 25
REST_S = 5.0
PATIENCE_S = 3600.0
TREE = Path(__file__).parents[2]


def measure(*, short: bool) -> list[Figure]:
    """Idle memory, and how flat it stays over taking in and reading again."""
    runs = 800 if short else 8000  # of 25 readings; a quarter of these fills every cache
    with tempfile.TemporaryDirectory() as name:
        config = make_folder(Path(name), settle_s=0.2)
        pipeline = open_lab(config)
        rows = plan_runs(pipeline, runs)
        pipeline.ledger.close()
        folder = Path(name)
        idle, taking = _service(folder, config.source[0].path, rows)
        again = _replay(folder)
    return [
        idle,
        _flat(f"service taking in {len(rows)} readings in {runs} captures", taking),
        # A short replay ends while caches still fill: pages, runs and values that come again.
        _flat(
            f"`ingestd replay` of {runs} captures, {len(rows)} readings",
            again,
            is_judged=not short,
        ),
    ]


def _flat(name: str, series: list[float], *, is_judged: bool = True) -> Figure:
    early, late = max(series[: len(series) // 4]), max(series)
    return Figure(
        name=f"resident memory, {name}, end beside first quarter",
        unit="MB",
        floor=early,
        figure=late,
        target=f"≤ {FLAT:.2f} ×",
        met=late <= FLAT * early if is_judged else None,
        spread=f"at the end {series[-1]:.1f} MB; {len(series)} looks",
    )


def _start(folder: Path, *words: str) -> "subprocess.Popen[bytes]":
    with (folder / f"{words[0]}.log").open("wb") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "ingestd", "--config", str(folder / "ingestd.toml"), *words],
            env={**os.environ, "PYTHONPATH": str(TREE)},
            stdout=log,
            stderr=subprocess.STDOUT,
        )


def _megabytes(process: "subprocess.Popen[bytes]", what: str) -> float:
    """Rss or Pss of a process, in millions of bytes."""
    said = Path(f"/proc/{process.pid}/smaps_rollup").read_text(encoding="ascii")
    found = re.search(rf"^{what}:\s+(\d+) kB$", said, re.MULTILINE)
    if found is None:
        raise AssertionError(f"the system does not tell {what}: {said[:200]!r}")
    return int(found[1]) * 1024 / 1e6


def _service(folder: Path, exports: Path, rows: list[str]) -> tuple[Figure, list[float]]:
    """Idle memory of a service, and its memory after each share of the files."""
    process = _start(folder, "run")
    try:
        _wait(lambda: "service_started" in (folder / "run.log").read_text(), process)
        time.sleep(REST_S)
        rss, pss = _megabytes(process, "Rss"), _megabytes(process, "Pss")
        idle = Figure(
            name="resident memory of the idle service",
            unit="MB",
            floor=None,
            figure=rss,
            target=f"≤ {IDLE_MB} MB",
            met=rss <= IDLE_MB,
            spread=f"PSS {pss:.1f} MB",
        )
        conn = Ledger.open_readonly(folder / "ledger.db").conn
        series = []
        files = [rows[at : at + ROWS_A_FILE] for at in range(0, len(rows), ROWS_A_FILE)]
        for number, lines in enumerate(files, 1):
            fresh = exports / f".{number:06}"  # hidden from the service until it is whole
            fresh.write_bytes(export(lines))
            fresh.rename(exports / f"{number:06}.csv")
            if number % 20 == 0:
                wanted = number * ROWS_A_FILE
                _wait(lambda: _readings(conn) >= wanted, process)  # noqa: B023 - called at once
                series.append(_megabytes(process, "Rss"))
        conn.close()
    finally:
        process.terminate()
        process.wait()
    return idle, series


def _readings(conn: Connection) -> int:
    return int(conn.execute("SELECT coalesce(max(id), 0) FROM readings").fetchone()[0])


def _wait(is_so: Callable[[], bool], process: "subprocess.Popen[bytes]") -> None:
    begun = time.perf_counter()
    while not is_so():
        if process.poll() is not None or time.perf_counter() - begun > PATIENCE_S:
            raise AssertionError(f"it did not come about; the process ended: {process.poll()}")
        time.sleep(0.01)


def _replay(folder: Path) -> list[float]:
    """Memory of the command at even times until it ends."""
    process = _start(folder, "replay", "--source", "p1", "--reason", "measured", "--by", "ada")
    series = []
    while process.poll() is None:
        try:
            series.append(_megabytes(process, "Rss"))
        except (AssertionError, ProcessLookupError, FileNotFoundError):
            break  # it has just ended
        time.sleep(0.02)
    if process.wait() != 0:
        raise AssertionError((folder / "replay.log").read_text()[-400:])
    return series
