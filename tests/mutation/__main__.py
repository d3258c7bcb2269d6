"""python -m tests.mutation PACKAGE [--sample N] [--seed S]: which changes do the tests not see?

Works on copies; the checkout stays as it is. Prints every mutant that lives, and ends with 1 if
there is one. Needs the extra `mutation`.
"""

import argparse
import difflib
import json
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from tests.mutation.mutants import Mutant, mutated, places_of, sample_of
from tests.mutation.reach import record_reach
from tests.mutation.trial import copy_project, try_all

ROOT = Path(__file__).parents[2]
TESTS = {"ingestd/evaluate": "tests/ingestd/evaluate", "parsers": "tests/parsers"}


def main() -> int:
    """Draw mutants, try each, print those that live."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("package", choices=TESTS)
    asked.add_argument("--sample", type=int, default=300, metavar="N", help="0: every place")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--jobs", type=int, default=2)
    asked.add_argument(
        "--limit", type=int, default=200, metavar="S", help="seconds of CPU a mutant"
    )
    asked.add_argument("--json", type=Path, metavar="FILE", help="every mutant and its end")
    given = asked.parse_args()
    folder = TESTS[given.package]
    with tempfile.TemporaryDirectory(prefix="mutation-") as temporary:
        work = Path(temporary)
        first = copy_project(ROOT, _made(work / "0"))
        size = given.sample or len(places_of(first, given.package))
        mutants = sample_of(first, given.package, size=size, seed=given.seed)
        reach = record_reach(first, given.package, folder, work / "reach")
        tasks = [(mutant, reach.tests_of(mutant, folder)) for mutant in mutants]
        places = [first] + [
            copy_project(first, _made(work / str(n))) for n in range(1, given.jobs)
        ]
        ends = try_all(tasks, places, limit_s=given.limit)
        living = [mutant for mutant, end in ends if not end]
        for mutant in sorted(living, key=str):
            print(f"\nlives: {mutant}\n{_difference(first, mutant)}")
    if given.json:
        rows = [{**asdict(mutant), "end": end} for mutant, end in ends]
        given.json.write_text(json.dumps(rows, indent=1) + "\n")
    print(f"\n{len(mutants)} mutants, seed {given.seed}: {len(mutants) - len(living)} killed, "
          f"{len(living)} live")  # fmt: skip
    return 1 if living else 0


def _made(path: Path) -> Path:
    path.mkdir()
    return path


def _difference(root: Path, mutant: Mutant) -> str:
    source = (root / mutant.module).read_text(encoding="utf-8")
    lines = difflib.unified_diff(
        source.splitlines(), mutated(source, mutant).splitlines(), lineterm="", n=1
    )
    return "\n".join(list(lines)[2:])


if __name__ == "__main__":
    sys.exit(main())
