"""A line that is lost, and a clock that is wrong: where whoever has to act sees it."""

import json
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingestd.demo.links import PtyLink
from ingestd.demo.photometer import SimulatedPhotometer
from ingestd.demo.rendering import render_frame
from ingestd.sources.serial.port import open_port
from ingestd.sources.serial.settings import LineArrival, WireSettings
from tests.conftest import SHEET, Lab
from tests.ingestd.pipeline.test_lines_to_results import FORM, READINGS, values
from tests.ingestd.service.service_process import Bench, wait_until
from tests.ingestd.web.conftest import Page, open_page

__all__ = ["open_page"]  # a fixture


def line(name: str, port: str) -> str:
    return (
        f'[[source]]\nkind = "line"\nname = "{name}"\nport = "{port}"\n'
        'form = "checked_line"\ninstrument = "P1"\n'
    )


@pytest.fixture
def links(tmp_path: Path) -> Iterator[list[PtyLink]]:
    with closing(PtyLink(tmp_path / "a")) as first, closing(PtyLink(tmp_path / "b")) as second:
        yield [first, second]


@pytest.fixture
def bench(tmp_path: Path, links: list[PtyLink]) -> Iterator[Bench]:
    extra = line("pulled", links[0].port) + line("taken", links[1].port)
    made = Bench.lay_out(tmp_path / "lab", extra=extra)
    yield made
    made.end_all()


def told(bench: Bench, source: str) -> tuple[str, str]:
    """State and detail of a line as `ingestd status` gives them."""
    done = bench.run("status", "--json")
    states = {name: (state, detail) for name, state, detail in json.loads(done.stdout)["sources"]}
    return states.get(source, ("", ""))


def events(bench: Bench, source: str) -> list[object]:
    return [one["event"] for one in bench.events() if one.get("source") == source]


def test_lost_and_refused_lines_stand_in_the_status_with_what_to_do_and_leave_it_again(
    bench: Bench, links: list[PtyLink]
) -> None:
    other = open_port(WireSettings(port=links[1].port))
    process = bench.start()
    bench.wait_ready(process)
    wait_until(lambda: "line_opened" in events(bench, "pulled"), "the line was opened")
    links[0].unplug()
    wait_until(lambda: told(bench, "pulled")[0] == "lost", "the loss is told")
    assert "check cable and adapter; it is tried again" in told(bench, "pulled")[1]
    state, detail = told(bench, "taken")
    assert state == "refused"
    assert "another program has it open; end that program; `fuser" in detail
    done = bench.run("status")
    assert (done.returncode, "source pulled is lost" in done.stdout) == (1, True)
    links[0].replug()
    other.close()
    for name in ("pulled", "taken"):
        wait_until(lambda name=name: told(bench, name) == ("ok", ""), f"{name} is back")
    sent = SimulatedPhotometer(FORM, links[0], patience_s=5).send(values(*READINGS[0]))
    assert sent.acknowledged
    # A port is told to be back once it has stayed so for a moment.
    wait_until(lambda: "line_opened" in events(bench, "taken"), "its return is told")
    assert bench.stop(process) == 0
    assert events(bench, "pulled")[:3] == ["line_opened", "line_lost", "line_opened"]
    assert events(bench, "taken") == ["line_refused", "line_opened"]


@pytest.mark.parametrize(
    ("ahead", "words"),
    [
        (timedelta(hours=1), "is 1 h ahead of the time of arrival"),
        (timedelta(minutes=-20), "is 20 min behind the time of arrival"),
        (timedelta(0), ""),
    ],
)
def test_wrong_clock_of_an_instrument_on_a_line_is_a_finding_and_on_the_page(
    make_lab: Callable[..., Lab],
    open_page: Callable[..., Page],
    ahead: timedelta,
    words: str,
) -> None:
    lab = make_lab(extra=line("wire", "/dev/none"))
    lab.load("sheet.csv", SHEET)
    for number, reading in enumerate(READINGS, 1):
        stated = datetime(2026, 3, 2, 10, 50 + number, tzinfo=UTC)
        arrival = LineArrival(
            source="wire",
            name=f"a-{number}",
            data=render_frame(FORM, values(*reading)),
            seen_at=stated - ahead,
            is_frame=True,
        )
        assert lab.pipeline.arrive_line(arrival)
    found = [
        json.loads(body)
        for (body,) in lab.ledger.conn.execute(
            "SELECT body FROM journal WHERE json_extract(body, '$.kind') = 'result_judged'"
        )
    ]
    sentences = [one["sentence"] for body in found for one in body["findings"]]
    assert any(words in one for one in sentences if words) is bool(words)
    text = open_page(lab).sign_in("vera").page("/run?name=R1")
    assert ("ahead of" in text or "behind the time" in text) is bool(words)
    assert words in text
