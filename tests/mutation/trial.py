"""Mutants tried: one token of a copied project is changed, and tests run until one fails.

The process forks for each mutant after everything foreign has been imported, so that a trial
costs its tests and the import of the project alone.
"""

import importlib
import json
import os
import re
import resource
import shutil
import signal
import sys
import time
import traceback
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import pytest

from tests.mutation.mutants import Mutant, mutated

OWN = ("ingestd", "parsers", "tests")
_COPIED = (*OWN, "fixtures", "systemd", "pyproject.toml", "README.md", "DEVELOPERS.md")
_ENDS = "ends.json"
_OUTPUT = "output.txt"
_BROKEN = 70
_BROKEN_IMPORT = "ImportError while loading conftest"
_BLAMED = re.compile(r"^(?:FAILED|ERROR) (\S+)", re.MULTILINE)
_OPTIONS = ("-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=0",
            "-W", "ignore::pytest.PytestAssertRewriteWarning")  # fmt: skip

Task = tuple[Mutant, list[str]]
"""A mutant and the tests to try it with."""


def copy_project(root: Path, place: Path) -> Path:
    """Return a copy of what the tests need, in which a module may be changed."""
    for name in _COPIED:
        if (root / name).is_dir():
            shutil.copytree(
                root / name, place / name, ignore=shutil.ignore_patterns("__pycache__")
            )
        else:
            shutil.copy2(root / name, place / name)
    return place


def try_all(
    tasks: Sequence[Task], places: Sequence[Path], *, limit_s: int
) -> list[tuple[Mutant, str]]:
    """Return every mutant with its end, tried by one process for each copy.

    Raises:
        RuntimeError: one of the processes ended before its mutants did.

    """
    import_what_is_foreign()
    children = {}
    for number, place in enumerate(places):
        child = os.fork()
        if child == 0:
            os._exit(_tried(place, tasks[number :: len(places)], limit_s))
        children[child] = place
    ends = []
    for child, place in children.items():
        _, status = os.waitpid(child, 0)
        if status:
            raise RuntimeError(f"the process over {place} ended with {status}; see above")
        ends += json.loads((place / _ENDS).read_text(encoding="utf-8"))
    return [(Mutant(**mutant), end) for mutant, end in ends]


def _tried(place: Path, tasks: Sequence[Task], limit_s: int) -> int:
    try:
        _try_some(place, tasks, limit_s)
    except BaseException:  # noqa: BLE001 - a child must never go on as its parent
        traceback.print_exc()
        return _BROKEN
    return 0


def _try_some(place: Path, tasks: Sequence[Task], limit_s: int) -> None:
    ends = []
    for _, tests in tasks[:1]:
        # What fails without a mutant would seem to kill them all.
        failed = run_tests(place, tests, limit_s=limit_s)
        if failed:
            raise RuntimeError(f"{failed} fails without a mutant")
    for mutant, tests in tasks:
        begun = time.monotonic()
        end = end_of(place, mutant, tests, limit_s=limit_s)
        ends.append((asdict(mutant), end))
        took = time.monotonic() - begun
        print(
            f"{len(ends)}/{len(tasks)} {took:.1f} s, {mutant}: {end or 'LIVES'}", file=sys.stderr
        )
        (place / _ENDS).write_text(json.dumps(ends), encoding="utf-8")


def import_what_is_foreign() -> None:
    """Import all that the tests import, and forget what is the project's own."""
    importlib.import_module("tests.conftest")
    for name in list(sys.modules):
        if name.partition(".")[0] in OWN and not name.startswith("tests.mutation"):
            del sys.modules[name]


def end_of(place: Path, mutant: Mutant, tests: Sequence[str], *, limit_s: int) -> str:
    """Return which test killed the mutant, "the import" or "hung"; "" if it lives.

    Raises:
        RuntimeError: the tests could not be run, which says nothing about the mutant.

    """
    module = place / mutant.module
    source = module.read_text(encoding="utf-8")
    # Compiled modules are found by time and size, and both may stay as they were.
    shutil.rmtree(module.parent / "__pycache__", ignore_errors=True)
    module.write_text(mutated(source, mutant), encoding="utf-8")
    try:
        return run_tests(place, tests, limit_s=limit_s)
    finally:
        module.write_text(source, encoding="utf-8")


def run_tests(place: Path, tests: Sequence[str], *, limit_s: int) -> str:
    """Return the first test that fails over the copy, "the import" where the tests' own set-up
    cannot import it, "hung" after so many seconds of the processor, "" if all pass.

    Raises:
        RuntimeError: the tests could not be run.

    """
    child = os.fork()
    if child == 0:
        os._exit(_run(place, tests, limit_s))
    _, status = os.waitpid(child, 0)
    code = os.waitstatus_to_exitcode(status)
    if code == 0:
        return ""
    if code == -signal.SIGXCPU:
        return "hung"
    output = (place / _OUTPUT).read_text(encoding="utf-8", errors="replace")
    if code == pytest.ExitCode.USAGE_ERROR and _BROKEN_IMPORT in output:
        return "the import"
    blamed = _BLAMED.search(output)
    if code not in {pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.INTERRUPTED} or blamed is None:
        raise RuntimeError(f"the tests ended with {code}:\n{output[-3000:]}")
    return blamed[1]


def _run(place: Path, tests: Sequence[str], limit_s: int) -> int:
    """Run pytest in this process, which is a child's, and return its exit code."""
    try:
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 5))
        sys.dont_write_bytecode = True
        with (place / _OUTPUT).open("w") as output:
            os.dup2(output.fileno(), 1)
            os.dup2(output.fileno(), 2)
        os.chdir(place)
        sys.path.insert(0, str(place))
        return int(pytest.main([*_OPTIONS, *tests]))
    except BaseException:  # noqa: BLE001 - a child must never go on as its parent
        traceback.print_exc()
        return _BROKEN
