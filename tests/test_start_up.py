"""What commands load before they do anything: help and the version cost next to nothing."""

import json
import os
import subprocess
import sys
from importlib.util import find_spec

import pytest

# Heavy, or only needed once a ledger, a line, a page or a centre is used.
LATE = {
    "argon2", "cryptography", "fastapi", "jinja2", "openpyxl", "orjson", "plotly",
    "prometheus_client", "psycopg", "pyarrow", "pydantic", "pysqlite3", "serial", "sqlite3",
    "sqlite_utils", "structlog", "tabulate", "uvicorn", "watchdog",
}  # fmt: skip
REPORT = """
import atexit, json, sys
sys.argv[0] = "ingestd"
atexit.register(lambda: print(json.dumps(sorted({n.partition(".")[0] for n in sys.modules}))))
from ingestd.cli.main import main
main()
"""


def loaded_by(*words: str) -> set[str]:
    """Packages loaded when the command has ended; what measures coverage would load some."""
    unmeasured = {k: v for k, v in os.environ.items() if not k.startswith("COVERAGE_")}
    done = subprocess.run(
        [sys.executable, "-c", REPORT, *words],
        env=unmeasured, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return set(json.loads(done.stdout.splitlines()[-1]))


@pytest.mark.parametrize("words", [("--help",), ("--version",)], ids=" ".join)
def test_help_loads_nothing_heavy(words: tuple[str, ...]) -> None:
    loaded = loaded_by(*words)
    assert "click" in loaded, "the report is of the command"
    assert loaded & LATE == set()


@pytest.mark.parametrize(
    "command", ["run", "status", "web", "deliver", "listen", "results", "form", "verify"]
)
def test_help_of_a_command_loads_nothing_heavy(command: str) -> None:
    assert loaded_by(command, "--help") & LATE == set()


@pytest.mark.parametrize("name", sorted(LATE))
def test_heavy_package_is_one_that_could_be_loaded(name: str) -> None:
    assert find_spec(name) is not None, "a name misspelt here would hide what is loaded"
