"""A laboratory of many serial lines for benchmarks: the real program, pseudo-terminals, frames.

Each line has an instrument of its own and a run of one tube for every frame that it will send, by
a method that asks for no control: every frame by itself becomes a result. Frames state the time
at which they are sent, as an instrument with a right clock does.
"""

import os
import signal
import subprocess
import sys
import time
import tty
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from ingestd.audit.verify import verify_ledger
from ingestd.config import Config, load_config
from ingestd.demo.rendering import print_time, render_frame
from ingestd.ledger.store import Ledger
from ingestd.pipeline.forms import shipped_forms
from parsers import Form, load_form
from tests.bench.bulk_work import load, open_lab
from tests.conftest import SHEET_HEAD

DEADLINE_S: Final = 60.0
_LOT: Final = '[[kit_lot]]\nlot = "B9"\nmethod = "BARE"\nexpires = 2199-12-31\n'
_TICKS: Final = os.sysconf("SC_CLK_TCK")


@dataclass(slots=True)
class Wire:
    """The instrument's end of one line.

    Attributes:
        sent: sample and printed value of every frame sent, in order.
        refused: bytes that the line did not take at once; a real wire would have lost them.
    """

    number: int
    form: Form
    path: Path
    ours: int
    theirs: int
    sent: list[tuple[str, str]] = field(default_factory=list)
    bytes_sent: int = 0
    refused: int = 0

    @classmethod
    def make(cls, number: int, form: Form, folder: Path) -> "Wire":
        """A pseudo-terminal behind a link of its own."""
        ours, theirs = os.openpty()
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        path = folder / f"wire{number}"
        path.symlink_to(os.ttyname(theirs))
        return cls(number, form, path, ours, theirs)

    @property
    def name(self) -> str:
        """Of the source and of its instrument."""
        return f"L{self.number}"

    def next_frame(self) -> bytes:
        """The frame of the next reading, which is counted as sent."""
        at = len(self.sent)
        value = str(20 + (7 * at + self.number) % 900)
        known = {
            "sequence": str(at + 1),
            "datetime": print_time(self.form.fields["datetime"].patterns[0], datetime.now(UTC)),
            "sample": _sample(self.number, at),
            "method": "BARE",
            "value": value,
            "unit": "mg/L",
            "dilution": "1",
            "position": "1",
        }
        self.sent.append((known["sample"], value))
        return render_frame(
            self.form, {name: known[name] for name in self.form.fields if name in known}
        )

    def write(self, data: bytes) -> None:
        """Put bytes on the line, and take what the other end has answered off it."""
        try:
            taken = os.write(self.ours, data)
        except BlockingIOError:
            taken = 0
        self.bytes_sent += taken
        self.refused += len(data) - taken
        try:
            os.read(self.ours, 4096)
        except BlockingIOError:
            return

    def close(self) -> None:
        """Take the line away."""
        os.close(self.ours)
        os.close(self.theirs)


def _sample(line: int, at: int) -> str:
    return f"T{line}-{at}"


class LineLab:
    """The folder of a laboratory with so many lines, and the program that runs in it.

    Args:
        folder: empty.
        forms: names of shipped forms of shape frame; the lines take them in turn.
        lines: how many.
        frames: planned for each line.
    """

    def __init__(self, folder: Path, *, forms: tuple[str, ...], lines: int, frames: int) -> None:
        self.folder = folder
        known = {name: load_form(shipped_forms()[name], name) for name in forms}
        self.wires = [
            Wire.make(number, known[forms[number % len(forms)]], folder) for number in range(lines)
        ]
        self.config = self._lay_out()
        self._plan(frames)

    def _lay_out(self) -> Config:
        text = '[site]\nname = "Bench"\ntime_zone = "Etc/UTC"\n'
        for wire in self.wires:
            text += (
                f'[[source]]\nkind = "line"\nname = "{wire.name}"\nport = "{wire.path}"\n'
                f'form = "{wire.form.name}"\ninstrument = "{wire.name}"\n'
            )
        (self.folder / "ingestd.toml").write_text(text)
        return load_config(self.folder / "ingestd.toml")

    def _plan(self, frames: int) -> None:
        pipeline = open_lab(self.config)
        instruments = "".join(
            f'[[instrument]]\nname = "{wire.name}"\ntime_zone = "Etc/UTC"\n' for wire in self.wires
        )
        load(pipeline, "lines.toml", instruments + _LOT)
        started = f"{datetime.now(UTC) - timedelta(minutes=5):%Y-%m-%d %H:%M:%S}"
        for wire in self.wires:
            sheet = SHEET_HEAD + "".join(
                f"Q{wire.number}-{at},BARE,{started},{wire.name},mara,,1,sample,"
                f"{_sample(wire.number, at)},,inlet,,,,B9,,,,,\n"
                for at in range(frames)
            )
            load(pipeline, f"{wire.name}.csv", sheet)
        pipeline.ledger.close()

    @contextmanager
    def service(self) -> Iterator["Running"]:
        """The real program at work; it must end by itself when asked to."""
        with (self.folder / "service.log").open("w") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "ingestd", "--config", self.folder / "ingestd.toml", "run"],
                stderr=log,
            )
            running = Running(self, process.pid)
            try:
                running.until(lambda: running.log().count('"line_opened"') == len(self.wires))
                yield running
                running.ledger.close()
                process.send_signal(signal.SIGTERM)
                if process.wait(60) != 0:
                    raise AssertionError(f"it ended with {process.returncode}: {running.log()}")
            finally:
                process.kill()
                process.wait()

    def close(self) -> None:
        """Take the lines away."""
        for wire in self.wires:
            wire.close()

    def found(self) -> "Found":
        """What the ledger holds, beside what was sent; call it when the service has ended."""
        ledger = Ledger.open_readonly(self.config.ledger.path)
        ask = ledger.conn.execute
        sent = Counter(
            (wire.name, sample, value) for wire in self.wires for sample, value in wire.sent
        )
        read = Counter(ask("SELECT source, sample, raw FROM readings WHERE retired = ''"))
        found = Found(
            frames=sent.total(),
            lost=(sent - read).total(),
            invented=(read - sent).total(),
            bytes_sent=sum(wire.bytes_sent for wire in self.wires),
            bytes_kept=ask("SELECT sum(size) FROM captures WHERE source LIKE 'L%'").fetchone()[0],
            bytes_refused=sum(wire.refused for wire in self.wires),
            results=dict(ask("SELECT state, count(*) FROM results GROUP BY state")),
            faults=tuple(verify_ledger(ledger.conn).faults),
        )
        ledger.close()
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Counts that must add up.

    Attributes:
        frames: sent.
        lost, invented: frames that are no reading, readings that nobody sent.
        bytes_sent, bytes_kept: on the lines, and in captures.
        bytes_refused: not taken by a line at once.
        results: by state.
        faults: of the journal.
    """

    frames: int
    lost: int
    invented: int
    bytes_sent: int
    bytes_kept: int
    bytes_refused: int
    results: dict[str, int]
    faults: tuple[str, ...]

    @property
    def is_whole(self) -> bool:
        """Every byte is kept, every frame is one reading and one accepted result."""
        return (
            not (self.lost or self.invented or self.bytes_refused or self.faults)
            and self.bytes_kept == self.bytes_sent
            and self.results == {"accepted": self.frames}
        )

    def __str__(self) -> str:
        words = (
            f"{self.frames} frames sent, {self.lost} lost, {self.invented} invented, "
            f"{self.bytes_kept} of {self.bytes_sent} bytes kept, {self.bytes_refused} not taken, "
            f"{self.results.get('accepted', 0)} accepted results"
        )
        return f"{words}; {'; '.join(self.faults[:3])}" if self.faults else words


class Running:
    """The program at work, seen from outside."""

    def __init__(self, lab: LineLab, pid: int) -> None:
        self._lab = lab
        self._pid = pid
        self.ledger = Ledger.open_readonly(lab.config.ledger.path)

    def log(self) -> str:
        """What it has written so far."""
        return (self._lab.folder / "service.log").read_text()

    def until(
        self,
        what: Callable[[], object],
        *,
        every_s: float = 0.02,
        deadline_s: float = DEADLINE_S,
    ) -> float:
        """Wait for something; returns the seconds it took."""
        begun = time.perf_counter()
        while not what():
            if time.perf_counter() - begun > deadline_s:
                raise TimeoutError(f"not within {deadline_s:.0f} s: {self.log()[-2000:]}")
            time.sleep(every_s)
        return time.perf_counter() - begun

    def results(self) -> int:
        """Results committed so far."""
        return int(self.ledger.conn.execute("SELECT count(*) FROM results").fetchone()[0])

    def cpu_s(self) -> float:
        """Processor seconds spent so far, user and system."""
        fields = Path(f"/proc/{self._pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / _TICKS

    def memory_mib(self, kind: str = "VmRSS") -> float:
        """Memory at present; "VmHWM": the most so far."""
        for line in Path(f"/proc/{self._pid}/status").read_text().splitlines():
            if line.startswith(f"{kind}:"):
                return int(line.split()[1]) / 1024
        raise LookupError(kind)
