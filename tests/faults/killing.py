"""Kills at random instants under load, again and again, with one comparison at the end."""

import random
import signal
import time
from dataclasses import dataclass
from pathlib import Path

from tests.faults.workload import PATIENT, SAMPLES, Workload
from tests.ingestd.service.service_process import DEADLINE_S, Bench


@dataclass(frozen=True, slots=True, kw_only=True)
class KillFigures:
    """What a series of kills came to."""

    kills: int
    rounds: int
    files: int
    readings: int
    took_s: float


def kill_at_random(folder: Path, *, chance: random.Random, kills: int) -> KillFigures:
    """Kill the service so often while files arrive, then let it finish, and check everything.

    Half of the kills fall into the start of the service, half into its work.
    """
    begun = time.monotonic()
    bench = Bench.lay_out(folder, extra=PATIENT, with_plan=False)
    work = Workload(bench)
    work.begin()
    try:
        for number in range(1, kills + 1):
            process = bench.start()
            if chance.random() < 0.5:
                bench.wait_ready(process)
                work.send_round(number, in_pieces=chance.random() < 0.5)
                time.sleep(chance.uniform(0.0, 0.4))
            else:
                work.send_round(number)
                time.sleep(chance.uniform(0.2, 1.5))
            process.send_signal(signal.SIGKILL)
            assert process.wait(DEADLINE_S) == -signal.SIGKILL, bench.said()
            work.check_said(work.was_said())
        process = bench.start()
        work.wait_all_there(60.0 + kills)
        assert bench.stop(process) == 0
        work.check()
    finally:
        bench.end_all()
    return KillFigures(
        kills=kills,
        rounds=len(work.rounds),
        files=len(work.sent),
        readings=len(work.rounds) * (SAMPLES + 2),
        took_s=time.monotonic() - begun,
    )
