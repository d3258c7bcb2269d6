"""python -m tests.fuzz SHAPE [--runs N] [--seconds S]: coverage-guided, until something breaks.

Prints what was done as one line; exit code 0 nothing was found, 1 something was (it is printed
as Python bytes: keep it as a fixture), 2 wrong use.
"""

import argparse
import ast
import importlib.util
import os
import re
import subprocess
import sys
import tempfile
import time
from collections import deque
from pathlib import Path

from tests.fuzz.inputs import LONGEST_INPUT, SHAPES, seeds, words

MEMORY_MIB = 512  # of the whole process
HANG_S = 60  # a backstop in wall time; the invariants themselves allow a second of work


def main() -> int:
    """Run one campaign."""
    asked = argparse.ArgumentParser(description=__doc__, prog="python -m tests.fuzz")
    asked.add_argument("shape", choices=SHAPES)
    asked.add_argument("--runs", type=int, default=1_000_000, help="inputs (1,000,000)")
    asked.add_argument("--seconds", type=int, default=0, help="stop after so long")
    given = asked.parse_args()
    if importlib.util.find_spec("atheris") is None:
        asked.error("atheris is not installed here; pip install 'ingestd[test]' on Linux x86-64")
    with tempfile.TemporaryDirectory() as folder:
        return run(given.shape, given.runs, given.seconds, Path(folder))


def run(shape: str, runs: int, seconds: int, folder: Path) -> int:
    """One campaign with its files in a folder; 0 when nothing was found."""
    corpus = folder / "corpus"
    corpus.mkdir()
    for at, data in enumerate(seeds(shape)):
        (corpus / f"{at:04}").write_bytes(data)
    (folder / "words").write_text("".join(map(_quoted, words(shape))), "ascii")
    begun = time.monotonic()
    command = [
        *(sys.executable, "-m", "tests.fuzz.target", shape, str(corpus)),
        *(f"-runs={runs}", f"-max_total_time={seconds}", f"-max_len={LONGEST_INPUT}"),
        *(f"-timeout={HANG_S}", f"-rss_limit_mb={MEMORY_MIB}", f"-dict={folder / 'words'}"),
        *(f"-artifact_prefix={folder}/found-", "-print_final_stats=1"),
    ]
    root = Path(__file__).parents[2]
    log: deque[str] = deque(maxlen=400)
    with subprocess.Popen(
        command, cwd=root, env=os.environ, stderr=subprocess.PIPE, text=True, errors="replace"
    ) as worker:
        for line in worker.stderr or ():
            log.append(line)
            if line.startswith("so far"):
                print(f"{time.monotonic() - begun:.0f} s, {line}", end="", flush=True)
    print(summary(shape, "".join(log), time.monotonic() - begun), flush=True)
    if any("run interrupted" in line for line in log):
        print("interrupted from outside; nothing was found until then")
        return 1
    if worker.returncode == 0:
        return 0
    print("".join(log)[-6000:])
    for path in sorted(folder.glob("found-*")):
        print(f"{path.name}: {path.read_bytes()!r}")
    return 1


def _quoted(word: bytes) -> str:
    """One line of a libFuzzer dictionary."""
    return '"' + "".join(f"\\x{byte:02x}" for byte in word) + '"\n'


def summary(shape: str, log: str, taken: float) -> str:
    """What was done, out of what libFuzzer says of itself."""
    done = re.findall(r"number_of_executed_units:\s+(\d+)", log)
    edges = re.findall(r"cov: (\d+) ft: (\d+)", log)
    peak = re.findall(r"peak_rss_mb:\s+(\d+)", log)
    counted = re.findall(r"so far: (\{.*\})", log)
    cover, features = edges[-1] if edges else ("?", "?")
    words = [
        f"{shape}: {done[-1] if done else '?'} inputs in {taken:.0f} s",
        f"coverage {cover} edges, {features} features",
        f"peak memory {peak[-1] if peak else '?'} MiB",
    ]
    if counted:
        words.append(", ".join(f"{n} {what}" for what, n in ast.literal_eval(counted[-1]).items()))
    return "; ".join(words)


if __name__ == "__main__":
    sys.exit(main())
