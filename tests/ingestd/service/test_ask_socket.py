"""An instrument is asked by command, through the real service as a process of its own."""

import os
import socket
import stat
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from ingestd.demo.links import PtyLink
from ingestd.demo.photometer import SimulatedPhotometer
from ingestd.errors import Refused
from ingestd.pipeline.forms import shipped_forms
from ingestd.service.ask_socket import AskSocket, ask_service
from parsers import load_form
from tests.ingestd.pipeline.test_lines_to_results import READINGS, values
from tests.ingestd.service.service_process import Bench, wait_until

ASKED = shipped_forms()["checked_line"].replace(b"limit = 256", b'limit = 256\npoll = "?"')
REQUEST = b"?"


def line(name: str, port: str, form: str) -> str:
    return (
        f'[[source]]\nkind = "line"\nname = "{name}"\nport = "{port}"\nform = "{form}"\n'
        'instrument = "P1"\n'
    )


@pytest.fixture
def link(tmp_path: Path) -> Iterator[PtyLink]:
    with closing(PtyLink(tmp_path / "wire")) as made:
        yield made


@pytest.fixture
def bench(tmp_path: Path, link: PtyLink) -> Iterator[Bench]:
    extra = line("wire", link.port, "asked_line") + line("gone", f"{link.port}9", "asked_line")
    made = Bench.lay_out(tmp_path / "lab", extra=extra)
    (made.folder / "forms" / "asked_line.toml").write_bytes(ASKED)
    yield made
    made.end_all()


def test_asked_by_command_the_instrument_answers_and_its_reading_is_there(
    bench: Bench, link: PtyLink
) -> None:
    process = bench.start()
    bench.wait_ready(process)
    wait_until(lambda: '"line_opened"' in bench.said(), "the line was opened")
    assert link.read(0.5) == b""  # it is not asked without a word
    done = bench.run("ask", "wire")
    assert (done.returncode, done.stderr) == (0, "")
    assert "wire is asked" in done.stdout
    heard = b""
    deadline = time.monotonic() + 10
    while not heard and time.monotonic() < deadline:
        heard = link.read(0.1)
    assert heard == REQUEST
    form = load_form(ASKED, "asked_line")
    assert SimulatedPhotometer(form, link).send(values(*READINGS[0])).acknowledged
    assert bench.ask("SELECT sample, raw FROM readings") == [("B1", "2")]
    for name, words in (
        ("nowhere", "no such line; there are wire, gone"),
        ("gone", "the line is lost"),
    ):
        done = bench.run("ask", name)
        assert (done.returncode, done.stdout) == (1, "")
        assert words in done.stderr
    assert bench.stop(process) == 0
    assert not (bench.folder / "ledger.db.ask").exists()


def test_form_without_a_request_and_no_service_are_told(bench: Bench, link: PtyLink) -> None:
    done = bench.run("ask", "wire")
    assert (done.returncode, done.stdout) == (1, "")
    assert "no service answers" in done.stderr
    config = bench.folder / "ingestd.toml"
    config.write_text(config.read_text().replace('"asked_line"', '"checked_line"'))
    process = bench.start()
    bench.wait_ready(process)
    wait_until(lambda: '"line_opened"' in bench.said(), "the line was opened")
    done = bench.run("ask", "wire")
    assert done.returncode == 1
    assert "declares no request" in done.stderr
    assert bench.stop(process) == 0


@pytest.fixture
def asked() -> list[str]:
    return []


@pytest.fixture
def door(tmp_path: Path, asked: list[str]) -> Iterator[AskSocket]:
    made = AskSocket(tmp_path / "ledger.db", asked.append)
    made.open()
    yield made
    made.close()


def test_only_the_own_account_may_ask(door: AskSocket, tmp_path: Path) -> None:
    assert stat.S_IMODE((tmp_path / "ledger.db.ask").stat().st_mode) == 0o600


def test_who_says_nothing_holds_up_nobody_for_long(
    door: AskSocket, tmp_path: Path, asked: list[str]
) -> None:
    with socket.socket(socket.AF_UNIX) as silent, socket.socket(socket.AF_UNIX) as asker:
        silent.connect(str(tmp_path / "ledger.db.ask"))
        asker.connect(str(tmp_path / "ledger.db.ask"))
        asker.sendall(b"wire")
        begun = time.monotonic()
        door.answer()
        assert time.monotonic() - begun < 2
        assert asked == ["wire"]
        assert asker.recv(100) == b""


def test_nobody_there_costs_nothing(door: AskSocket, asked: list[str]) -> None:
    begun = time.monotonic()
    door.answer()
    assert time.monotonic() - begun < 0.1
    assert asked == []


def test_folder_deeper_than_an_address_is_long_and_a_socket_left_behind(tmp_path: Path) -> None:
    deep = tmp_path.joinpath(*["a folder with a long name"] * 6)
    deep.mkdir(parents=True)
    assert len(os.fsencode(deep)) > 107
    for _ in range(2):  # the second finds what the first, killed, left
        door = AskSocket(deep / "ledger.db", lambda _name: None)
        door.open()
        assert door._socket is not None
        door._socket.close()
    with pytest.raises(Refused, match="no service answers"):
        ask_service(deep / "ledger.db", "wire")
    door = AskSocket(deep / "ledger.db", lambda _name: None)
    door.open()
    door.close()
    assert not (deep / "ledger.db.ask").exists()


def test_disk_without_sockets_lets_the_service_work(tmp_path: Path) -> None:
    door = AskSocket(tmp_path / "absent" / "ledger.db", lambda _name: None)
    door.open()
    door.answer()
    door.close()
    with pytest.raises(Refused, match="no service answers"):
        ask_service(tmp_path / "absent" / "ledger.db", "wire")


def test_name_that_cannot_be_taken_away_ends_nothing(tmp_path: Path) -> None:
    made = AskSocket(tmp_path / "ledger.db", lambda _line: None)
    made.open()
    (tmp_path / "ledger.db.ask").unlink()
    (tmp_path / "ledger.db.ask").mkdir()
    made.close()
    assert (tmp_path / "ledger.db.ask").is_dir()
