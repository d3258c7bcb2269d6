"""`ingestd deliver` as a process that goes on until it is asked to stop."""

import signal
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from ingestd.cli.main import main
from tests.conftest import GOOD_EXPORT, SHEET, Lab
from tests.ingestd.service.service_process import COMMAND, DEADLINE_S, ROOT, wait_until

Begin = Callable[[], "subprocess.Popen[str]"]


@pytest.fixture
def filing(make_lab: Callable[..., Lab]) -> Lab:
    """A laboratory that delivers to daily files."""
    lab = make_lab(extra='[delivery.files]\nfolder = "out"\n')
    (lab.folder / "out").mkdir()
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    return lab


@pytest.fixture
def begin(filing: Lab) -> Iterator[Begin]:
    """Starts the command; kills what still runs at the end."""
    running: list[subprocess.Popen[str]] = []

    def start() -> "subprocess.Popen[str]":
        command = [*COMMAND, "--config", str(filing.folder / "ingestd.toml"), "deliver"]
        running.append(
            subprocess.Popen(
                command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
            )
        )
        return running[-1]

    yield start
    for process in running:
        process.kill()
        process.communicate(timeout=DEADLINE_S)


def release(lab: Lab) -> None:
    config = str(lab.folder / "ingestd.toml")
    done = CliRunner().invoke(main, ["--config", config, "release", "R1", "--by", "rita"])
    assert done.exit_code == 0, done.output


def delivered(folder: Path) -> str:
    return "".join(file.read_text() for file in sorted(folder.rglob("*.csv")))


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_results_released_meanwhile_are_delivered_until_it_is_asked_to_stop(
    filing: Lab, begin: Begin, number: signal.Signals
) -> None:
    process = begin()
    release(filing)
    wait_until(lambda: "W-1" in delivered(filing.folder / "out"), "the results were delivered")
    wait_until(
        lambda: filing.one("SELECT count(*) FROM deliveries WHERE target = 'files'") == 1,
        "the ledger notes it",
    )
    process.send_signal(number)
    said, _ = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 0, said
    assert "batch_delivered" in said
    assert delivered(filing.folder / "out").count("W-1") == 1


def test_ledger_that_cannot_be_trusted_ends_it_with_the_reason(filing: Lab, begin: Begin) -> None:
    release(filing)
    filing.ledger.close()
    path = Path(filing.config.ledger.path)
    path.write_bytes(b"no ledger at all" * 4096)
    for beside in path.parent.glob("ledger.db-*"):
        beside.unlink()
    process = begin()
    said, _ = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 1, said
    assert "ledger.db" in said
    assert "Traceback" not in said
