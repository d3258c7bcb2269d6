"""The service killed at every named step: nothing lost, nothing doubled, it goes on by itself."""

import signal
from pathlib import Path

from ingestd.steps import ENVIRONMENT_KEY, STEPS
from tests.faults.workload import PATIENT, Workload
from tests.ingestd.service.service_process import DEADLINE_S, Bench

# As a service passes them from its first start on; those of the end come when it is asked to stop.
STOPPING = ("sources_stopped", "writer_stopped")
ORDER = (
    "ledger_opened", "forms_taken", "key_made", "checkpoint_written", "capture_written",
    "capture_committed", "attempt_counted", "slice_judged", "slice_committed", "plan_committed",
    "capture_failed", "delivered", *STOPPING,
)  # fmt: skip


def test_every_named_step_is_killed_at() -> None:
    assert sorted(ORDER) == sorted(STEPS)


def test_killed_at_every_step_everything_arrives_exactly_once(tmp_path: Path) -> None:
    bench = Bench.lay_out(tmp_path / "lab", extra=PATIENT, with_plan=False)
    work = Workload(bench)
    work.begin()
    try:
        for number, name in enumerate(ORDER, 1):
            process = bench.start(env={ENVIRONMENT_KEY: name})
            work.send_round(number)
            if name in STOPPING:
                bench.wait_ready(process)
                process.send_signal(signal.SIGTERM)
            code = process.wait(DEADLINE_S)
            assert code == -signal.SIGKILL, f"{name} was not passed: {code}\n{bench.said()}"
            work.check_said(work.was_said())
        process = bench.start()
        work.wait_all_there()
        assert bench.stop(process) == 0
        work.check()
    finally:
        bench.end_all()
