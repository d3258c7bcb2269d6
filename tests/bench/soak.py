"""python -m tests.bench.soak [--minutes N] [--times N] [--json]: the service under load for long.

A busy laboratory works 1,000 tubes in eight hours (common practice, no source); here twenty times
as many come. Bench sheets are dropped into the plan folder, half of the readings are rows that a
photometer appends to one file, half are files of their own; once a minute a file comes that no
form fits, every five minutes the configuration is read again, and the metrics are asked for all
the time. Memory and latency of the last quarter are compared with those of the second: the first
is for warming up. At the end everything sent must be there once and the journal must verify.
"""

import argparse
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path

from ingestd.audit.verify import verify_ledger
from ingestd.config import Config, load_config
from ingestd.ledger.store import Ledger
from tests.bench.bulk_work import TUBES, full_run, open_lab
from tests.bench.figures import Figure, quantile
from tests.conftest import EXPORT_HEAD, SHEET_HEAD

BUSY_TUBES_A_DAY = 1000
DAY_S = 8 * 3600
TIMES = 20
DEADLINE_S = 30.0
FLAT_MEMORY, FLAT_LATENCY = 1.10, 1.50


@dataclass(slots=True)
class Seen:
    """What was measured, with the second it was measured at."""

    latency_ms: list[tuple[float, float]] = field(default_factory=list)
    memory_mib: list[tuple[float, float]] = field(default_factory=list)
    strange: int = 0
    reloads: int = 0


class Soak:
    """One run of the real program on a laboratory of its own."""

    def __init__(self, folder: Path, minutes: float, times: float) -> None:
        self.folder = folder
        self.length_s = minutes * 60
        self.rate = times * BUSY_TUBES_A_DAY / DAY_S  # readings a second
        self.seen = Seen()
        self.sent = 0
        self.config = self._prepare()
        self.begun = 0.0

    def _prepare(self) -> Config:
        for name in ("exports", "plan"):
            (self.folder / name).mkdir()
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        (self.folder / "ingestd.toml").write_text(
            '[site]\nname = "Bench"\ntime_zone = "Etc/UTC"\n'
            '[plan]\nfolder = "plan"\nopen_days = 366\n'
            f'[service]\nmetrics = "127.0.0.1:{self.port}"\n'
            '[[source]]\nname = "p1"\npath = "exports"\ninstrument = "P1"\n'
        )
        config = load_config(self.folder / "ingestd.toml")
        open_lab(config).ledger.close()
        return config

    def run(self) -> list[Figure]:
        """Feed the service for as long as asked, then stop it and prove what it did."""
        with (self.folder / "service.log").open("w") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "ingestd", "--config", self.folder / "ingestd.toml", "run"],
                stderr=log,
            )
            try:
                self._until(lambda: "service_started" in self._log())
                self._feed(process.pid)
                process.send_signal(signal.SIGTERM)
                if process.wait(60) != 0:
                    raise AssertionError(f"it ended with {process.returncode}: {self._log()}")
            finally:
                process.kill()
                process.wait()
        return [*self._figures(), self._proof()]

    def _log(self) -> str:
        return (self.folder / "service.log").read_text()

    def _until(self, what: Callable[[], object]) -> None:
        end = time.monotonic() + DEADLINE_S
        while not what():
            if time.monotonic() > end:
                raise TimeoutError(f"not within {DEADLINE_S} s: {self._log()[-2000:]}")
            time.sleep(0.002)

    def _feed(self, pid: int) -> None:
        reader = Ledger.open_readonly(self.config.ledger.path)
        self.begun = due = time.monotonic()
        number = 0
        while time.monotonic() - self.begun < self.length_s:
            sheet, rows = full_run(number)
            plan = self.folder / "plan" / f"run{number:05}.csv"
            plan.write_text(SHEET_HEAD + sheet)
            self._until(lambda name=f"R{number}": _is_planned(reader, name))
            for row in rows:
                due = max(due + 1 / self.rate, time.monotonic() - 5)
                time.sleep(max(due - time.monotonic(), 0))
                self._one(reader, row)
            self._measure(pid)
            number += 1
        query = "SELECT count(*) FROM capture_states WHERE state = 'failed'"
        self._until(lambda: reader.conn.execute(query).fetchone()[0] == self.seen.strange)
        reader.close()

    def _one(self, reader: Ledger, row: str) -> None:
        self.sent += 1
        if self.sent % 2:
            path = self.folder / "exports" / "daily.csv"
            with path.open("a") as file:
                if file.tell() == 0:
                    file.write(EXPORT_HEAD)
                file.write(row)
        else:
            path = self.folder / "exports" / f"{self.sent:06}.csv"
            path.write_text(EXPORT_HEAD + row)
        closed = time.monotonic()
        query = "SELECT coalesce(max(id), 0) FROM readings"
        self._until(lambda: reader.conn.execute(query).fetchone()[0] >= self.sent)
        self.seen.latency_ms.append((closed - self.begun, (time.monotonic() - closed) * 1000))

    def _measure(self, pid: int) -> None:
        now = time.monotonic() - self.begun
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
        self.seen.memory_mib.append((now, pages * os.sysconf("SC_PAGE_SIZE") / 2**20))
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/metrics", timeout=10) as answer:
            answer.read()
        if now / 60 >= self.seen.strange + 1:
            self.seen.strange += 1
            (self.folder / "exports" / f"memo{self.seen.strange}.txt").write_text(
                f"no form knows this {self.seen.strange}\n"
            )
        if now / 300 >= self.seen.reloads + 1:
            self.seen.reloads += 1
            os.kill(pid, signal.SIGHUP)

    def _figures(self) -> list[Figure]:
        memory = self._quarters(self.seen.memory_mib)
        latency = self._quarters(self.seen.latency_ms)
        told = (
            f"{self.length_s / 60:g} minutes, {self.sent} readings, {self.sent / TUBES:.0f} runs"
        )
        rows = []
        for name, unit, quarters, part, flat in (
            ("memory", "MiB", memory, 0.5, FLAT_MEMORY),
            ("latency p50", "ms", latency, 0.5, FLAT_LATENCY),
            ("latency p99", "ms", latency, 0.99, FLAT_LATENCY),
        ):
            values = [quantile(one, part) for one in quarters]
            rows.append(
                Figure(
                    name=f"soak: {name}, last quarter beside the second",
                    unit=unit,
                    floor=values[1],
                    figure=values[3],
                    target=f"flat: ≤ {flat:g} ×",
                    met=values[3] <= flat * values[1],
                    spread=f"quarters {', '.join(f'{one:.1f}' for one in values)}; {told}",
                )
            )
        return rows

    def _quarters(self, points: list[tuple[float, float]]) -> list[list[float]]:
        found: list[list[float]] = [[], [], [], []]
        for at, value in points:
            found[min(int(4 * at / self.length_s), 3)].append(value)
        if not all(found):
            raise AssertionError("too short: a quarter has no values; ask for more minutes")
        return found

    def _proof(self) -> Figure:
        ledger = Ledger.open_readonly(self.config.ledger.path)
        begun = time.monotonic()
        report = verify_ledger(ledger.conn, rebuild=True)
        took_s = time.monotonic() - begun
        count, runs, failed = (
            ledger.conn.execute(query).fetchone()[0]
            for query in (
                "SELECT count(*) FROM readings WHERE retired = ''",
                "SELECT count(*) FROM runs WHERE complete = 1",
                "SELECT count(*) FROM capture_states WHERE state = 'failed'",
            )
        )
        ledger.close()
        is_whole = (
            report.faults == []
            and count == self.sent
            and runs == self.sent // TUBES
            and failed == self.seen.strange
        )
        return Figure(
            name="soak: journal verified and every table rebuilt",
            unit="s",
            floor=None,
            figure=took_s,
            target="no difference; every reading once",
            met=is_whole,
            spread=(
                f"{report.size} entries; {count} of {self.sent} readings, {runs} runs complete, "
                f"{failed} of {self.seen.strange} files no form fits, "
                f"{self.seen.reloads} reloads"
                f"{''.join(f'; {fault}' for fault in report.faults[:3])}"
            ),
        )


def _is_planned(ledger: Ledger, run: str) -> bool:
    found = ledger.conn.execute("SELECT 1 FROM runs WHERE name = ?", (run,))
    return found.fetchone() is not None


def main() -> int:
    """Print a line a figure; 1 if one is not met."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--minutes", type=float, default=60.0)
    asked.add_argument("--times", type=float, default=TIMES, help="a busy laboratory's rate")
    asked.add_argument("--json", action="store_true", help="print JSON")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="ingestd-soak-") as name:
        soak = Soak(Path(name), given.minutes, given.times)
        figures = soak.run()
    if given.json:
        print(json.dumps([asdict(one) for one in figures], indent=2, ensure_ascii=False))
    else:
        print(f"{soak.rate:.2f} readings/s, {given.times:g} times a busy laboratory")
        for one in figures:
            met = "met" if one.met else "NOT MET"
            print(f"{one.name}: {one.figure:.1f} {one.unit}; {one.target}: {met}; {one.spread}")
    return 0 if all(one.met for one in figures) else 1


if __name__ == "__main__":
    sys.exit(main())
