"""`ingestd speak` plays a photometer for the real service and for whoever else listens."""

import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from ingestd.cli.main import main
from ingestd.demo.links import PtyLink, TcpLink
from ingestd.pipeline.forms import shipped_forms
from ingestd.sources.serial.line import LineSource
from ingestd.sources.serial.settings import LineSettings
from parsers.frame import parse
from tests.conftest import Lab
from tests.ingestd.sources.lines import KeptLog, Taker, changed, shipped, wait_for

CHECKED = shipped("checked_line")


def speak(lab: Lab, *words: str) -> Result:
    config = str(lab.folder / "ingestd.toml")
    return CliRunner().invoke(main, ["--config", config, "speak", *words])


@contextmanager
def listening(port: str) -> Iterator[Taker]:
    taker = Taker()
    settings = LineSettings(name="line", port=port, form=CHECKED)
    source = LineSource(settings, taker, KeptLog(), jitter=lambda: 0.0)
    source.start()
    try:
        yield taker
    finally:
        source.stop()
        source.join(20)


def test_readings_arrive_with_what_was_set_and_the_wire_is_gone_afterwards(
    lab: Lab, tmp_path: Path
) -> None:
    port = str(tmp_path / "wire")
    words = ("--form", "checked_line", "--count", "3", "--every", "0.1")
    with listening(port) as taker:
        done = speak(lab, port, *words, "--set", "sample=W-1", "--set", "method=COD-HR")
        assert done.exit_code == 0, done.output
        assert done.output.count(", acknowledged") == 3
        assert f'port = "{port}"' in done.output
        fields = [parse(frame, CHECKED).readings[0].fields for frame in taker.frames]
    assert [one["sequence"] for one in fields] == ["1", "2", "3"]
    assert {(one["sample"], one["method"]) for one in fields} == {("W-1", "COD-HR")}
    assert not Path(port).is_symlink()


def test_bad_wire_is_told_and_every_reading_comes_through(lab: Lab) -> None:
    with closing(TcpLink()) as probe:
        port = probe.port
    words = ("--form", "checked_line", "--count", "4", "--every", "0", "--repeat", "0.6")
    with listening(port) as taker:
        done = speak(lab, port, *words)
        assert done.exit_code == 0, done.output
        assert done.output.count(", acknowledged") == 4
        copies = sum(int(line.split("sent ")[1].split()[0]) for line in _told(done))
        assert copies > 4
    fields = [parse(frame, CHECKED).readings[0].fields for frame in taker.frames]
    assert list(dict.fromkeys(one["sequence"] for one in fields)) == ["1", "2", "3", "4"]
    assert 4 < len(taker.frames) <= copies


def _told(done: Result) -> list[str]:
    return [line for line in done.output.splitlines() if ": " in line and "bytes" in line]


def test_form_with_a_request_waits_to_be_asked(lab: Lab, tmp_path: Path) -> None:
    text = (
        shipped_forms()["checked_line"].decode().replace("limit = 256", 'limit = 256\npoll = "?"')
    )
    (lab.folder / "forms" / "asked_line.toml").write_text(text)
    port = str(tmp_path / "wire")
    form = changed(CHECKED, poll=b"?")
    taker = Taker()
    source = LineSource(
        LineSettings(name="line", port=port, form=form), taker, KeptLog(), jitter=lambda: 0.0
    )
    source.start()
    said: list[Result] = []
    words = ("--form", "asked_line", "--count", "1")
    thread = threading.Thread(target=lambda: said.append(speak(lab, port, *words)))
    thread.start()
    try:
        wait_for(lambda: said or source.status().state == "ok")
        assert [one.output for one in said] == []
        assert taker.calls == 0
        source.poll_now()
        wait_for(lambda: taker.frames)
    finally:
        thread.join(20)
        source.stop()
        source.join(20)
    assert said[0].output.count(", acknowledged") == 1


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("--form", "comma_table"), 2, "is of shape table, not frame"),
        (("--form", "checked_line", "--set", "sample"), 2, "give FIELD=TEXT"),
        (("--form", "checked_line", "--set", "colour=red"), 1, "has no place for colour"),
        (("--form", "checked_line", "--noise", "1"), 2, "noise"),
    ],
)
def test_wrong_use_is_told(
    lab: Lab, tmp_path: Path, words: tuple[str, ...], code: int, told: str
) -> None:
    done = speak(lab, str(tmp_path / "wire"), *words)
    assert done.exit_code == code
    assert told in done.output
    assert list(tmp_path.glob("wire*")) == []


def test_nothing_that_is_there_is_replaced(lab: Lab, tmp_path: Path) -> None:
    there = tmp_path / "there"
    there.write_text("kept")
    taken = TcpLink()
    with closing(taken), closing(PtyLink(tmp_path / "link")) as link:
        for port in (str(there), link.port, taken.port, "rfc2217://127.0.0.1:1", "socket://x"):
            done = speak(lab, port, "--form", "checked_line", "--count", "1")
            assert done.exit_code == 1, port
            assert "; name a " in done.output
    assert there.read_text() == "kept"
