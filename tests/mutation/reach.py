"""Which tests reach which lines of a package, recorded once by a run that must pass."""

import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from coverage import CoverageData

from tests.mutation.mutants import Mutant

_SETTINGS = """\
[run]
branch = false
dynamic_context = test_function
source_pkgs = {package}
data_file = {data}
"""


_MANY = 3
_HYPOTHESIS = "hypothesis."


class Reach:
    """Tests by module and line, and how to ask for those of a mutant."""

    def __init__(self, root: Path, data: Path) -> None:
        self._data = CoverageData(str(data))
        self._data.read()
        self._root = root
        self._files = {Path(name).resolve(): name for name in self._data.measured_files()}

    def tests_of(self, mutant: Mutant, folder: str) -> list[str]:
        """Return the node ids of the tests that run the mutant's lines, its own test file first.

        Where nothing but an import runs them, every test of the folder is meant.
        """
        name = self._files.get((self._root / mutant.module).resolve())
        by_line = self._data.contexts_by_lineno(name) if name else {}
        line = mutant.first
        reached = {c for n in range(line, mutant.last + 1) for c in by_line.get(n, ())}
        while not reached and line > 1:  # a line of a longer statement
            line -= 1
            reached = set(by_line.get(line, ()))
        own = f"test_{Path(mutant.module).stem}.py"
        nodes = Counter(_node_of(context) for context in reached if context.startswith("tests."))
        # What hypothesis runs is recorded under its own name: any test of its may have been it.
        invented = self._inventing(folder) if any(_HYPOTHESIS in c for c in reached) else []
        if not nodes and not invented:
            mirrored = sorted((self._root / folder).rglob(own))
            return [*(path.relative_to(self._root).as_posix() for path in mirrored), folder]
        # A file of which many tests come by is run whole: one may keep what another computed.
        files = Counter(node.partition("::")[0] for node in nodes)
        meant = {
            file if files[file := node.partition("::")[0]] >= _MANY else node for node in nodes
        }
        meant.update(invented)
        return sorted(meant, key=lambda node: (own not in node, node in invented, node))

    def _inventing(self, folder: str) -> list[str]:
        files = sorted((self._root / folder).rglob("test_*.py"))
        return [
            file.relative_to(self._root).as_posix()
            for file in files
            if "from hypothesis" in file.read_text(encoding="utf-8")
        ]


def record_reach(root: Path, package: str, folder: str, data: Path) -> Reach:
    """Run the tests of the folder over the unchanged package; they must pass.

    Raises:
        RuntimeError: they do not, so no mutant could be judged by them.

    """
    settings = data.with_suffix(".ini")
    settings.write_text(_SETTINGS.format(package=package.replace("/", "."), data=data))
    command = [sys.executable, "-m", "coverage", "run", f"--rcfile={settings}", "-m", "pytest",
               "-q", "-p", "no:cacheprovider", "--hypothesis-seed=0", folder]  # fmt: skip
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"the tests fail without any mutant:\n{done.stdout[-3000:]}")
    return Reach(root, data)


def _node_of(context: str) -> str:
    """Return "a/b/test_c.py::test_d" for the context "a.b.test_c.test_d"."""
    parts: Sequence[str] = context.split(".")
    at = next(n for n, part in enumerate(parts) if part.startswith("test_"))
    return "/".join(parts[: at + 1]) + ".py::" + "::".join(parts[at + 1 :])
