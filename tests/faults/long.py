"""The long version of the fault tests, on demand: `python -m tests.faults.long [--help]`.

Prints one line a part, with figures; the exit code is 1 if anything was lost, doubled, altered,
or falsely said to be done.
"""

import argparse
import contextlib
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.faults.killing import kill_at_random
from tests.faults.syscalls import CALLS, ERRORS, Fault, Outcome, run_with_fault
from tests.faults.tampering import tamper_often

KILLS_A_SERIES = 50


def main() -> int:
    """Run the parts asked for; all of them without arguments."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.long")
    parser.add_argument("--kills", type=int, default=2000, help="kills at random instants")
    parser.add_argument("--furthest", type=int, default=400, help="calls of a kind to go through")
    parser.add_argument("--stride", type=int, default=1, help="every so many-th call only")
    parser.add_argument("--at-once", type=int, default=1, help="failing calls side by side")
    parser.add_argument("--call", choices=CALLS, help="calls of this kind only")
    parser.add_argument("--tampers", type=int, default=5000, help="random changes to a ledger")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="ingestd-faults-") as folder:
        parts = (
            _kills(Path(folder), options.kills, options.seed),
            _calls(
                Path(folder),
                (options.call,) if options.call else CALLS,
                options.furthest,
                options.stride,
                at_once=options.at_once,
            ),
            _tampers(Path(folder), options.tampers, options.seed),
        )
        return max(parts)


def _kills(folder: Path, kills: int, seed: int) -> int:
    done = rounds = 0
    failures = 0
    begun = time.monotonic()
    for series in range(-(-kills // KILLS_A_SERIES)):
        count = min(KILLS_A_SERIES, kills - done)
        chance = random.Random(seed + series)
        with _told(f"kills, seed {seed + series}") as failed:
            figures = kill_at_random(folder / f"kills-{series}", chance=chance, kills=count)
            rounds += figures.rounds
        failures += len(failed)
        done += count
    if kills:
        print(
            f"kill -9 at random instants: {done} kills, {rounds} runs, {failures} series failed,"
            f" {time.monotonic() - begun:.0f} s"
        )
    return int(failures > 0)


def _calls(folder: Path, calls: Sequence[str], furthest: int, stride: int, *, at_once: int) -> int:
    """Each kind of call failing at its first, second, … until it no longer strikes."""
    failures = 0
    for call in calls if furthest else ():
        for for_good in (False, True):
            for error in ERRORS:
                struck, ended, failed_here = 0, 0, 0
                places = range(1, furthest + 1, stride)
                for at in range(0, len(places), at_once):
                    faults = [
                        Fault(call=call, error=error, first=first, for_good=for_good)
                        for first in places[at : at + at_once]
                    ]
                    with ThreadPoolExecutor(at_once) as workers:
                        done = list(workers.map(lambda fault: _one_call(folder, fault), faults))
                    failed_here += done.count(None)
                    outcomes = [outcome for outcome in done if outcome and outcome.fired]
                    struck += len(outcomes)
                    ended += sum(outcome.ended is not None for outcome in outcomes)
                    if any(outcome and not outcome.fired for outcome in done):
                        break
                failures += failed_here
                print(
                    f"{call} {error} {'for good' if for_good else 'once'}: {struck} places,"
                    f" {struck - ended} worked on, {ended} ended with a sentence,"
                    f" {failed_here} failed",
                    flush=True,
                )
    return int(failures > 0)


def _one_call(folder: Path, fault: Fault) -> Outcome | None:
    """What came of one fault; None, and its folder kept, where something was wrong."""
    place = folder / str(fault).replace(" ", "-")
    with _told(str(fault)):
        outcome = run_with_fault(place, fault)
        shutil.rmtree(place)
        return outcome
    return None


def _tampers(folder: Path, count: int, seed: int) -> int:
    if not count:
        return 0
    with _told("tampering") as failed:
        figures = tamper_often(folder / "tamper", chance=random.Random(seed), count=count)
        print(
            f"random changes to a copied ledger: {figures.changes} logical ones, all found;"
            f" {figures.without_effect} without effect, none alarmed; {figures.took_s:.0f} s"
        )
    return int(bool(failed))


@contextlib.contextmanager
def _told(what: str) -> Iterator[list[str]]:
    """Print what failed within, and go on."""
    failed: list[str] = []
    try:
        yield failed
    except AssertionError as error:
        failed.append(str(error))
        print(f"FAILED {what}: {error}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
