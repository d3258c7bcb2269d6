"""The simulated photometer repeats, gives up and suffers as a real one does."""

import random
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime
from itertools import islice
from pathlib import Path

import pytest

from ingestd.demo.links import Link, PtyLink, TcpLink
from ingestd.demo.photometer import Sent, SimulatedPhotometer, disturb, invent_readings
from ingestd.sources.serial.port import Port, open_port
from ingestd.sources.serial.settings import WireSettings
from tests.ingestd.service.service_process import wait_until
from tests.ingestd.sources.lines import changed, shipped

CHECKED = shipped("checked_line")
BEGIN = datetime(2026, 11, 25, 8)  # noqa: DTZ001 - wall time of an instrument
VALUES = next(invent_readings(CHECKED, begin=BEGIN))


@pytest.fixture(params=["pty", "tcp"])
def link(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[PtyLink | TcpLink]:
    made = PtyLink(tmp_path / "port") if request.param == "pty" else TcpLink()
    with closing(made):
        yield made


class Bench:
    """Whoever sits at the other end, in a thread."""

    def __init__(self, port: Port, answers: list[bytes], size: int) -> None:
        self.heard: list[bytes] = []
        self._thread = threading.Thread(target=self._run, args=(port, answers, size))
        self._thread.start()

    def _run(self, port: Port, answers: list[bytes], size: int) -> None:
        for answer in answers:
            data = b""
            for _ in range(100):
                if len(data) >= size:
                    break
                data += port.read(0.05).data
            self.heard.append(data)
            port.write(answer)

    def join(self) -> None:
        self._thread.join(10)


def converse(link: Link, answers: list[bytes], **keys: float) -> tuple[Sent, list[bytes]]:
    photometer = SimulatedPhotometer(CHECKED, link, seed=1, **keys)  # type: ignore[arg-type]  # ints among them
    port = open_port(WireSettings(port=link.port))
    try:
        link.read(0.5 if isinstance(link, TcpLink) else 0.0)  # takes the client
        size = len(SimulatedPhotometer(CHECKED, link, tries=0).send(VALUES).frame)
        bench = Bench(port, answers, size)
        sent = photometer.send(VALUES)
        bench.join()
    finally:
        port.close()
    return sent, bench.heard


def test_acknowledged_message_is_sent_once(link: PtyLink | TcpLink) -> None:
    sent, heard = converse(link, [b"\x06"])
    assert (sent.copies, sent.refusals, sent.acknowledged) == (1, 0, True)
    assert heard == [sent.frame]


def test_refused_message_is_sent_again(link: PtyLink | TcpLink) -> None:
    sent, heard = converse(link, [b"\x15", b"\x15", b"\x06"])
    assert (sent.copies, sent.refusals, sent.acknowledged) == (3, 2, True)
    assert heard == [sent.frame] * 3


def test_unanswered_message_is_sent_again_and_given_up(link: PtyLink | TcpLink) -> None:
    sent, heard = converse(link, [b"", b"", b""], patience_s=0.1, tries=3)
    assert (sent.copies, sent.acknowledged) == (3, False)
    assert b"".join(heard) == sent.frame * 3


def test_unplugged_wire_swallows_and_comes_back(link: PtyLink | TcpLink) -> None:
    port = link.port
    link.unplug()
    link.write(b"gone")
    assert link.read(0.01) == b""
    link.replug()
    assert link.port == port
    sent, heard = converse(link, [b"\x06"])
    assert sent.acknowledged
    assert heard == [sent.frame]


def test_unplugged_terminal_takes_its_link_with_it(tmp_path: Path) -> None:
    with closing(PtyLink(tmp_path / "port")):
        assert (tmp_path / "port").resolve().is_relative_to("/dev")
    assert list(tmp_path.iterdir()) == []


def test_messages_are_served_on_request(tmp_path: Path) -> None:
    form = changed(shipped("plain_line"), poll=b"R\r")
    with closing(PtyLink(tmp_path / "port")) as link:
        port = open_port(WireSettings(port=link.port))
        readings = list(islice(invent_readings(form, begin=BEGIN), 2))
        port.write(b"noise R\rR\r")
        sent = list(SimulatedPhotometer(form, link).serve(readings, threading.Event()))
        wanted, heard = b"".join(one.frame for one in sent), bytearray()

        def has_heard_it() -> bool:  # a read gives what is there, be it half of it
            heard.extend(port.read(0.1).data)
            return len(heard) >= len(wanted)

        wait_until(has_heard_it, "what was sent has come")
        assert heard == wanted
        stopped = threading.Event()
        stopped.set()
        assert list(SimulatedPhotometer(form, link).serve(readings, stopped)) == []
        port.close()


def test_form_without_request_cannot_be_served(tmp_path: Path) -> None:
    with closing(PtyLink(tmp_path / "port")) as link:
        served = SimulatedPhotometer(CHECKED, link).serve([VALUES], threading.Event())
        with pytest.raises(ValueError, match="declares no request"):
            next(served)
        with pytest.raises(ValueError, match="is of shape table"):
            SimulatedPhotometer(shipped("comma_table"), link)


class TestDamage:
    data = bytes(range(256)) * 400

    def test_whole_wire_changes_nothing(self) -> None:
        assert disturb(self.data, random.Random(1), noise=0.0) == self.data

    @pytest.mark.parametrize("rate", [0.1, 0.01, 0.001])
    def test_bytes_are_replaced_as_often_as_said(self, rate: float) -> None:
        # Binomial: mean n p, standard deviation sqrt(n p (1 - p)); within four of them.
        got = disturb(self.data, random.Random(7), noise=rate)
        replaced = sum(a != b for a, b in zip(got, self.data, strict=True))
        count = len(self.data)
        assert abs(replaced - count * rate) <= 4 * (count * rate * (1 - rate)) ** 0.5

    @pytest.mark.parametrize("rate", [0.1, 0.01])
    def test_bytes_are_lost_as_often_as_said(self, rate: float) -> None:
        lost = len(self.data) - len(disturb(self.data, random.Random(7), noise=0.0, drop=rate))
        count = len(self.data)
        assert abs(lost - count * rate) <= 4 * (count * rate * (1 - rate)) ** 0.5

    def test_same_seed_makes_the_same_faults(self) -> None:
        first = disturb(self.data, random.Random(3), noise=0.01, drop=0.01)
        assert disturb(self.data, random.Random(3), noise=0.01, drop=0.01) == first
        assert disturb(self.data, random.Random(4), noise=0.01, drop=0.01) != first


def test_invented_readings_are_the_same_for_a_seed_and_number_their_samples() -> None:
    first = list(islice(invent_readings(CHECKED, begin=BEGIN, seed=2), 5))
    assert list(islice(invent_readings(CHECKED, begin=BEGIN, seed=2), 5)) == first
    assert [values["sequence"] for values in first] == ["1", "2", "3", "4", "5"]
    named = invent_readings(CHECKED, begin=BEGIN, samples=lambda number: f"tank {number}")
    assert next(named)["sample"] == "tank 1"
