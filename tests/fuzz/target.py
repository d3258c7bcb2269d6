"""The process that libFuzzer drives: python -m tests.fuzz.target SHAPE CORPUS [-option…]."""

import sys
import time

import atheris

with atheris.instrument_imports(include=["parsers"]):
    import parsers

from tests.fuzz.inputs import capture_of
from tests.fuzz.invariants import check


def main() -> None:
    """Read one made-up capture after another until told to stop or something does not hold."""
    shape = sys.argv[1]
    counts = {"read": 0, "refused": 0, "readings": 0, "faults": 0}

    def read_one(data: bytes) -> None:
        outcome = check(*capture_of(data, shape))
        if isinstance(outcome, parsers.ParseError):
            counts["refused"] += 1
        else:
            counts["read"] += 1
            counts["readings"] += len(outcome.readings)
            counts["faults"] += len(outcome.faults)
        done = counts["read"] + counts["refused"]
        if done % 10_000 == 0:
            spent = round(time.process_time())
            print(
                f"so far: { {'processor seconds': spent} | counts }", file=sys.stderr, flush=True
            )

    atheris.Setup([sys.argv[0], *sys.argv[2:]], read_one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
