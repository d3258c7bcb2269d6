"""`ingestd listen` at the desk: shows, guesses, stores nothing, and says what is in the way."""

import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from ingestd.cli.main import main
from ingestd.demo.links import PtyLink, TcpLink
from ingestd.demo.rendering import render_frame
from ingestd.sources.serial.port import open_port
from ingestd.sources.serial.settings import WireSettings
from tests.conftest import Lab
from tests.ingestd.pipeline.test_lines_to_results import FORM, READINGS, values

FRAME = render_frame(FORM, values(*READINGS[3]))


@pytest.fixture
def link(tmp_path: Path) -> Iterator[PtyLink]:
    with closing(PtyLink(tmp_path / "wire")) as made:
        yield made


def listen(lab: Lab, *words: str) -> Result:
    config = str(lab.folder / "ingestd.toml")
    return CliRunner().invoke(main, ["--config", config, "listen", *words])


def test_it_shows_raw_and_framed_and_stores_nothing(lab: Lab, link: PtyLink) -> None:
    link.write(FRAME + FRAME.replace(b"333", b"338"))
    done = listen(lab, link.port, "--form", "checked_line", "--seconds", "1")
    assert done.exit_code == 0, done.output
    assert FRAME[:16].hex(" ").upper() in done.output
    assert "sample=W-2  method=COD-HR  value=333" in done.output
    assert "damaged" in done.output
    assert "1 frames, 1 damaged parts" in done.output
    assert lab.one("SELECT count(*) FROM captures WHERE kind LIKE '%frame%'") == 0
    assert link.read(0.1) == b""  # nothing is acknowledged either


def test_guess_names_what_makes_sense(lab: Lab) -> None:
    # A plain TCP server takes no settings, so there is one choice to try.
    with closing(TcpLink()) as link:

        def talk() -> None:
            if link.wait_for_client(10):
                until = time.monotonic() + 10
                while time.monotonic() < until and link._client is not None:
                    link.write(FRAME)
                    link.read(0.1)

        thread = threading.Thread(target=talk)
        thread.start()
        words = (link.port, "--guess", "--form", "checked_line", "--seconds", "1")
        done = listen(lab, *words)
        thread.join(15)
    assert done.exit_code == 0, done.output
    assert "plausible" in done.output
    assert "frames read, 0 damaged" in done.output


def test_guess_without_a_word_on_the_line_is_a_no(lab: Lab) -> None:
    with closing(TcpLink()) as link:
        done = listen(lab, link.port, "--guess", "--seconds", "0.3")
    assert (done.exit_code, "nothing heard" in done.output) == (1, True)


def test_port_in_use_is_told_with_what_to_do(lab: Lab, link: PtyLink) -> None:
    with closing(open_port(WireSettings(port=link.port))):
        done = listen(lab, link.port, "--seconds", "1")
    assert done.exit_code == 1
    assert "another program has it open; end that program; `fuser" in done.output


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--form", "comma_table"), "is of shape table, not frame"),
        (("--parity", "strange"), "strange"),
    ],
)
def test_wrong_use_is_told(lab: Lab, link: PtyLink, words: tuple[str, ...], told: str) -> None:
    done = listen(lab, link.port, *words)
    assert done.exit_code == 2
    assert told in done.output
