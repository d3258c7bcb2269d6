"""The service does its work within what its unit leaves it.

There is no service manager in a test; so the same restrictions are put upon the process where the
kernel can be asked directly (memory, new privileges, groups of system calls), and what the unit's
system call filter allows is held against what the service really called.
"""

import ctypes
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.ledger.store import Ledger
from tests.conftest import GOOD_EXPORT, SHEET, Lab
from tests.ingestd.service.service_manager import managed, until

UNIT = Path(__file__).parents[3] / "systemd" / "ingestd.service"
PR_SET_NO_NEW_PRIVS = 38  # Source: prctl(2), linux/prctl.h
PR_SET_MDWE = 65  # Source: PR_SET_MDWE(2const), Linux 6.3
MDWE_REFUSE_EXEC_GAIN = 1


def refuse_writable_code() -> None:
    """As MemoryDenyWriteExecute= and NoNewPrivileges=: kept by every program started from here."""
    prctl = ctypes.CDLL(None, use_errno=True).prctl
    for option in (PR_SET_NO_NEW_PRIVS, PR_SET_MDWE):
        if prctl(option, MDWE_REFUSE_EXEC_GAIN, 0, 0, 0):
            raise OSError(ctypes.get_errno(), f"prctl {option}")


def work(
    lab: Lab, address: str, line: tuple[int, str], begin: list[str], prepare: Callable[[], None]
) -> None:
    """Start the service as its unit does, let a folder and a line bring readings, reload, stop."""
    lab.load("sheet.csv", SHEET)
    path = lab.folder / "ingestd.toml"
    path.write_text(
        path.read_text()
        + '\n[service]\nmetrics = "127.0.0.1:0"\n'
        + f'\n[[source]]\nkind = "line"\nname = "l"\nport = "{line[1]}"\nform = "plain_line"\n'
    )
    with managed(address) as manager, (lab.folder / "service.log").open("w") as log:
        process = subprocess.Popen(
            [*begin, sys.executable, "-m", "ingestd", "--config", path, "run"],
            env={**os.environ, "NOTIFY_SOCKET": address, "WATCHDOG_USEC": "4000000"},
            preexec_fn=prepare,  # noqa: PLW1509 - the test has no other thread at this moment
            stderr=log,
        )
        try:
            until(lambda: manager.count("READY=1") == 1, 60)
            (lab.folder / "exports" / "day.csv").write_text(GOOD_EXPORT)
            os.write(line[0], b"noise of a line\r\n")
            until(lambda: readings(lab) == 4, 60)
            until(lambda: captures(lab, "l") >= 1, 60)
            service = _service_of(process.pid) if begin else process.pid
            os.kill(service, signal.SIGHUP)
            until(lambda: manager.count("READY=1") == 2, 60)
            until(lambda: manager.count("WATCHDOG=1") >= 1, 60)
            os.kill(service, signal.SIGTERM)
            assert process.wait(60) == 0, (lab.folder / "service.log").read_text()
        finally:
            process.kill()
            process.wait()
    ledger = Ledger.open_readonly(lab.config.ledger.path)
    assert verify_ledger(ledger.conn).faults == []
    ledger.close()


def _service_of(tracer: int) -> int:
    """The process that a tracer has started."""
    children = Path(f"/proc/{tracer}/task/{tracer}/children").read_text().split()
    assert len(children) == 1
    return int(children[0])


def readings(lab: Lab) -> int:
    return asked(lab, "SELECT count(*) FROM readings")


def captures(lab: Lab, source: str) -> int:
    return asked(lab, "SELECT count(*) FROM captures WHERE source = ?", source)


def asked(lab: Lab, query: str, *values: str) -> int:
    ledger = Ledger.open_readonly(lab.config.ledger.path)
    try:
        return int(ledger.conn.execute(query, values).fetchone()[0])
    finally:
        ledger.close()


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    control, other = os.openpty()
    name = os.ttyname(other)
    yield control, name
    os.close(other)
    os.close(control)


def test_service_works_without_memory_that_is_both_writable_and_code(
    lab: Lab, tmp_path: Path, line: tuple[int, str]
) -> None:
    assert "MemoryDenyWriteExecute=yes" in UNIT.read_text()
    work(lab, str(tmp_path / "notify"), line, [], refuse_writable_code)


def test_refusal_of_writable_code_is_real() -> None:
    """The check above would mean nothing if the kernel did not refuse."""
    code = "import mmap; mmap.mmap(-1, 4096, prot=mmap.PROT_WRITE | mmap.PROT_EXEC)"
    done = subprocess.run(
        [sys.executable, "-c", code],
        preexec_fn=refuse_writable_code,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "PermissionError" in done.stderr


def syscalls(group: str, listed: dict[str, list[str]]) -> set[str]:
    """Every system call of a group, groups within it resolved."""
    found: set[str] = set()
    for name in listed[group]:
        found |= syscalls(name, listed) if name.startswith("@") else {name}
    return found


def groups() -> dict[str, list[str]]:
    """Groups of system calls as this machine's systemd defines them."""
    done = subprocess.run(
        ["systemd-analyze", "--no-pager", "syscall-filter"],
        capture_output=True, text=True, check=True, timeout=30,
    )  # fmt: skip
    found: dict[str, list[str]] = {}
    for text in done.stdout.splitlines():
        if text.startswith("@"):
            group = found.setdefault(text.strip(), [])
        elif text.startswith("    ") and not text.strip().startswith("#"):
            group.append(text.strip())
    return found


# What libraries try and live without: memory on one NUMA node; a file for root's database.
LIVED_WITHOUT = {"mbind", "fchown"}


def test_service_works_within_the_system_calls_its_unit_leaves(
    lab: Lab, tmp_path: Path, line: tuple[int, str]
) -> None:
    """Every call that the unit forbids fails with EPERM, as the unit says it does."""
    for program in ("strace", "systemd-analyze"):
        assert shutil.which(program), f"install {program}: .ci/run does"
    listed = groups()
    text = UNIT.read_text()
    assert "SystemCallErrorNumber=EPERM" in text
    allowed: set[str] = set()
    for group in re.findall(r"(?m)^SystemCallFilter=(@.*)$", text):
        for name in group.split():
            allowed |= syscalls(name, listed)
    for group in re.findall(r"(?m)^SystemCallFilter=~(.*)$", text):
        for name in group.split():
            allowed -= syscalls(name, listed)
    forbidden = syscalls("@known", listed) - allowed
    assert {"mount", "ptrace", "adjtimex", "chown"} <= forbidden
    trace = tmp_path / "trace"
    refused = ",".join(f"?{name}" for name in sorted(forbidden))
    begin = ["strace", "-f", "-qq", "-o", str(trace), "-e", "signal=none"]
    begin += ["-e", "trace=all", "-e", f"inject={refused}:error=EPERM"]
    work(lab, str(tmp_path / "notify"), line, begin, lambda: None)
    said = trace.read_text()
    called = set(re.findall(r"(?m)^\d+ +(?:<\.\.\. )?(\w+)(?:\(| resumed)", said))
    assert {"openat", "inotify_add_watch", "ioctl", "sendto"} <= called, "it did its work"
    assert called & {"fsync", "fdatasync"}, "it made something durable"
    assert called - allowed <= LIVED_WITHOUT


def test_page_works_without_memory_that_is_both_writable_and_code(lab: Lab) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    path = lab.folder / "ingestd.toml"
    path.write_text(path.read_text() + f"\n[web]\nport = {port}\n")
    hash_it = "from ingestd.web.passwords import hash_password as h; assert h('a long password')"
    subprocess.run(
        [sys.executable, "-c", hash_it],
        preexec_fn=refuse_writable_code,
        check=True,
    )
    with (lab.folder / "page.log").open("w") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "ingestd", "--config", path, "web"],
            preexec_fn=refuse_writable_code,  # noqa: PLW1509 - as above
            stderr=log,
        )
        try:
            until(lambda: answers(port), 60)
            process.terminate()
            assert process.wait(30) == 0
        finally:
            process.kill()
            process.wait()


def answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=10) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False
