"""python -m tests.bench [NAME…] [--short] [--json]: measure, beside a floor of the same run."""

import argparse
import json
import os
import platform
import sys
from collections.abc import Callable

from tests.bench import (
    appended,
    bulk,
    delivery,
    growth,
    latency,
    lines,
    memory,
    page,
    parsing,
    verify,
)
from tests.bench.figures import Figure

BENCHES: dict[str, Callable[..., list[Figure]]] = {
    "latency": latency.measure,
    "bulk": bulk.measure,
    "parsing": parsing.measure,
    "verify": verify.measure,
    "appended": appended.measure,
    "memory": memory.measure,
    "growth": growth.measure,
    "page": page.measure,
    "delivery": delivery.measure,
    "lines": lines.measure,
}


def main() -> int:
    """Run the chosen benchmarks and print one row a figure."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(BENCHES)}")
    asked.add_argument("--short", action="store_true", help="fewer repeats, under three minutes")
    asked.add_argument("--json", action="store_true", help="print JSON")
    given = asked.parse_args()
    unknown = set(given.names) - set(BENCHES)
    if unknown:
        asked.error(f"no benchmark {', '.join(sorted(unknown))}; there are {', '.join(BENCHES)}")
    figures = [
        figure for name in given.names or BENCHES for figure in BENCHES[name](short=given.short)
    ]
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    if given.json:
        rows = [
            {
                "name": f.name, "unit": f.unit, "floor": f.floor, "figure": f.figure,
                "ratio": f.ratio, "target": f.target, "met": f.met, "spread": f.spread,
            }
            for f in figures
        ]  # fmt: skip
        print(json.dumps({"machine": machine, "figures": rows}, indent=2))
    else:
        print(machine)
        for f in figures:
            floor = f"floor {f.floor:.4g}, " if f.floor is not None else ""
            ratio = f", {f.ratio:.2f} × the floor" if f.ratio is not None else ""
            met = {True: "met", False: "NOT MET", None: ""}[f.met]
            print(
                f"{f.name}: {floor}figure {f.figure:.4g} {f.unit}{ratio};"
                f" target {f.target} {met}; {f.spread}"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
