"""The service dies between the frame and its acknowledgement: read once, whatever it says."""

import threading
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.demo.links import PtyLink
from ingestd.demo.photometer import Sent, SimulatedPhotometer
from ingestd.ledger.store import Ledger
from ingestd.pipeline.forms import shipped_forms
from parsers import load_form
from tests.ingestd.pipeline.test_lines_to_results import NAMELESS, READINGS, values
from tests.ingestd.service.service_process import Bench, wait_until

# With a number and a time in each frame, and with neither.
NUMBERED = shipped_forms()["checked_line"].decode()
BARE = NAMELESS.replace("unchecked = true", 'unchecked = true\nacknowledge = "\\u0006"')
TEXTS = {
    "numbered": (NUMBERED, [values(*reading) for reading in READINGS]),
    "bare": (BARE, [{"sample": sample, "value": value} for _, sample, value in READINGS]),
}


@pytest.fixture
def link(tmp_path: Path) -> Iterator[PtyLink]:
    with closing(PtyLink(tmp_path / "wire")) as made:
        yield made


class Instrument(threading.Thread):
    """Sends one reading after the other, each until it is acknowledged."""

    def __init__(self, form: str, link: PtyLink, readings: list[Mapping[str, str]]) -> None:
        super().__init__(daemon=True)
        self.sent: list[Sent] = []
        self._photometer = SimulatedPhotometer(
            load_form(form.encode(), "form"), link, patience_s=1.5, tries=30
        )
        self._readings = readings

    def run(self) -> None:
        for reading in self._readings:
            self.sent.append(self._photometer.send(reading))


@pytest.mark.parametrize(
    ("step", "name"),
    [
        ("capture_written", "numbered"),
        ("capture_committed", "bare"),
        ("slice_judged", "numbered"),
        ("slice_committed", "bare"),
        ("delivered", "numbered"),
    ],
)
def test_frame_not_acknowledged_because_the_service_died_counts_once(
    tmp_path: Path, link: PtyLink, step: str, name: str
) -> None:
    form, readings = TEXTS[name]
    extra = (
        f'[[source]]\nkind = "line"\nname = "wire"\nport = "{link.port}"\nform = "{name}"\n'
        'instrument = "P1"\nretransmit_window_s = 120\n'
    )
    bench = Bench.lay_out(tmp_path / "lab", extra=extra)
    (bench.folder / "forms" / f"{name}.toml").write_text(form)
    try:
        first = bench.start(env={"INGESTD_KILL_AT": f"{step}:2"})
        wait_until(lambda: '"line_opened"' in bench.said(), "the line was opened")
        instrument = Instrument(form, link, readings)
        instrument.start()
        wait_until(lambda: first.poll() == -9, "the service died")
        assert len(instrument.sent) == 1  # the second was not acknowledged
        second = bench.start()
        wait_until(lambda: len(instrument.sent) == len(readings), "every frame was sent")
        assert all(sent.acknowledged for sent in instrument.sent)
        assert instrument.sent[1].copies > 1
        assert bench.stop(second) == 0
    finally:
        bench.end_all()
    found = bench.ask("SELECT sample, raw FROM readings WHERE retired = '' ORDER BY id")
    assert found == [(sample, value) for _, sample, value in READINGS]
    ledger = Ledger.open_readonly(bench.folder / "ledger.db")
    assert verify_ledger(ledger.conn, rebuild=True).faults == []
    ledger.close()
