"""README.md says what the program does: its path is walked, its table is the program's."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import ingestd.errors
from ingestd.cli import _COMMANDS
from ingestd.plan.columns import describe_columns

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


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
    return [
        name
        for name, kind in vars(ingestd.errors).items()
        if isinstance(kind, type) and issubclass(kind, Exception) and name != "IngestError"
    ]


@pytest.mark.parametrize("name", _error_classes())
def test_every_error_is_in_the_readme_with_what_it_wants(name: str) -> None:
    assert f"`{name}`" in README


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
