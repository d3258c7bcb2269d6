"""System calls of the real service made to fail, by strace, on the files of its state only.

One run: the service starts under strace with one kind of call failing once (the n-th) or for
good, files are sent, and it is given a while. Then either it worked on (all that was sent is
there) or it ended by itself with a sentence. Started again without faults it must bring
everything in, and nothing it said to have stored may be missing.
"""

import contextlib
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import ingestd.errors
from ingestd import events
from tests.faults.workload import PATIENT, Workload
from tests.ingestd.service.service_process import DEADLINE_S, LOOK_S, Bench, wait_until

# Calls that a starting interpreter makes on other files as well: only those on the state count.
# (What is written beside and renamed into place is in tests/ingestd/ledger/test_checkpoints.py.)
ON_STATE = ("openat",)
# Calls that nothing but our own writing makes, whatever the file's name.
ANYWHERE = ("pwrite64", "fsync", "ftruncate", "rename", "link", "unlink")
CALLS = (*ON_STATE, *ANYWHERE)
ERRORS = ("EIO", "ENOSPC", "EINTR")
PATIENCE_S = 6.0  # for a service that does nothing more to say so or to end
START_S = 90.0  # for it to start at all, under strace on a machine that does other work
LONGEST_S = 60.0  # for one that goes on trying


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Which call fails how: `first` the number of the call, `for_good` from there on.

    strace counts the calls of each thread for itself, so `first` strikes once in each thread
    that makes so many.
    """

    call: str
    error: str
    first: int = 1
    for_good: bool = False

    @property
    def injection(self) -> str:
        when = f"{self.first}+" if self.for_good else str(self.first)
        return f"inject={self.call}:error={self.error}:when={when}"

    def __str__(self) -> str:
        return f"{self.call} {self.error} {self.first}{'+' if self.for_good else ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What the faulty run came to: did the fault strike, did the service end by itself."""

    fired: bool
    ended: int | None


def strace() -> str:
    """The program; without it these checks cannot be made.

    Raises:
        RuntimeError: it is not installed.
    """
    found = shutil.which("strace")
    if found is None:
        raise RuntimeError("strace is not installed; apt-get install strace")
    return found


def state_paths(folder: Path) -> list[str]:
    """Files and folders that the service writes."""
    names = (
        "ledger.db", "ledger.db-wal", "ledger.db-shm", "journal.key", "checkpoints", ".",
    )  # fmt: skip
    return [str(folder / name) if name != "." else str(folder) for name in names]


def prefix(fault: Fault, folder: Path) -> list[str]:
    """What is put in front of the service's command line."""
    command = [strace(), "-f", "-qq", "-o", str(folder / "strace.txt")]
    if fault.call in ON_STATE:
        for path in state_paths(folder):
            command += ["-P", path]
    return [*command, "-e", f"trace={fault.call}", "-e", fault.injection]


def run_with_fault(folder: Path, fault: Fault) -> Outcome:
    """One faulty run and one sound one after it.

    Raises:
        AssertionError: something is lost, doubled, altered, or was falsely said to be stored.
    """
    bench = Bench.lay_out(folder, extra=PATIENT, with_plan=False)
    work = Workload(bench)
    work.begin()
    try:
        process = bench.start(before=prefix(fault, folder))
        work.send_round(1)
        _give_it_time(bench, work, process)
        ended = process.poll()
        if ended is None:
            _stop_traced(process.pid)
            process.wait(DEADLINE_S)
        said = bench.said()
        fired = "(INJECTED)" in (folder / "strace.txt").read_text(errors="replace")
        assert not ended_by_a_bug(bench), f"{fault}: a bug, not a sentence\n{said}"
        if ended is not None:
            assert ended != 0, f"{fault}: ended as if nothing had been\n{said}"
            assert said.strip(), f"{fault}: ended without a word"
        work.check_said(work.was_said())
        work.send_round(2)
        sound = bench.start()
        work.wait_all_there()
        assert bench.stop(sound) == 0, bench.said()
        work.check()
    finally:
        bench.end_all()
    return Outcome(fired=fired, ended=ended)


def _give_it_time(bench: Bench, work: Workload, process: "subprocess.Popen[bytes]") -> None:
    """Return once all is there, the service has ended or said that it cannot, or does no more.

    How long that takes depends on what else the machine does; a fault that has not struck yet
    because the service is slow must not pass for one that finds no call to strike.
    """
    begun = time.monotonic()
    is_started = False
    doing, since = (0, 0), begun
    while process.poll() is None:
        said, now = bench.said(), time.monotonic()
        if work.is_all_there() or events.LEDGER_FULL in said:
            return
        if not is_started and events.SERVICE_STARTED in said:
            is_started, begun, since = True, now, now
        traced = bench.folder / "strace.txt"
        does = (len(said), traced.stat().st_size if traced.exists() else 0)
        if does != doing:
            doing, since = does, now
        if is_started and (now - since > PATIENCE_S or now - begun > LONGEST_S):
            return
        if not is_started and now - begun > START_S:
            return
        time.sleep(LOOK_S)


def ended_by_a_bug(bench: Bench) -> bool:
    """Whether the newest service ended by an error that is not one of our own."""
    ours = {name for name, kind in vars(ingestd.errors).items() if isinstance(kind, type)}
    kinds = {event["kind"] for event in bench.events() if event["event"] == events.SERVICE_FAILED}
    shown = [line for line in bench.said().splitlines() if line.startswith("Traceback")]
    return bool(shown or kinds - ours)


@contextlib.contextmanager
def disk_full(pid: int, folder: Path) -> Iterator[None]:
    """Within, no write of a process to the ledger's files finds room."""
    command = [strace(), "-f", "-qq", "-o", str(folder / "strace-full.txt"), "-p", str(pid)]
    for name in ("ledger.db", "ledger.db-wal"):
        command += ["-P", str(folder / name)]
    command += ["-e", "trace=pwrite64", "-e", "inject=pwrite64:error=ENOSPC"]
    with subprocess.Popen(command, stderr=subprocess.PIPE) as tracer:
        try:
            wait_until(
                lambda: _is_traced(pid) or tracer.poll() is not None, "strace holds the service"
            )
            assert tracer.poll() is None, tracer.stderr.read() if tracer.stderr else ""
            yield
        finally:
            tracer.terminate()  # it lets the service go
            tracer.wait(DEADLINE_S)


def _is_traced(pid: int) -> bool:
    """Whether a tracer holds every thread of a process."""
    threads = list(Path(f"/proc/{pid}/task").iterdir())
    return all("TracerPid:\t0\n" not in (one / "status").read_text() for one in threads)


def _stop_traced(strace_pid: int) -> None:
    """Ask the service under strace to stop, or end it if it does not; strace ends with it."""
    for number in (signal.SIGTERM, signal.SIGKILL):
        for child in _children(strace_pid):
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, number)
        deadline = time.monotonic() + PATIENCE_S
        while _children(strace_pid) and time.monotonic() < deadline:
            time.sleep(LOOK_S)


def _children(pid: int) -> list[int]:
    try:
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    except OSError:
        return []
    return [int(child) for child in text.split()]
