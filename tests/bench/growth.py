"""An arrival in a ledger of many years, beside the same arrival in an empty one.

Two services, one file to each in turn: the export of a run of three tubes, which becomes a result.
Both ledgers know the same plan. The first files are not counted: then the histories that a result
is judged by (the newest control values of its method, the newest results of its point) are as long
in both, for what a longer history costs is no growth.
"""

import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ingestd.config import Config
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import InForceCache
from ingestd.ledger.store import Ledger
from ingestd.pipeline.inputs import load_file
from ingestd.service.daemon import Service
from tests.bench.bulk_work import silent_log
from tests.bench.figures import Figure, quantile
from tests.bench.grown_ledger import first_instant, grow
from tests.bench.grown_plan import UNCHECKED, begin_ledger, lot_of, make_place
from tests.conftest import EXPORT_HEAD, SHEET_HEAD

READINGS = 10_000_000
SHORT_READINGS = 200_000
UNCOUNTED = 40  # files; they fill the histories
PATIENCE_S = 30.0


def measure(*, short: bool) -> list[Figure]:
    """Latency of an arrival in a full ledger against an empty one."""
    readings = SHORT_READINGS if short else READINGS
    until = datetime.now(UTC).replace(second=0, microsecond=0)
    with tempfile.TemporaryDirectory() as name:
        full = make_place(Path(name) / "full", extra=UNCHECKED)
        begun = time.perf_counter()
        grow(full, readings=readings, until=until).close()
        made_in = time.perf_counter() - begun
        return compare(full, Path(name), readings, until, 60 if short else 300, made_in=made_in)


def compare(
    full: Config, folder: Path, readings: int, until: datetime, files: int, *, made_in: float
) -> list[Figure]:
    """The figures of a ledger that was generated already.

    Args:
        full: of the ledger with `readings` readings up to `until`.
        folder: has room for the empty one.
        files: arrivals to be counted.
        made_in: seconds that its making took, to be told.
    """
    empty = make_place(folder / "empty")
    begin_ledger(empty, first=first_instant(readings, until), last=until).close()
    size = full.ledger.path.stat().st_size
    places = [Place.open(config, until, files + UNCOUNTED) for config in (empty, full)]
    taken: tuple[list[float], ...] = ([], [])
    try:
        for number in range(files + UNCOUNTED):
            for at in (0, 1) if number % 2 else (1, 0):
                took = places[at].arrive(number)
                if number >= UNCOUNTED:
                    taken[at].append(took)
    finally:
        for place in places:
            place.close()
    few, many = (quantile(one, 0.5) for one in taken)
    return [
        Figure(
            name=f"file closed to result committed, p50, ledger of {readings:,} readings"
            f" ({size / 1e9:.1f} GB) beside an empty one",
            unit="ms",
            floor=few,
            figure=many,
            target="≤ 1.25 ×",
            met=many <= 1.25 * few,
            spread=f"p95 {quantile(taken[1], 0.95):.1f} beside {quantile(taken[0], 0.95):.1f};"
            f" {files} files each; ledger made in {made_in:.0f} s",
        )
    ]


@dataclass
class Place:
    """A ledger with its running service."""

    service: Service
    folder: Path
    seen: Callable[[str], bool]
    until: datetime
    conn: Connection

    @classmethod
    def open(cls, config: Config, until: datetime, files: int) -> "Place":
        """Plan the runs that the files will fill, and start the service."""
        ledger = Ledger.open(config.ledger.path)
        sheet = SHEET_HEAD + "".join(_sheet(number, until) for number in range(files))
        load_file(ledger, "sheet.csv", sheet.encode(), InForceCache(), config, at=until, by="mara")
        ledger.close()
        conn = Ledger.open_readonly(config.ledger.path).conn

        def seen(run: str) -> bool:
            found = conn.execute("SELECT state FROM results WHERE run = ?", (run,)).fetchall()
            if found and found != [("released",)]:
                raise AssertionError(f"run {run} did not become one released result: {found}")
            return bool(found)

        service = Service(config, log=silent_log())
        service.start()
        while any(one.status().last_scan_at is None for one in service.folders):
            time.sleep(0.01)
        return cls(service, config.source[0].path, seen, until, conn)

    def arrive(self, number: int) -> float:
        """Milliseconds from closing the export of a run to its result."""
        self.drop(number)
        closed = time.perf_counter()
        while not self.seen(run_name(number, self.until)):
            if time.perf_counter() - closed > PATIENCE_S:
                raise TimeoutError(f"file {number} has no effect after {PATIENCE_S:.0f} s")
            time.sleep(0.0001)
        return (time.perf_counter() - closed) * 1000

    def drop(self, number: int) -> None:
        """Write and close the export of a run."""
        text = EXPORT_HEAD + _rows(number, self.until)
        with (self.folder / f"{number:06}.csv").open("w") as file:
            file.write(text)

    def close(self) -> None:
        """Stop the service."""
        self.service.stop()
        self.conn.close()


def run_name(number: int, until: datetime) -> str:
    """Of the run that a file fills; another measurement on the same ledger has other names."""
    return f"Arriving {_tag(number, until)}"


def _tag(number: int, until: datetime) -> str:
    return f"{until:%d%H%M}{number:04}"


def _sheet(number: int, until: datetime) -> str:
    """A run of three tubes, all of them at the same point, begun a little after the one before."""
    started = until - timedelta(minutes=5) + timedelta(milliseconds=10 * number)
    lot = lot_of("COD-HR", until.date())
    tag, run = _tag(number, until), run_name(number, until)
    first = f"{run},COD-HR,{started.isoformat(sep=' ')[:19]},P1,mara,"
    later = f"{run},,,,,"
    return "".join(
        f"{first if position == 1 else later},{position},{role},{sample},{label},{point},,,,"
        f"{lot},{standard},,,,\n"
        for position, role, sample, label, point, standard in (
            (1, "blank", "", f"AB{tag}", "", ""),
            (2, "control_standard", "", f"AC{tag}", "", "CS-COD-HR"),
            (3, "sample", f"A{tag}", "", "point 07", ""),
        )
    )


def _rows(number: int, until: datetime) -> str:
    at = until + timedelta(seconds=number)
    tag = _tag(number, until)
    return "".join(
        f"{tag}{which},{at:%Y-%m-%d %H:%M:%S},{label},COD-HR,,,{value},mg/L,\n"
        for which, (label, value) in enumerate(
            ((f"AB{tag}", 0), (f"AC{tag}", 801), (f"A{tag}", 300 + number % 900))
        )
    )
