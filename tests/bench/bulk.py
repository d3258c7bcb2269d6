"""Readings a second when much arrives at once, with all rules and the journal, and again when a
replay of it finds nothing to change.

Shown beside it: a bare executemany of as many rows into one table.
"""

import tempfile
import time
from pathlib import Path

import pysqlite3

from ingestd.ledger.captures import find_captures
from ingestd.pipeline.garbage import calm_collector
from ingestd.pipeline.pipeline import Pipeline
from ingestd.pipeline.replay.replay import replay
from tests.bench.bulk_work import (
    NOW,
    TUBES,
    arrive,
    make_folder,
    open_lab,
    plan_runs,
    silent_log,
)
from tests.bench.figures import Figure

ROWS_A_FILE = 5000


def measure(*, short: bool) -> list[Figure]:
    """Bulk reading of complete COD runs of 25 tubes."""
    runs = 200 if short else 4000
    with tempfile.TemporaryDirectory() as name:
        pipeline = open_lab(make_folder(Path(name)))
        rows = plan_runs(pipeline, runs)
        calm_collector()
        begun = time.perf_counter()
        arrive(pipeline, rows, ROWS_A_FILE)
        taken = time.perf_counter() - begun
        conn = pipeline.ledger.conn
        accepted = conn.execute("SELECT count(*) FROM results WHERE state = 'accepted'")
        if accepted.fetchone()[0] != runs * (TUBES - 2):
            raise AssertionError("not every sample of the bulk became an accepted result")
        size = config_size(pipeline.config.ledger.path)
        again = _replay(pipeline, len(rows))
        pipeline.ledger.close()
        bare = _bare(Path(name) / "bare.db", rows)
    rate = len(rows) / taken
    return [
        Figure(
            name=f"bulk reading of {len(rows)} readings",
            unit="readings/s",
            floor=len(rows) / bare,
            figure=rate,
            target="≥ 10,000 readings/s",
            met=rate >= 10_000,
            spread=f"{size / len(rows):.0f} bytes of ledger a reading",
        ),
        Figure(
            name=f"replay of {len(rows)} readings that changes nothing",
            unit="readings/s",
            floor=len(rows) / bare,
            figure=again,
            target="≥ 10,000 readings/s",
            met=again >= 10_000,
            spread="every rule asked again, nothing to record",
        ),
    ]


def _replay(pipeline: Pipeline, count: int) -> float:
    captures = find_captures(pipeline.ledger.conn, source="p1")
    begun = time.perf_counter()
    report = replay(
        pipeline.ledger,
        pipeline.config,
        captures,
        reason="measured",
        by="ada",
        clock=lambda: NOW,
        log=silent_log(),
    )
    taken = time.perf_counter() - begun
    if not report.is_empty or report.failed:
        raise AssertionError("a replay of what is unchanged changed something")
    return count / taken


def config_size(path: Path) -> int:
    """Bytes of the ledger with its write-ahead log."""
    wal = Path(f"{path}-wal")
    return path.stat().st_size + (wal.stat().st_size if wal.exists() else 0)


def _bare(path: Path, rows: list[str]) -> float:
    conn = pysqlite3.connect(path, isolation_level=None)
    conn.execute("PRAGMA journal_mode=WAL")
    conn.execute("PRAGMA synchronous=FULL")
    conn.execute(f"CREATE TABLE readings ({', '.join(f'c{n}' for n in range(9))})")
    cells = [row.rstrip("\n").split(",") for row in rows]
    begun = time.perf_counter()
    for at in range(0, len(cells), ROWS_A_FILE):
        conn.execute("BEGIN IMMEDIATE")
        conn.executemany(
            "INSERT INTO readings VALUES (?,?,?,?,?,?,?,?,?)", cells[at : at + ROWS_A_FILE]
        )
        conn.execute("COMMIT")
    taken = time.perf_counter() - begun
    conn.close()
    return taken
