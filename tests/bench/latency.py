"""From a file closed to its result committed, ten files a second, through the real service.

The floor is the same folder source with nothing behind it but two bare durable commits.
"""

import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pysqlite3

from ingestd.ledger.store import Ledger
from ingestd.service.daemon import Service
from ingestd.sources.arrivals import Arrival
from ingestd.sources.folder.folder import FolderSource
from ingestd.sources.folder.settings import FolderSettings
from tests.bench.bulk_work import bare_runs, export, load, make_folder, open_lab, silent_log
from tests.bench.figures import Figure, quantile

PER_SECOND = 10


def _drop_files(folder: Path, contents: list[bytes], seen: Callable[[int], bool]) -> list[float]:
    """Milliseconds from closing each file to its effect being seen."""
    taken = []
    due = time.perf_counter()
    for number, content in enumerate(contents):
        due += 1 / PER_SECOND
        threading.Event().wait(max(due - time.perf_counter(), 0))
        path = folder / f"{number:06}.csv"
        with path.open("wb") as file:
            file.write(content)
        closed = time.perf_counter()
        while not seen(number):
            if time.perf_counter() - closed > 20:
                raise TimeoutError(f"file {number} has no effect after 20 s")
            time.sleep(0.0001)
        taken.append((time.perf_counter() - closed) * 1000)
    return taken


def _floor(contents: list[bytes]) -> list[float]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "exports"
        folder.mkdir()
        conn = pysqlite3.connect(
            Path(name) / "floor.db", isolation_level=None, check_same_thread=False
        )
        conn.execute("PRAGMA journal_mode=WAL")
        conn.execute("PRAGMA synchronous=FULL")
        conn.execute("CREATE TABLE captures (bytes BLOB)")
        conn.execute("CREATE TABLE outcomes (text TEXT)")
        done = 0

        def deliver(arrival: Arrival) -> bool:
            nonlocal done
            conn.execute("INSERT INTO captures VALUES (?)", (arrival.data,))
            conn.execute("INSERT INTO outcomes VALUES ('an outcome')")
            done += 1
            return True

        source = FolderSource(
            FolderSettings(name="p1", path=folder), deliver=deliver, log=silent_log()
        )
        source.start()
        try:
            _settle(source)
            return _drop_files(folder, contents, lambda number: done > number)
        finally:
            source.stop()
            source.join()
            conn.close()


def _settle(source: FolderSource) -> None:
    while source.status().last_scan_at is None:
        time.sleep(0.01)


def _figure(count: int) -> tuple[list[float], list[bytes]]:
    with tempfile.TemporaryDirectory() as name:
        config = make_folder(Path(name))
        pipeline = open_lab(config)
        sheet, rows = bare_runs(0, count)
        load(pipeline, "bare.csv", sheet)
        pipeline.ledger.close()
        contents = [export([row]) for row in rows]
        service = Service(config, log=silent_log())
        service.start()
        try:
            _settle(service.folders[0])
            conn = Ledger.open_readonly(config.ledger.path).conn

            def seen(number: int) -> bool:
                found = conn.execute("SELECT count(*) FROM results").fetchone()[0]
                return bool(found > number)

            taken = _drop_files(config.source[0].path, contents, seen)
            states = dict(conn.execute("SELECT state, count(*) FROM results GROUP BY state"))
            conn.close()
        finally:
            service.stop()
    if states != {"accepted": count}:
        raise AssertionError(f"the files did not become accepted results: {states}")
    return taken, contents


def measure(*, short: bool) -> list[Figure]:
    """Latency of a lone file, median and 99th percentile, against the floor."""
    taken, contents = _figure(60 if short else 300)
    floor = _floor(contents)
    rows = []
    for part, target in ((0.5, 4.0), (0.99, 20.0)):
        least, most = quantile(floor, part), quantile(taken, part)
        rows.append(
            Figure(
                name=f"file closed to result committed, p{int(part * 100)}",
                unit="ms",
                floor=least,
                figure=most,
                target=f"≤ {target:g} ×",
                met=most <= target * least,
                spread=f"{min(taken):.1f} to {max(taken):.1f} over {len(taken)} files",
            )
        )
    return rows
