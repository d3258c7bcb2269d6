"""Serial lines, through the real program on pseudo-terminals.

- From the last byte of a lone frame to its result committed. The floor is what no program could
  save: the two durable commits, capture and outcome, at the same pace on the same disk.
- 64 lines that send ten frames a minute each: the share of a core that the program takes.
- 64 lines that send without a pause at 9600 baud, one start and one stop bit: 960 bytes a second
  each, which is more than instruments do. A line that does not take a byte at once counts as one
  that lost it. What the ledger cannot take in time waits in memory, and is worked off afterwards.

The lines write and the ledger is looked at from one process, which takes its own share of the
machine.
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

import pysqlite3

from tests.bench.figures import Figure, quantile
from tests.bench.line_lab import LineLab, Running

LINES: Final = 64
FRAMES_A_MINUTE: Final = 10
BYTES_A_SECOND: Final = 960
LEAST_FRAME: Final = 45  # bytes; so many frames are planned that they suffice
LEAST_A_SECOND: Final = 20  # results, or the ledger is taken to be stuck
LONE_A_SECOND: Final = 10
TICK_S: Final = 0.02
CHECKED, PLAIN = "checked_line", "plain_line"


def measure(*, short: bool) -> list[Figure]:
    """Latency of a lone frame, cost of 64 slow lines, and 64 lines at full speed."""
    return [
        *_lone(50 if short else 300),
        _slow(12.0 if short else 60.0),
        *_full(2.0 if short else 10.0),
    ]


def _lone(count: int) -> list[Figure]:
    with tempfile.TemporaryDirectory(prefix="ingestd-lines-") as name:
        lab = LineLab(Path(name), forms=(CHECKED,), lines=1, frames=count)
        taken = []
        with lab.service() as running:
            for number in range(count):
                time.sleep(1 / LONE_A_SECOND)
                frame = lab.wires[0].next_frame()
                lab.wires[0].write(frame)
                taken.append(1000 * running.until(_has(running, number + 1), every_s=0.0001))
        found = lab.found()
        lab.close()
    floor = _two_commits(count, frame)
    return [
        Figure(
            name=f"line: last byte to result committed, p{part}",
            unit="ms",
            floor=quantile(floor, part / 100),
            figure=quantile(taken, part / 100),
            target=target,
            met=None
            if part != 50
            else quantile(taken, part / 100) <= 4 * quantile(floor, part / 100) and found.is_whole,
            spread=f"{min(taken):.1f} to {max(taken):.1f}; {found}",
        )
        for part, target in ((50, "≤ 4 ×"), (99, "none"))
    ]


def _has(running: Running, count: int) -> Callable[[], bool]:
    return lambda: running.results() >= count


def _two_commits(count: int, frame: bytes) -> list[float]:
    """Milliseconds of two bare durable commits, at the pace of the lone frames."""
    with tempfile.TemporaryDirectory(prefix="ingestd-lines-") as name:
        conn = pysqlite3.connect(Path(name) / "floor.db", isolation_level=None)
        conn.execute("PRAGMA journal_mode=WAL")
        conn.execute("PRAGMA synchronous=FULL")
        conn.execute("CREATE TABLE captures (bytes BLOB)")
        conn.execute("CREATE TABLE outcomes (text TEXT)")
        taken = []
        for _ in range(count):
            time.sleep(1 / LONE_A_SECOND)
            begun = time.perf_counter()
            conn.execute("INSERT INTO captures VALUES (?)", (frame,))
            conn.execute("INSERT INTO outcomes VALUES ('an outcome')")
            taken.append(1000 * (time.perf_counter() - begun))
        conn.close()
    return taken


def _slow(window_s: float) -> Figure:
    every_s = 60 / FRAMES_A_MINUTE / LINES
    count = int(window_s / every_s)
    with tempfile.TemporaryDirectory(prefix="ingestd-lines-") as name:
        lab = LineLab(Path(name), forms=(CHECKED, PLAIN), lines=LINES, frames=-(-count // LINES))
        with lab.service() as running:
            idle = _share(running, lambda: time.sleep(window_s / 4))

            def send() -> None:
                begun = time.perf_counter()
                for number in range(count):
                    time.sleep(max(begun + number * every_s - time.perf_counter(), 0))
                    wire = lab.wires[number % LINES]
                    wire.write(wire.next_frame())
                running.until(_has(running, count))

            share = _share(running, send)
            memory = running.memory_mib()
        found = lab.found()
        lab.close()
    return Figure(
        name=f"line: {LINES} lines, {FRAMES_A_MINUTE} frames a minute each, share of a core",
        unit="",
        floor=None,
        figure=share,
        target="≤ 0.5",
        met=share <= 0.5 and found.is_whole,
        spread=f"{idle:.3f} while nothing is sent; {memory:.0f} MiB; {found}",
    )


def _share(running: Running, work: Callable[[], None]) -> float:
    before, begun = running.cpu_s(), time.perf_counter()
    work()
    return (running.cpu_s() - before) / (time.perf_counter() - begun)


def _full(window_s: float) -> list[Figure]:
    frames = int(window_s * BYTES_A_SECOND / LEAST_FRAME) + 2
    with tempfile.TemporaryDirectory(prefix="ingestd-lines-") as name:
        lab = LineLab(Path(name), forms=(CHECKED, PLAIN), lines=LINES, frames=frames)
        with lab.service() as running:
            before = running.memory_mib()
            share = _share(running, lambda: _send_without_pause(lab, window_s))
            sent = sum(len(wire.sent) for wire in lab.wires)
            waiting = sent - running.results()
            drained_s = running.until(_has(running, sent), deadline_s=60 + sent / LEAST_A_SECOND)
            most = running.memory_mib("VmHWM")
        found = lab.found()
        lab.close()
    name = f"line: {LINES} lines at 9600 baud for {window_s:g} s"
    return [
        Figure(
            name=f"{name}, frames lost",
            unit="",
            floor=None,
            figure=found.lost,
            target="0, and all counts add up",
            met=found.is_whole,
            spread=str(found),
        ),
        Figure(
            name=f"{name}, until everything is a result",
            unit="s",
            floor=None,
            figure=drained_s,
            target="none",
            met=None,
            spread=(
                f"{sent / window_s:.0f} frames/s sent, {waiting} waited at the end, "
                f"{sent / (window_s + drained_s):.0f} results/s; {share:.2f} of a core; "
                f"memory {before:.0f} MiB before, {most:.0f} MiB at most"
            ),
        ),
    ]


def _send_without_pause(lab: LineLab, window_s: float) -> None:
    """Every line gets its bytes as its speed brings them; the last frames are ended."""
    rest = [b""] * LINES
    begun = time.perf_counter()
    while (passed := time.perf_counter() - begun) < window_s:
        for at, wire in enumerate(lab.wires):
            due = int(passed * BYTES_A_SECOND) - wire.bytes_sent - wire.refused
            while len(rest[at]) < due:
                rest[at] += wire.next_frame()
            if due > 0:
                wire.write(rest[at][:due])
                rest[at] = rest[at][due:]
        time.sleep(TICK_S)
    for at, wire in enumerate(lab.wires):
        wire.write(rest[at])
