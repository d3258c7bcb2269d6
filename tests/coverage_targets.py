"""python -m tests.coverage_targets [TEST…]: run the suite, measure its branches, hold the targets.

Takes several times as long as the suite alone. The service, the page and the commands run as
processes of their own and are measured too; one that is killed outright takes its figures with
it. `--judge` only judges what was measured before.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]

# Packages of which every branch must be taken.
WHOLE = ("parsers/*", "ingestd/evaluate/*")
ALL_PERCENT = 90.0
MODULE_PERCENT = 85.0
EXCUSED = {
    "ingestd/steps.py": "ends its process by SIGKILL, and the figures of that process with it",
}


def main() -> int:
    """Measure and judge; 1 where a target is missed."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("tests", nargs="*", help="only these; the whole suite by default")
    asked.add_argument("--judge", action="store_true", help="judge what was measured before")
    asked.add_argument("--processes", default="2", help="of pytest")
    given = asked.parse_args()
    passed = given.judge or _measure(given.tests, given.processes)
    missed = find_missed(_report())
    for line in missed:
        print(line)
    if not passed:
        print("the suite did not pass; see above")
    return 0 if passed and not missed else 1


def find_missed(report: Mapping[str, Any]) -> list[str]:
    """Return a sentence for each target missed in a report as `coverage json` writes it."""
    missed = []
    for name, file in sorted(report["files"].items()):
        percent = file["summary"]["percent_covered"]
        if any(fnmatch(name, pattern) for pattern in WHOLE):
            branches = [
                f"{a}->{b}" if b > 0 else f"{a}->exit" for a, b in file["missing_branches"]
            ]
            lines = [str(line) for line in file["missing_lines"]]
            if lines or branches:
                missed.append(
                    f"{name}: {percent:.1f} %, all is asked: {', '.join(lines + branches)}"
                )
        elif percent < MODULE_PERCENT and name not in EXCUSED:
            missed.append(f"{name}: {percent:.1f} %, {MODULE_PERCENT} % is asked of every module")
    total = report["totals"]["percent_covered"]
    if total < ALL_PERCENT:
        missed.append(f"all together: {total:.1f} %, {ALL_PERCENT} % is asked")
    return missed


def _measure(tests: list[str], processes: str) -> bool:
    _coverage("erase")
    how = ["-q", "-n", processes, "--dist", "loadfile", "-p", "no:cacheprovider"]
    ended = _coverage("run", "-m", "pytest", *how, *tests)
    _coverage("combine", "-q")
    _coverage("report", "--skip-covered", "--sort=cover")
    return ended == 0


def _report() -> Any:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "coverage.json")
        if _coverage("json", "-q", "-o", str(file)):
            raise SystemExit("nothing was measured; run it without --judge first")
        return json.loads(file.read_text(encoding="utf-8"))


def _coverage(*arguments: str) -> int:
    done = subprocess.run([sys.executable, "-m", "coverage", *arguments], cwd=ROOT, check=False)
    return done.returncode


if __name__ == "__main__":
    sys.exit(main())
