"""python -m tests.simulation [--seeds N] [--from S] [--seed S --trace]: live seeds through."""

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

from tests.simulation.living import Lived, live


def main() -> int:
    """Live the seeds asked for; the first broken ones are shown with how to see them again."""
    asked = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__)
    asked.add_argument("--seeds", type=int, default=100, help="how many")
    asked.add_argument("--from", type=int, default=1, dest="first", help="the first of them")
    asked.add_argument("--seed", type=int, help="this one alone")
    asked.add_argument("--trace", action="store_true", help="show what happened")
    asked.add_argument("--roots", action="store_true", help="show the root of each journal")
    asked.add_argument("--folder", type=Path, help="where ledgers lie meanwhile")
    given = asked.parse_args()
    seeds = (
        [given.seed] if given.seed is not None else range(given.first, given.first + given.seeds)
    )
    counts: Counter[str] = Counter()
    broken: list[Lived] = []
    began, worked = time.monotonic(), time.process_time()
    done = 0
    try:
        for seed in seeds:
            lived = live(seed, folder=given.folder)
            done += 1
            counts.update(lived.counts)
            if lived.broken:
                broken.append(lived)
                show(lived)
            elif given.trace:
                print("\n".join(lived.trace))
            if given.roots:
                print(seed, *lived.roots)
            if sys.stderr.isatty():
                print(f"\r{done} seeds, {len(broken)} broken", end="", file=sys.stderr)
    except KeyboardInterrupt:
        print("stopped by hand")
    print(
        f"{done} seeds, {len(broken)} broken, {time.process_time() - worked:.0f} s of work"
        f" in {time.monotonic() - began:.0f} s: "
        + ", ".join(f"{number} {name}" for name, number in counts.items())
    )
    return 1 if broken else 0


def show(lived: Lived) -> None:
    """A broken seed with its trace and the command that lives it again."""
    print("\n".join(lived.trace))
    print(lived.broken)
    print(f"again: python -m tests.simulation --seed {lived.seed} --trace", flush=True)


if __name__ == "__main__":
    sys.exit(main())
