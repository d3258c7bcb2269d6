"""A line listened to on real pseudo-terminals and real TCP, with everything that happens to it."""

import os
import threading
import time
import tracemalloc
import tty
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingestd.demo.links import Link, PtyLink, TcpLink
from ingestd.demo.photometer import Sent, SimulatedPhotometer, invent_readings
from ingestd.demo.rendering import render_frame
from ingestd.errors import LedgerBusy, Refused
from ingestd.sources.serial.handover import REFUSALS
from ingestd.sources.serial.line import LineSource
from ingestd.sources.serial.port import open_port
from ingestd.sources.serial.settings import LineArrival, LineSettings, LineStatus, WireSettings
from parsers.forms import Form
from tests.ingestd.sources.lines import DEADLINE_S, KeptLog, Taker, changed, shipped, wait_for
from tests.ingestd.sources.serial.test_port import served

CHECKED = shipped("checked_line")
PLAIN = shipped("plain_line")
ACK, NAK = b"\x06", b"\x15"
BEGIN = datetime(2026, 11, 25, 8)  # noqa: DTZ001 - wall time of an instrument


class Line:
    """A link, a source on it, and what it took."""

    def __init__(self, link: Link, form: Form, taker: Taker, **settings: object) -> None:
        self.link, self.form, self.taker = link, form, taker
        self.log = KeptLog()
        made = LineSettings(name="line", port=link.port, form=form, read_timeout_s=0.05)
        for key, value in settings.items():
            object.__setattr__(made, key, value)
        self.source = LineSource(made, taker, self.log, jitter=lambda: 0.0)
        readings = invent_readings(form, begin=BEGIN)
        self.readings = [next(readings) for _ in range(400)]
        self.rendered = [render_frame(form, values) for values in self.readings]

    @property
    def status(self) -> LineStatus:
        return self.source.status()

    def photometer(self, **faults: float) -> SimulatedPhotometer:
        return SimulatedPhotometer(self.form, self.link, seed=6, **faults)  # type: ignore[arg-type]  # ints among them

    def answer(self) -> bytes:
        """What the instrument hears next, or nothing after a while."""
        heard, until = b"", time.monotonic() + 2
        while not heard and time.monotonic() < until:
            heard = self.link.read(0.05)
        return heard

    def silence(self, seconds: float = 0.3) -> bytes:
        """What the instrument hears although it should hear nothing."""
        heard, until = b"", time.monotonic() + seconds
        while time.monotonic() < until:
            heard += self.link.read(0.05)
        return heard


@contextmanager
def listening(
    link: Link, form: Form = CHECKED, taker: Taker | None = None, **settings: object
) -> Iterator[Line]:
    line = Line(link, form, taker or Taker(), **settings)
    line.source.start()
    try:
        wait_for(lambda: line.status.opened or line.status.detail != "not opened yet")
        yield line
    finally:
        line.taker.free.set()
        line.taker.trouble = None
        line.source.stop()
        line.source.join(DEADLINE_S)
        assert not line.source.status().is_alive


@pytest.fixture
def link(tmp_path: Path) -> Iterator[PtyLink]:
    with closing(PtyLink(tmp_path / "photometer")) as made:
        yield made


def settled(line: Line) -> bool:
    """Every byte received has been handed over, and the counts say so."""
    status = line.status
    parts = status.bytes_in_frames + status.bytes_damaged + status.bytes_outside
    return status.bytes_waiting == 0 and parts == status.bytes_received


class TestArrival:
    def test_byte_by_byte(self, link: PtyLink) -> None:
        with listening(link) as line:
            sent = line.photometer(delay_s=0.002).send(line.readings[0])
            assert (sent.copies, sent.acknowledged) == (1, True)
            assert line.taker.frames == [sent.frame]

    def test_burst_in_order_with_a_name_and_a_time_each(self, link: PtyLink) -> None:
        before = datetime.now(UTC)
        with listening(link, PLAIN) as line:
            wait_for(lambda: "line_opened" in line.log.names)  # a pause has passed
            line.link.write(b"".join(line.rendered))
            wait_for(lambda: len(line.taker.frames) == 400)
            assert line.taker.frames == line.rendered
            assert len({arrival.name for arrival in line.taker.arrivals}) == 400
            times = [arrival.seen_at for arrival in line.taker.arrivals]
            assert before <= times[0]
            assert times == sorted(times)
            assert times[-1] <= datetime.now(UTC)
            assert settled(line)
            assert line.status.last_frame_at == times[-1]

    def test_every_byte_stands_in_one_arrival(self, link: PtyLink) -> None:
        with listening(link) as line:
            good = line.rendered[0]
            stream = b"\xff\x00noise" + good + b"\x02broken off" + good[:9] + good + b"\x00end"
            line.link.write(stream)
            wait_for(lambda: len(line.taker.stream) == len(stream))
            assert line.taker.stream == stream
            assert line.taker.frames == [good, good]
            wait_for(lambda: settled(line))
            status = line.status
            assert (status.frames, status.damaged) == (2, 2)
            assert status.bytes_outside == len(b"\xff\x00noise\x00end")

    def test_half_a_line_on_opening_is_kept_and_not_read(self, link: PtyLink) -> None:
        tail = b";12.5;mg/L;3\r\n"
        link.write(tail)
        with listening(link, PLAIN) as line:
            wait_for(lambda: line.taker.arrivals)
            arrival = line.taker.arrivals[0]
            assert (arrival.data, arrival.is_frame, arrival.damaged) == (tail, False, True)

    def test_stopping_hands_over_what_was_received(self, link: PtyLink) -> None:
        with listening(link, PLAIN) as line:
            line.taker.free.clear()
            line.link.write(b"1;2\r\n" * 3 + b"tail")
            wait_for(lambda: line.status.bytes_received == 19)
            line.source.stop()
            line.taker.free.set()
            line.source.join(5)
            assert line.taker.stream == b"1;2\r\n" * 3 + b"tail"


class TestAnswers:
    def test_nothing_is_acknowledged_before_it_is_durable(self, link: PtyLink) -> None:
        with listening(link) as line:
            line.taker.free.clear()
            line.link.write(line.rendered[0])
            wait_for(lambda: line.taker.calls)
            assert line.silence() == b""
            line.taker.free.set()
            assert line.answer() == ACK
            assert len(line.taker.arrivals) == 1

    def test_ledger_in_trouble_is_never_acknowledged_and_gets_the_same_again(
        self, link: PtyLink
    ) -> None:
        with listening(link) as line:
            line.taker.trouble = LedgerBusy("ledger.db", "another process writes", "wait")
            line.link.write(line.rendered[0])
            wait_for(lambda: line.taker.calls >= 3)
            assert line.silence(0.1) == b""
            assert "another process writes" in line.status.detail
            line.taker.trouble = None
            assert line.answer() == ACK
            assert line.taker.frames == [line.rendered[0]]
            wait_for(lambda: line.status.detail == "")
            waits = [name for name in line.log.names if name.startswith("line_ledger")]
            assert waits == ["line_ledger_waited", "line_ledger_took"]

    def test_slow_ledger_loses_nothing(self, link: PtyLink) -> None:
        with listening(link) as line:
            line.taker.free.clear()
            for frame in line.rendered:
                line.link.write(frame)
            wait_for(lambda: line.status.bytes_received == sum(map(len, line.rendered)))
            assert line.taker.arrivals == []
            line.taker.free.set()
            wait_for(lambda: len(line.taker.frames) == len(line.rendered))
            assert line.taker.frames == line.rendered
            # The instrument can only be waiting for the answer to its last message.
            wait_for(lambda: line.status.answers)
            assert line.silence() == ACK

    def test_full_backlog_stops_reading_and_goes_on_where_it_stopped(self, link: PtyLink) -> None:
        with listening(link, backlog_bytes=5000) as line:
            line.taker.free.clear()
            line.link.write(b"".join(line.rendered[:50]))
            wait_for(lambda: "line_backlog_filled" in line.log.names)
            assert "wait for the ledger" in line.status.detail
            line.taker.free.set()
            wait_for(lambda: len(line.taker.frames) == 50)
            assert line.taker.frames == line.rendered[:50]
            line.link.write(line.rendered[50])
            wait_for(lambda: line.status.detail == "")
            assert line.log.names.count("line_backlog_filled") == 1

    def test_damaged_frame_is_refused_and_then_read(self, link: PtyLink) -> None:
        with listening(link) as line:
            line.link.write(line.rendered[0].replace(b"COD", b"C0D"))
            assert line.answer() == NAK
            line.link.write(line.rendered[0])
            assert line.answer() == ACK
            # The line end behind the damaged frame belongs to nothing.
            first, between, second = line.taker.arrivals
            assert (between.data, between.is_frame, between.damaged) == (b"\r", False, False)
            assert (first.is_frame, first.damaged) == (False, True)
            assert "CRC-16/XMODEM check value" in first.fault
            assert (second.is_frame, second.again) == (True, False)

    def test_acknowledgement_of_an_old_frame_is_not_sent_for_a_new_one(
        self, link: PtyLink
    ) -> None:
        with listening(link) as line:
            line.taker.free.clear()
            line.link.write(line.rendered[0])
            wait_for(lambda: line.taker.calls == 1)
            line.link.write(line.rendered[1][:20])  # its patience is over, it has begun again
            wait_for(lambda: line.status.bytes_received == len(line.rendered[0]) + 20)
            line.taker.free.set()
            wait_for(lambda: len(line.taker.frames) == 1)
            assert line.silence(0.2) == b""
            line.link.write(line.rendered[1][20:])
            assert line.answer() == ACK
            assert line.silence(0.2) == b""

    def test_unreadable_frame_is_refused_a_few_times_and_then_let_go(self, link: PtyLink) -> None:
        taker = Taker()
        taker.understands = lambda _arrival: False
        with listening(link, taker=taker) as line:
            heard = []
            for _ in range(REFUSALS + 1):
                line.link.write(line.rendered[0])
                heard.append(line.answer())
            assert heard == [NAK] * REFUSALS + [ACK]
            assert line.log.names.count("line_refusals_ended") == 1
            assert line.taker.frames == [line.rendered[0]] * (REFUSALS + 1)
            line.link.write(line.rendered[1])
            assert line.answer() == NAK

    def test_noise_is_not_answered_for_ever(self, link: PtyLink) -> None:
        with listening(link) as line:
            for _ in range(60):
                line.link.write(b"\x02??\x03????")
                time.sleep(0.005)
            wait_for(lambda: line.status.bytes_received == 480)
            heard = line.silence(0.5)
            assert set(heard) <= set(NAK)
            assert len(heard) <= 20

    def test_form_without_answers_gets_none(self, link: PtyLink) -> None:
        with listening(link, PLAIN) as line:
            wait_for(lambda: "line_opened" in line.log.names)
            line.link.write(line.rendered[0])
            wait_for(lambda: line.taker.frames)
            assert line.silence() == b""
            assert line.status.answers == 0


class TestRepeats:
    def test_frame_after_a_lost_acknowledgement_is_again(self, link: PtyLink) -> None:
        with listening(link) as line:
            photometer = line.photometer(repeat=0.999999)
            photometer.send(line.readings[0])
            photometer.repeat = 0.0
            assert photometer.send(line.readings[1]).copies == 1
            first, *copies, other = line.taker.arrivals
            assert [arrival.again for arrival in (first, *copies, other)] == [
                False,
                *[True] * 5,
                False,
            ]
            assert line.status.again == 5

    def test_equal_frame_of_a_later_measurement_is_not(self, link: PtyLink) -> None:
        with listening(link, retransmit_window_s=0.2) as line:
            line.link.write(line.rendered[0])
            assert line.answer() == ACK
            assert line.silence(0.3) == b""
            line.link.write(line.rendered[0])
            assert line.answer() == ACK
            assert [arrival.again for arrival in line.taker.arrivals] == [False, False]


def replug_elsewhere(link: PtyLink, old: str) -> list[int]:
    """Put the plug back so that the device has another number; returns what holds the old one."""
    held = list(os.openpty())
    if os.ttyname(held[1]) != old:
        while held:
            os.close(held.pop())
    link.replug()
    return held


class TestLoss:
    def test_pulled_in_mid_frame_and_back_under_another_number(self, link: PtyLink) -> None:
        with listening(link) as line:
            line.link.write(line.rendered[0])
            assert line.answer() == ACK
            old = line.status.device
            line.link.write(line.rendered[1][:30])
            wait_for(lambda: line.status.bytes_received == len(line.rendered[0]) + 30)
            link.unplug()
            wait_for(lambda: line.status.state == "lost")
            assert "tried again until it works" in line.status.detail
            held = replug_elsewhere(link, old)
            sent = line.photometer().send(line.readings[1])
            assert sent.acknowledged
            assert line.status.device != old
            cut = line.taker.arrivals[1]
            assert (cut.data, cut.is_frame, cut.damaged) == (line.rendered[1][:30], False, True)
            assert line.taker.frames == line.rendered[:2]
            assert line.log.names == ["line_opened", "line_lost", "line_opened"]
            assert (line.status.state, line.status.detail, line.status.opened) == ("ok", "", 2)
            for fd in held:
                os.close(fd)

    def test_repetition_after_the_loss_is_again(self, link: PtyLink) -> None:
        with listening(link) as line:
            line.taker.free.clear()
            line.link.write(line.rendered[0])
            wait_for(lambda: line.taker.calls)
            link.unplug()
            wait_for(lambda: line.status.state == "lost")
            line.taker.free.set()
            link.replug()
            assert line.photometer().send(line.readings[0]).acknowledged
            assert [arrival.again for arrival in line.taker.arrivals] == [False, True]

    def test_long_absence_is_one_event(self, link: PtyLink) -> None:
        link.unplug()
        with listening(link) as line:
            wait_for(lambda: line.source._failures >= 4)
            assert line.log.names == ["line_lost"]
            link.replug()
            assert line.photometer(patience_s=20).send(line.readings[0]).acknowledged
            assert line.log.names == ["line_lost", "line_opened"]

    def test_port_in_use_is_refused_with_advice_and_comes_back(self, link: PtyLink) -> None:
        other = open_port(WireSettings(port=link.port))
        with listening(link) as line:
            wait_for(lambda: line.status.state == "refused")
            assert "fuser" in line.status.detail
            other.close()
            wait_for(lambda: line.status.state == "ok")
            wait_for(lambda: line.log.names == ["line_refused", "line_opened"])
            assert line.log.events[0][1]["remedy"].startswith("end that program")

    def test_port_that_opens_and_fails_at_once_makes_no_storm(self) -> None:
        link = TcpLink()
        stop = threading.Event()

        def slam() -> None:
            while not stop.is_set():
                if link.wait_for_client(0.02):
                    link._part()

        thread = threading.Thread(target=slam)
        thread.start()
        with listening(link) as line:
            wait_for(lambda: line.status.opened >= 3)
            assert line.log.names == ["line_lost"]
        stop.set()
        thread.join(5)
        link.close()

    def test_silence_is_noted_once_and_is_no_loss(self, link: PtyLink) -> None:
        with listening(link, quiet_alarm_s=0.1) as line:
            wait_for(lambda: line.status.is_quiet)
            wait_for(lambda: "line_opened" in line.log.names)
            assert (line.status.state, line.status.opened) == ("ok", 1)
            assert line.log.names.count("line_quiet") == 1
            assert line.photometer().send(line.readings[0]).acknowledged
            assert line.log.names.count("line_lost") == 0


class TestNetwork:
    def test_frames_over_tcp_through_a_restart_of_the_server(self) -> None:
        with closing(TcpLink()) as link, listening(link) as line:
            assert link.wait_for_client(5)
            photometer = line.photometer()
            assert all(photometer.send(values).acknowledged for values in line.readings[:20])
            link.write(line.rendered[20][:25])
            wait_for(lambda: line.status.bytes_received % len(line.rendered[0]))
            link.unplug()
            wait_for(lambda: line.status.state == "lost")
            link.replug()
            assert link.wait_for_client(20)
            assert photometer.send(line.readings[20]).acknowledged
            assert line.taker.frames == line.rendered[:21]
            assert line.log.names == ["line_opened", "line_lost", "line_opened"]
            assert settled(line)

    def test_quiet_connection_is_made_anew_without_an_event_of_loss(self) -> None:
        with closing(TcpLink()) as link, listening(link, quiet_alarm_s=0.2) as line:
            wait_for(lambda: line.status.opened >= 3)
            assert link.wait_for_client(5)
            assert set(line.log.names) <= {"line_opened", "line_quiet"}
            assert line.log.names.count("line_quiet") == 1

    @pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5
    def test_frames_and_answers_through_a_server_that_takes_settings(
        self, pair: tuple[int, str]
    ) -> None:
        ours, device = pair
        with served(device) as (url, far), rfc2217_line(url) as (source, taker):
            wait_for(lambda: source.status().opened)
            assert far.baudrate == 4800
            readings = invent_readings(CHECKED, begin=BEGIN)
            frames = [render_frame(CHECKED, next(readings)) for _ in range(10)]
            for number, frame in enumerate(frames, 1):
                os.write(ours, frame)
                assert os.read(ours, 100) == ACK
                assert len(taker.frames) == number
            assert taker.frames == frames


@contextmanager
def rfc2217_line(url: str) -> Iterator[tuple[LineSource, Taker]]:
    taker = Taker()
    settings = LineSettings(name="line", port=url, form=CHECKED, baud=4800, read_timeout_s=0.05)
    source = LineSource(settings, taker, KeptLog(), jitter=lambda: 0.0)
    source.start()
    try:
        yield source, taker
    finally:
        source.stop()
        source.join(DEADLINE_S)


@pytest.fixture
def pair() -> Iterator[tuple[int, str]]:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    for fd in (ours, theirs):
        os.close(fd)


class TestPolls:
    asked = changed(CHECKED, poll=b"?", poll_every_ms=40)

    def test_request_goes_out_at_the_interval_and_is_answered(self, link: PtyLink) -> None:
        with listening(link, self.asked) as line:
            served = line.photometer().serve(line.readings, threading.Event())
            sent = [next(served) for _ in range(5)]
            assert all(one.acknowledged for one in sent)
            assert line.taker.frames == line.rendered[:5]

    def test_request_on_demand(self, link: PtyLink) -> None:
        with listening(link, changed(CHECKED, poll=b"?")) as line:
            assert line.silence(0.2) == b""
            line.source.poll_now()
            assert line.answer() == b"?"
            assert line.silence(0.2) == b""

    def test_request_waits_for_the_end_of_a_frame(self, link: PtyLink) -> None:
        with listening(link, changed(CHECKED, poll=b"?")) as line:
            line.link.write(line.rendered[0][:20])
            wait_for(lambda: line.status.bytes_received == 20)
            line.source.poll_now()
            assert line.silence(0.2) == b""
            line.link.write(line.rendered[0][20:])
            assert line.answer()[:1] == ACK
            wait_for(lambda: line.taker.frames)

    def test_form_without_request_says_so(self, link: PtyLink) -> None:
        with listening(link) as line, pytest.raises(Refused, match="declares no request"):
            line.source.poll_now()


class TestNoise:
    @pytest.mark.parametrize(("rate", "count"), [(0.01, 25), (0.001, 200), (0.0001, 200)])
    def test_damage_is_asked_for_again_until_every_reading_is_there(
        self, link: PtyLink, rate: float, count: int
    ) -> None:
        with listening(link) as line:
            photometer = line.photometer(noise=rate, drop=rate / 2, patience_s=0.7, tries=20)
            sent: list[Sent] = [photometer.send(values) for values in line.readings[:count]]
            assert all(one.acknowledged for one in sent)
            # Each reading is there, in order, and nothing else is; copies are marked.
            fresh = [a.data for a in line.taker.arrivals if a.is_frame and not a.again]
            assert [data.rstrip(b"\r") for data in fresh] == [
                data.rstrip(b"\r") for data in line.rendered[:count]
            ]
            wait_for(lambda: settled(line))
            copies = sum(one.copies for one in sent)
            assert copies > count or rate < 0.001
            assert line.status.frames + line.status.damaged >= count
            assert line.status.refusals >= sum(one.refusals for one in sent)

    def test_noise_without_end_meets_the_limit_and_does_not_grow(self, link: PtyLink) -> None:
        with listening(link) as line:
            kept: list[int] = []

            def keep(arrival: LineArrival) -> bool:
                kept.append(len(arrival.data))
                return True

            line.taker.understands = keep
            noise = bytes(range(1, 256)) * 16  # every byte, so also starts and ends of frames
            sent = _make_noise(line, noise, until=300_000)
            line.taker.arrivals.clear()
            tracemalloc.start()
            try:
                sent += _make_noise(line, noise, until=1_200_000)
                line.taker.arrivals.clear()
                grown = tracemalloc.get_traced_memory()[0]
            finally:
                tracemalloc.stop()
            assert grown < 1_500_000
            assert max(kept) <= 65_536
            line.source.stop()
            line.source.join(5)
            assert sum(kept) == line.status.bytes_received == sent

    def test_line_of_nothing_but_zeros(self, link: PtyLink) -> None:
        with listening(link) as line:
            line.link.write(b"\0" * 1000)
            wait_for(lambda: settled(line) and line.status.bytes_outside == 1000)
            assert line.photometer().send(line.readings[0]).acknowledged


def _make_noise(line: Line, noise: bytes, *, until: int) -> int:
    """Send noise until so many bytes have been received; returns how many were sent."""
    before, sent = line.status.bytes_received, 0
    while line.status.bytes_received < until:
        line.link.write(noise)
        sent += len(noise)
        wait_for(_received(line, before + sent))
        line.taker.arrivals.clear()
    return sent


def _received(line: Line, size: int) -> Callable[[], bool]:
    return lambda: line.status.bytes_received == size


class TestManyLines:
    def test_sixty_four_lines_at_once_lose_nothing(self, tmp_path: Path) -> None:
        links = [PtyLink(tmp_path / f"photometer-{number}") for number in range(64)]
        lines = [Line(link, CHECKED, Taker()) for link in links]
        for line in lines:
            line.source.start()
        wait_for(lambda: all(line.status.opened for line in lines))
        sent: list[Sent] = []

        def talk(some: Sequence[Line]) -> None:
            for number in range(5):
                for line in some:
                    sent.append(line.photometer(patience_s=10.0).send(line.readings[number]))

        _in_parallel([lambda part=lines[at::8]: talk(part) for at in range(8)])  # type: ignore[misc]  # part is bound
        assert len(sent) == 320
        assert all(one.acknowledged and one.copies == 1 for one in sent)
        assert all(line.taker.frames == line.rendered[:5] for line in lines)
        # Idle lines cost next to nothing: at most half a core for all of them.
        spent, begun = time.process_time(), time.monotonic()
        wait_for(lambda: time.monotonic() - begun > 1.0)
        share = (time.process_time() - spent) / (time.monotonic() - begun)
        for line in lines:
            line.source.stop()
        for line in lines:
            line.source.join(5)
        for link in links:
            link.close()
        assert share < 0.5, share
        assert not any(line.status.is_alive for line in lines)


def _in_parallel(works: Sequence[Callable[[], None]]) -> None:
    threads = [threading.Thread(target=work) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)


def test_form_of_another_shape_is_refused() -> None:
    form = shipped("comma_table")
    settings = LineSettings(name="line", port="/dev/null", form=form)
    with pytest.raises(ValueError, match="is of shape table"):
        LineSource(settings, Taker(), KeptLog())
