"""README.md and DEVELOPERS.md say what the program does: path and tables are tried."""

import ast
import importlib
import os
import pkgutil
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import ingestd
from ingestd import events
from ingestd.cli.main import _COMMANDS
from ingestd.errors import IngestError
from ingestd.plan.columns import describe_columns
from tests.configuration_keys import configuration_keys

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
SAMPLE = (ROOT / "systemd" / "ingestd.toml").read_text(encoding="utf-8")


def _table(text: str, name: str) -> list[list[str]]:
    """Cells of the rows between two marks, without the heading."""
    shown = re.search(rf"<!-- {name}: begin -->\n(.*?)<!-- {name}: end -->", text, flags=re.DOTALL)
    assert shown is not None
    rows = [line.strip("|").split("|") for line in shown[1].strip().splitlines()]
    return [[cell.strip() for cell in row] for row in rows[2:]]


def test_bench_sheet_columns_in_readme_are_those_of_the_program() -> None:
    shown = re.search(
        r"<!-- columns: begin -->\n(.*?)<!-- columns: end -->", README, flags=re.DOTALL
    )
    assert shown is not None
    assert shown[1].strip() == describe_columns().strip()


@pytest.mark.parametrize("command", _COMMANDS)
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"ingestd {command}" in README


def _error_classes() -> list[str]:
    """Every error of ours, wherever it is defined."""
    for module in pkgutil.walk_packages(ingestd.__path__, "ingestd."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)

    def below(kind: type[IngestError]) -> list[str]:
        return [name for one in kind.__subclasses__() for name in (one.__name__, *below(one))]

    return below(IngestError)


def test_every_error_is_in_the_readme_with_what_it_wants() -> None:
    names = _error_classes()
    assert len(names) >= 12
    assert [name for name in names if f"`{name}`" not in README] == []


def test_every_key_of_the_configuration_is_in_the_readme_with_its_default() -> None:
    shown = {row[0].strip("`"): row[1].strip("`") for row in _table(README, "keys")}
    assert shown == configuration_keys()
    assert all(row[2] for row in _table(README, "keys")), "each says what it means"


def test_every_key_of_the_configuration_is_in_the_sample() -> None:
    names = {key.rpartition(".")[2] for key in configuration_keys()}
    written = set(re.findall(r"^(?:# )?(\w+) = ", SAMPLE, flags=re.MULTILINE))
    assert names - written == set()


EVENTS = {name: value for name, value in vars(events).items() if name.isupper()}


def test_every_event_is_in_the_developers_table_and_no_other() -> None:
    shown = [
        name for row in _table(DEVELOPERS, "events") for name in re.findall(r"`(\w+)`", row[0])
    ]
    assert sorted(shown) == sorted(EVENTS.values())


def test_every_event_is_used_and_nothing_else_is_logged() -> None:
    """A name of its own in a log call would be in no table; one never used says what is not."""
    used = set()
    for path in sorted((ROOT / "ingestd").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "events":
                used.add(node.attr)
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and node.func.attr in ("info", "warning", "error", "debug", "exception")
                and ast.unparse(node.func.value).rpartition(".")[2] in ("log", "_log")
            ):
                assert not isinstance(node.args[0], ast.Constant), f"{path}:{node.lineno}"
    assert EVENTS.keys() - used == set()


def _five_minutes() -> list[str]:
    section = README.split("## Five minutes")[1].split("\n## ")[0]
    return re.findall(r"```sh\n(.*?)```", section, flags=re.DOTALL)


def test_the_five_minute_path_works_to_the_letter(tmp_path: Path) -> None:
    blocks = _five_minutes()
    assert len(blocks) == 5
    program = shutil.which("ingestd", path=str(Path(sys.executable).parent))
    assert program is not None, "install the project first: pip install -e ."
    script = "set -e\n" + "\n".join(blocks) + "\nwait || true\n"
    done = subprocess.run(
        ["bash", "-c", script],
        cwd=tmp_path,
        env={**os.environ, "PATH": f"{Path(program).parent}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )
    said = done.stdout + done.stderr
    assert done.returncode == 0, said
    assert re.search(r"W-1 .*1280 mg/L .*accepted", done.stdout), said
    assert re.search(r"W-2 .*> 1500 mg/L .*held", done.stdout), said
    assert "Times the dilution factor 2" in done.stdout
    assert "result 1: W-1 1280 released" in done.stdout
    assert "every table rebuilt from the journal without difference" in done.stdout
