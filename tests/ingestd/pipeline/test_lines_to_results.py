"""Readings sent over a real wire become results; repeats count once, cables get pulled."""

import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

import parsers
from ingestd.audit.verify import verify_ledger
from ingestd.config import load_config
from ingestd.demo.links import PtyLink
from ingestd.demo.photometer import SimulatedPhotometer
from ingestd.ledger.captures import find_captures
from ingestd.ledger.results import find_results
from ingestd.ledger.store import Ledger
from ingestd.pipeline.forms import shipped_forms
from ingestd.service.daemon import Service
from ingestd.sources.serial.settings import LineArrival
from tests.conftest import SHEET, Lab

FORM = parsers.load_form(shipped_forms()["checked_line"], "checked_line")
READINGS = (("1", "B1", "2"), ("2", "C1", "498"), ("3", "W-1", "1280"), ("4", "W-2", "333"))


@pytest.fixture
def link(tmp_path: Path) -> Iterator[PtyLink]:
    wire = PtyLink(tmp_path / "photometer")
    yield wire
    wire.close()


def wait_for(condition: Callable[[], bool], *, seconds: float = 20.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "it did not come true in time"
        threading.Event().wait(0.02)


def values(number: str, sample: str, value: str) -> dict[str, str]:
    """The fields of a frame in the form `checked_line`, as the instrument would print them."""
    known = {
        "sequence": number,
        "datetime": f"2026-03-02 10:5{number}:00",
        "sample": sample,
        "method": "COD-HR",
        "value": value,
        "unit": "mg/L",
        "dilution": "2" if sample == "W-1" else "1",
        "absorbance": "",
        "remark": "",
    }
    return {name: known[name] for name in FORM.fields if name in known}


def test_frames_become_results_with_cable_pulled_and_answers_lost(
    make_lab: Callable[..., Lab], link: PtyLink
) -> None:
    extra = (
        f'[[source]]\nkind = "line"\nname = "wire"\nport = "{link.port}"\n'
        'form = "checked_line"\ninstrument = "P1"\n'
    )
    lab = make_lab(extra=extra)
    lab.load("sheet.csv", SHEET)
    lab.ledger.close()
    config = load_config(lab.folder / "ingestd.toml")
    service = Service(config, log=lab.pipeline.log)
    service.start()
    photometer = SimulatedPhotometer(FORM, link, seed=3, repeat=0.5)
    try:
        wait_for(lambda: service.lines[0].status().state == "ok")
        for reading in READINGS[:2]:
            assert photometer.send(values(*reading)).acknowledged
        link.unplug()
        wait_for(lambda: service.lines[0].status().state != "ok")
        link.replug()
        wait_for(lambda: service.lines[0].status().state == "ok")
        for reading in READINGS[2:]:
            assert photometer.send(values(*reading)).acknowledged
    finally:
        service.stop()
    ledger = Ledger.open_readonly(config.ledger.path)
    found = {r.sample: (r.state, r.text) for r in find_results(ledger.conn)}
    assert found == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    assert ledger.conn.execute("SELECT count(*) FROM readings").fetchone()[0] == len(READINGS)
    assert verify_ledger(ledger.conn, rebuild=True).faults == []
    ledger.close()


def _frame(lab: Lab, data: bytes, name: str, *, again: bool = False) -> bool:
    return lab.pipeline.arrive_line(
        LineArrival(
            source="wire",
            name=name,
            data=data,
            seen_at=datetime(2026, 3, 2, 11, 0, tzinfo=UTC),
            is_frame=True,
            again=again,
        )
    )


NAMELESS = """
shape = "frame"
[numbers]
decimal = "."
[frame]
end = "\\r\\n"
unchecked = true
layout = "delimited"
delimiter = " "
cells = 2
[fields.sample]
position = 1
[fields.value]
position = 2
[fields.method]
constant = "COD-HR"
[fields.unit]
constant = "mg/L"
"""


def test_identical_frames_are_two_measurements_unless_the_line_repeated_itself(
    make_lab: Callable[..., Lab],
) -> None:
    lab = make_lab(
        extra='[[source]]\nkind = "line"\nname = "wire"\nport = "/dev/null"\nform = "bare"\n'
        'instrument = "P1"\n'
    )
    lab.load("bare.toml", NAMELESS)
    assert _frame(lab, b"W-1 640\r\n", "a-1")
    assert _frame(lab, b"W-1 640\r\n", "a-2", again=True)
    assert lab.one("SELECT count(*) FROM readings") == 1
    assert _frame(lab, b"W-1 640\r\n", "a-3")
    assert lab.one("SELECT count(*) FROM readings") == 2
    assert not _frame(lab, b"W-1 6x0\r\n", "a-4")


@pytest.mark.parametrize(
    ("before", "passed_s", "within_s", "readings"),
    [
        (b"W-1 640\r\n", 4.0, 15.0, 1),  # its acknowledgement was lost with the service
        (b"W-1 640\r\n", 16.0, 15.0, 2),  # nobody repeats for so long
        (b"W-1 640\r\n", -1.0, 15.0, 2),  # our clock was set back: never guessed
        (b"W-1 641\r\n", 4.0, 15.0, 2),
        (b"W-1 640\r\n", 4.0, None, 2),  # not the first frame since the start
    ],
)
def test_first_frame_after_a_restart_may_repeat_the_last_one_before(
    make_lab: Callable[..., Lab],
    before: bytes,
    passed_s: float,
    within_s: float | None,
    readings: int,
) -> None:
    lab = make_lab(
        extra='[[source]]\nkind = "line"\nname = "wire"\nport = "/dev/null"\nform = "bare"\n'
        'instrument = "P1"\n'
    )
    lab.load("bare.toml", NAMELESS)
    assert _frame(lab, before, "a-1")
    begun = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)
    arrivals = [
        LineArrival(source="wire", name="b-1", data=b"\xff", seen_at=begun, is_frame=False),
        LineArrival(
            source="wire",
            name="b-2",
            data=b"W-1 640\r\n",
            seen_at=begun + timedelta(seconds=passed_s),
            is_frame=True,
            repeats_within_s=within_s,
        ),
    ]
    assert lab.pipeline.arrive_lines(arrivals) == [True, True]
    assert lab.one("SELECT count(*) FROM readings") == readings
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []


def test_damaged_and_stray_bytes_are_kept_and_never_read(make_lab: Callable[..., Lab]) -> None:
    lab = make_lab()
    seen_at = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)
    for name, damaged, fault in (("n-1", False, ""), ("n-2", True, "wrong check value")):
        answer = lab.pipeline.arrive_line(
            LineArrival(
                source="p1",
                name=name,
                data=b"\xff\x00W-1 640",
                seen_at=seen_at,
                is_frame=False,
                damaged=damaged,
                fault=fault,
            )
        )
        assert answer is not damaged
    stray, damaged_one = find_captures(lab.ledger.conn, kinds=("line_noise",))
    assert (stray.state, damaged_one.state) == ("read", "failed")
    assert damaged_one.reason == "wrong check value"
    assert lab.one("SELECT count(*) FROM readings") == 0
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []
