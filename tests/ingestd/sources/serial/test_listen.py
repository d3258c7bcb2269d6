"""What the desk is shown, and which settings it is told to try."""

import os
import threading
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import datetime
from itertools import islice
from pathlib import Path

import pytest

from ingestd.demo.links import PtyLink
from ingestd.demo.photometer import SimulatedPhotometer, invent_readings
from ingestd.demo.rendering import render_frame
from ingestd.sources.serial.listen import (
    Trial,
    common_settings,
    guess_settings,
    judge_trial,
    listen,
)
from ingestd.sources.serial.marks import Received
from ingestd.sources.serial.port_faults import PortLost, PortRefused
from ingestd.sources.serial.settings import WireSettings
from tests.ingestd.sources.lines import changed, shipped
from tests.ingestd.sources.uart import receive, transmit

CHECKED, PLAIN = shipped("checked_line"), shipped("plain_line")
BEGIN = datetime(2026, 11, 25, 8)  # noqa: DTZ001 - wall time of an instrument
FRAMES = [
    render_frame(CHECKED, values) for values in islice(invent_readings(CHECKED, begin=BEGIN), 2)
]
TEXT = b"".join(FRAMES)
CANDIDATES = list(common_settings("wire"))
SENT = CANDIDATES[::7]  # each speed once or less, each kind of character at least once


@pytest.fixture
def link(tmp_path: Path) -> Iterator[PtyLink]:
    with closing(PtyLink(tmp_path / "port")) as made:
        yield made


class TestListen:
    def test_bytes_are_shown_raw_and_framed(self, link: PtyLink) -> None:
        link.write(b"\x00\xff" + FRAMES[0] + FRAMES[1][:20])
        wire = WireSettings(port=link.port, read_timeout_s=0.02)
        shown = list(listen(wire, form=CHECKED, seconds=0.7))
        assert shown[0].startswith(f"listening on {link.port} at 9600 8N1; nothing is stored")
        raw = next(line for line in shown if "00 FF 02 31" in line)
        assert raw.endswith("···1|2026-11-25 ")
        text = "\n".join(shown)
        assert "outside any frame: 2 bytes" in text
        assert f"frame, {len(FRAMES[0])} bytes: sequence=1  datetime=2026-11-25 08:00:00" in text
        assert "damaged, 20 bytes: expected" in text
        assert shown[-1].endswith("1 frames, 1 damaged parts, 1 parts outside any frame")

    def test_without_a_form_bytes_are_shown_raw(self, link: PtyLink) -> None:
        link.write(b"12.5\r\n")
        shown = list(listen(WireSettings(port=link.port), seconds=0.3))
        assert shown[1].endswith("31 32 2E 35 0D 0A                                12.5··")
        assert shown[-1].startswith("6 bytes in")
        assert len(shown) == 3

    def test_whole_frame_with_an_unreadable_field_is_explained(self, link: PtyLink) -> None:
        values = next(invent_readings(PLAIN, begin=BEGIN)) | {"value": "12,5"}
        wire = WireSettings(port=link.port, read_timeout_s=0.02)
        shown = listen(wire, form=PLAIN, seconds=1.6)
        first = next(shown)
        assert "nothing is stored" in first
        threading.Timer(1.2, link.write, [render_frame(PLAIN, values)]).start()
        text = "\n".join(shown)
        assert "frame that cannot be read: field value" in text
        assert "a number with decimal mark '.'" in text

    def test_nothing_is_acknowledged(self, link: PtyLink) -> None:
        link.write(FRAMES[0])
        list(listen(WireSettings(port=link.port), form=CHECKED, seconds=0.3))
        assert link.read(0.05) == b""

    def test_leaving_early_gives_the_port_back(self, link: PtyLink) -> None:
        wire = WireSettings(port=link.port)
        shown = listen(wire)
        next(shown)
        with pytest.raises(PortRefused):
            next(listen(wire))
        shown.close()  # type: ignore[attr-defined]  # a generator
        next(listen(wire))

    def test_absent_port_says_so(self, tmp_path: Path) -> None:
        with pytest.raises(PortLost, match="no such file"):
            next(listen(WireSettings(port=str(tmp_path / "none"))))


class TestModel:
    """The line of the tests is itself checked: sent and received alike, bytes are unharmed."""

    @pytest.mark.parametrize("wire", CANDIDATES, ids=str)
    def test_equal_settings_hear_what_was_sent(self, wire: WireSettings) -> None:
        assert receive(transmit(TEXT, wire), wire) == Received(TEXT)

    def test_parity_bit_of_seven_bits_is_seen_as_the_eighth(self) -> None:
        # "C" is 1000011, three ones: even parity makes 11000011; "A" has two: 01000001.
        sent = transmit(b"CA", WireSettings(port="wire", bits=7, parity="even"))
        assert receive(sent, WireSettings(port="wire")) == Received(b"\xc3A")

    def test_wrong_parity_is_seen(self) -> None:
        sent = transmit(b"CA", WireSettings(port="wire", bits=7, parity="even"))
        odd = WireSettings(port="wire", bits=7, parity="odd")
        assert receive(sent, odd) == Received(b"CA", (0, 1))


class _Tuned:
    """A port on a line that was sent with certain settings."""

    def __init__(self, sent: WireSettings, wire: WireSettings) -> None:
        self._heard = [receive(transmit(TEXT, sent), wire)]

    def read(self, _timeout_s: float) -> Received:
        return self._heard.pop() if self._heard else Received(b"")

    def write(self, data: bytes) -> bool:
        return bool(data)

    def close(self) -> bytes:
        return b""


class TestGuess:
    @pytest.mark.parametrize("sent", SENT, ids=str)
    def test_right_settings_are_plausible_by_the_form_and_few_others_are(
        self, sent: WireSettings
    ) -> None:
        trials = list(
            guess_settings(
                CANDIDATES, form=CHECKED, seconds=0.0001, opened=lambda wire: _Tuned(sent, wire)
            )
        )
        plausible = [trial.wire for trial in trials if trial.is_plausible]
        assert [replace(wire, read_timeout_s=0.2) for wire in plausible] == [sent]

    @pytest.mark.parametrize("sent", SENT, ids=str)
    def test_right_settings_are_plausible_without_a_form(self, sent: WireSettings) -> None:
        for wire in CANDIDATES:
            heard = receive(transmit(TEXT, sent), wire)
            trial = judge_trial(wire, heard.data, bad=len(heard.bad), form=None)
            assert trial.is_plausible == (wire == sent), trial

    def test_trial_on_a_real_port_and_refusal_of_what_it_cannot_do(self, link: PtyLink) -> None:
        form = changed(CHECKED, poll=b"?")
        stopping = threading.Event()
        readings = invent_readings(form, begin=BEGIN)
        photometer = SimulatedPhotometer(form, link, patience_s=0.01, tries=1)
        served = photometer.serve(readings, stopping)
        thread = threading.Thread(target=lambda: list(served))
        thread.start()
        wires = [
            WireSettings(port=link.port, read_timeout_s=0.05),
            WireSettings(port=link.port, bits=7, parity="even"),
        ]
        first, second = guess_settings(wires, form=form, seconds=0.6)
        stopping.set()
        thread.join(5)
        assert (first.is_plausible, first.frames, first.damaged) == (True, 1, 0)
        assert str(first).startswith("9600 8N1: plausible (")
        assert not second.is_plausible
        assert "7E1" in str(second) or "7 bits" in str(second)

    def test_lost_port_ends_its_trial_and_not_the_others(self, tmp_path: Path) -> None:
        link = PtyLink(tmp_path / "port")
        timer = threading.Timer(0.1, link.unplug)
        timer.start()
        wire = WireSettings(port=link.port, read_timeout_s=0.02)
        first, second = guess_settings([wire, wire], seconds=0.5)
        assert "the other end is gone" in first.refused or os.strerror(5).lower() in first.refused
        assert "no such file" in second.refused

    @pytest.mark.parametrize(
        ("trial", "text"),
        [
            (Trial(wire=WireSettings(port="p")), "9600 8N1: nothing heard"),
            (
                Trial(wire=WireSettings(port="p", baud=4800), received=40, bad=3, readable=12),
                "4800 8N1: no (40 bytes, 12 of them text, 3 with wrong parity or framing)",
            ),
            (
                Trial(wire=WireSettings(port="p"), received=60, readable=58, frames=1, damaged=0),
                "9600 8N1: plausible (60 bytes, 58 of them text, 1 frames read, 0 damaged)",
            ),
        ],
    )
    def test_trial_says_what_was_heard(self, trial: Trial, text: str) -> None:
        assert str(trial) == text

    def test_likeliest_settings_come_first(self) -> None:
        assert [str(wire) for wire in CANDIDATES[:2]] == ["9600 8N1", "19200 8N1"]
        assert len(set(CANDIDATES)) == 40

    def test_plain_tcp_leaves_no_choice(self) -> None:
        assert len(list(common_settings("socket://127.0.0.1:4001"))) == 1
