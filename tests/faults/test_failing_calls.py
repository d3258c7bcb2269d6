"""Single system calls on the ledger's files made to fail: no false success, no bug, no loss.

Of each kind one case here; `python -m tests.faults.long` goes through all.
"""

from pathlib import Path

import pytest

from ingestd import events
from tests.faults.syscalls import Fault, disk_full, ended_by_a_bug, run_with_fault
from tests.faults.workload import PATIENT, Workload
from tests.ingestd.service.service_process import Bench, wait_until


@pytest.mark.parametrize(
    "fault",
    [
        Fault(call="pwrite64", error="EIO", first=60, for_good=True),
        Fault(call="openat", error="EIO", first=3),
    ],
    ids=str,
)
def test_failing_call_is_survived_or_ends_the_service_with_a_sentence(
    tmp_path: Path, fault: Fault
) -> None:
    assert run_with_fault(tmp_path / "lab", fault).fired


def test_failed_sync_of_a_commit_ends_the_service(tmp_path: Path) -> None:
    """Nobody knows whether it stands, so it is not tried again."""
    outcome = run_with_fault(tmp_path / "lab", Fault(call="fsync", error="EIO", first=6))
    assert outcome.fired
    assert outcome.ended == 1


def test_full_disk_stops_intake_and_everything_arrives_once_there_is_room(tmp_path: Path) -> None:
    bench = Bench.lay_out(tmp_path / "lab", extra=PATIENT, with_plan=False)
    work = Workload(bench)
    work.begin()
    try:
        process = bench.start()
        bench.wait_ready(process)
        work.send_round(1)
        work.wait_all_there()
        before = bench.ask("SELECT size FROM frontier")
        with disk_full(process.pid, bench.folder):
            work.send_round(2)
            wait_until(lambda: events.LEDGER_FULL in bench.said(), "the full disk is said")
            assert process.poll() is None, bench.said()
            assert bench.ask("SELECT size FROM frontier") == before
            for source, name in work.sent:
                folder = "plan" if source == "plan" else "exports"
                assert (bench.folder / folder / name).exists(), "source files stay where they are"
        work.wait_all_there()
        assert events.LEDGER_HAD_ROOM in bench.said()
        assert not ended_by_a_bug(bench)
        assert bench.stop(process) == 0
        work.check()
    finally:
        bench.end_all()
