"""Real pseudo-terminals, real TCP, and pyserial's own server for RFC 2217."""

import errno
import os
import socket
import subprocess
import termios
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, cast

import pytest
import serial
from serial.rfc2217 import PortManager

from ingestd.sources.serial.port import Port, open_port
from ingestd.sources.serial.port_faults import (
    PortLost,
    PortRefused,
    check_settings,
    opening,
    port_advice,
    using,
)
from ingestd.sources.serial.settings import WireSettings

EVERY_BYTE = bytes(range(256))


@pytest.fixture
def pair() -> Iterator[tuple[int, str]]:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    for fd in (ours, theirs):
        os.close(fd)


def read_until(port: Port, size: int, deadline_s: float = 5.0) -> bytes:
    data, until = b"", time.monotonic() + deadline_s
    while len(data) < size and time.monotonic() < until:
        data += port.read(0.05).data
    return data


class TestDevice:
    def test_every_byte_comes_and_goes_as_it_is(self, pair: tuple[int, str]) -> None:
        ours, name = pair
        with closing(open_port(WireSettings(port=name))) as port:
            os.write(ours, EVERY_BYTE)
            assert read_until(port, 256) == EVERY_BYTE
            assert port.write(EVERY_BYTE)
            assert os.read(ours, 1000) == EVERY_BYTE

    def test_kernel_is_asked_to_mark_damaged_bytes(self, pair: tuple[int, str]) -> None:
        ours, name = pair
        with closing(open_port(WireSettings(port=name))):
            flags = termios.tcgetattr(ours)[0]
        assert flags & (termios.INPCK | termios.PARMRK) == termios.INPCK | termios.PARMRK
        assert not flags & (termios.IGNPAR | termios.ISTRIP)

    def test_what_came_before_opening_is_kept(self, pair: tuple[int, str]) -> None:
        ours, name = pair
        os.write(ours, EVERY_BYTE + b"\xff\x00")
        with closing(open_port(WireSettings(port=name))) as port:
            os.write(ours, b"\xff\x00later")
            assert read_until(port, 265) == EVERY_BYTE + b"\xff\x00\xff\x00later"

    def test_silence_gives_nothing_in_time(self, pair: tuple[int, str]) -> None:
        with closing(open_port(WireSettings(port=pair[1]))) as port:
            begun = time.monotonic()
            assert port.read(0.05).data == b""
            assert 0.04 <= time.monotonic() - begun < 2

    def test_link_is_followed_when_opened(self, pair: tuple[int, str], tmp_path: Path) -> None:
        link = tmp_path / "by-id"
        link.symlink_to(pair[1])
        with closing(open_port(WireSettings(port=str(link)))) as port:
            assert port.device == pair[1]

    def test_closing_the_other_end_is_a_loss(self) -> None:
        ours, theirs = os.openpty()
        port = open_port(WireSettings(port=os.ttyname(theirs)))
        os.close(theirs)
        os.close(ours)
        with pytest.raises(PortLost):
            port.read(1.0)
        with pytest.raises(PortLost):
            port.write(b"x")
        assert port.close() == b""

    def test_absent_device_is_lost(self, tmp_path: Path) -> None:
        with pytest.raises(PortLost, match="no such file"):
            open_port(WireSettings(port=str(tmp_path / "none")))

    def test_file_is_no_port(self, tmp_path: Path) -> None:
        (tmp_path / "file").touch()
        with pytest.raises(PortRefused, match="check port and settings"):
            open_port(WireSettings(port=str(tmp_path / "file")))

    def test_settings_that_the_device_drops_silently_are_refused(
        self, pair: tuple[int, str]
    ) -> None:
        # pty(7) devices have no parity: the kernel keeps 8 bits without one.
        with pytest.raises(PortRefused, match=r"7E1|7 bits"):
            open_port(WireSettings(port=pair[1], bits=7, parity="even"))

    def test_line_that_takes_nothing_is_given_up_in_time(self, pair: tuple[int, str]) -> None:
        wire = WireSettings(port=pair[1], write_timeout_s=0.1)
        with closing(open_port(wire)) as port:
            begun = time.monotonic()
            assert not port.write(b"x" * 1_000_000)
            assert time.monotonic() - begun < 5


class TestExclusive:
    def test_second_program_that_asks_is_refused_with_advice(self, pair: tuple[int, str]) -> None:
        wire = WireSettings(port=pair[1])
        with closing(open_port(wire)), pytest.raises(PortRefused, match="fuser") as refused:
            open_port(wire)
        assert refused.value.problem == "another program has it open"
        open_port(wire).close()

    def test_other_user_who_does_not_ask_is_refused_too(self, pair: tuple[int, str]) -> None:
        Path(pair[1]).chmod(0o666)
        user = 65_534 if os.geteuid() == 0 else None  # a privileged opener is never refused

        def try_it() -> str:
            command = ["sh", "-c", f"exec 3<>{pair[1]}"]
            return subprocess.run(
                command, user=user, capture_output=True, text=True, check=False
            ).stderr

        with closing(open_port(WireSettings(port=pair[1]))):
            assert os.strerror(errno.EBUSY) in try_it()
        assert try_it() == ""

    def test_shared_port_may_be_opened_twice(self, pair: tuple[int, str]) -> None:
        wire = WireSettings(port=pair[1], exclusive=False)
        with closing(open_port(wire)), closing(open_port(wire)) as second:
            assert second.device == pair[1]


WIRE = WireSettings(port="/dev/serial/by-id/none", bits=7, parity="even")


# The exceptions that pyserial, termios and the kernel were seen to raise for a port that is gone.
@pytest.mark.parametrize(
    "error",
    [
        serial.SerialException("device reports readiness to read but returned no data"),
        OSError(errno.EIO, "Input/output error"),
        termios.error(errno.EIO, "Input/output error"),
        TypeError("argument must be an int, or have a fileno() method"),
        ValueError("file descriptor cannot be a negative integer"),
    ],
)
def test_every_way_of_being_gone_is_a_loss(error: Exception) -> None:
    with pytest.raises(PortLost, match="check cable"), using(WIRE):
        raise error


@pytest.mark.parametrize(
    ("number", "kind", "words"),
    [
        (errno.ENOENT, PortLost, "no such file"),
        (errno.ENXIO, PortLost, "no such device"),
        (errno.EACCES, PortRefused, "usermod -aG dialout ACCOUNT"),
        (errno.EPERM, PortRefused, "SupplementaryGroups=dialout"),
        (errno.EBUSY, PortRefused, "another program has it open"),
        (errno.EAGAIN, PortRefused, "end that program"),
        (errno.EINVAL, PortRefused, "cannot be opened with 9600 7E1: invalid argument"),
    ],
)
def test_opening_says_what_to_do(number: int, kind: type[Exception], words: str) -> None:
    with pytest.raises(kind, match=words), opening(WIRE):
        raise serial.SerialException(number, "could not open port")


@pytest.mark.parametrize(
    ("wire", "flags", "denied"),
    [
        (WireSettings(port="p"), termios.CS8, ""),
        (WireSettings(port="p"), termios.CS7, "8 bits"),
        (WireSettings(port="p"), termios.CS8 | termios.PARENB, "parity none"),
        (WireSettings(port="p", stop_bits=2), termios.CS8, "2 stop bits"),
        (WireSettings(port="p", bits=7, parity="even"), termios.CS7 | termios.PARENB, ""),
        (WireSettings(port="p", bits=7, parity="odd"), termios.CS7 | termios.PARENB, "parity odd"),
        (
            WireSettings(port="p", bits=7, parity="mark"),
            termios.CS7 | termios.PARENB | termios.PARODD,
            "parity mark",
        ),
        (WireSettings(port="p", baud=19_200), termios.CS8, "19200 baud"),
    ],
)
def test_settings_are_compared_with_what_the_device_took(
    wire: WireSettings, flags: int, denied: str
) -> None:
    if not denied:
        check_settings(wire, flags, termios.B9600)
        return
    with pytest.raises(PortRefused, match=f"the device does not do {denied};"):
        check_settings(wire, flags, termios.B9600)


class TestAdvice:
    def test_number_that_may_change_is_pointed_out_with_its_link(self, tmp_path: Path) -> None:
        (tmp_path / "usb-adapter_0042").symlink_to("/dev/ttyUSB7")
        *_, said = port_advice(WireSettings(port="/dev/ttyUSB7"), by_id=tmp_path)
        assert said.endswith(f"after replugging; use {tmp_path}/usb-adapter_0042")
        *_, said = port_advice(WireSettings(port="/dev/ttyACM7"), by_id=tmp_path)
        assert said.endswith("or by-path")

    def test_absent_port_is_waited_for(self, tmp_path: Path) -> None:
        wire = WireSettings(port=str(tmp_path / "none"))
        assert port_advice(wire) == [f"{wire.port} is not there at present; it is waited for"]

    def test_good_port_needs_none(self, pair: tuple[int, str]) -> None:
        assert port_advice(WireSettings(port=pair[1])) == []

    def test_settings_that_do_nothing_are_pointed_out(self) -> None:
        wire = WireSettings(port="socket://127.0.0.1:4001", baud=4800)
        assert "set 4800 8N1 on the server" in port_advice(wire)[0]
        assert port_advice(WireSettings(port="socket://127.0.0.1:4001")) == []
        assert port_advice(WireSettings(port="rfc2217://127.0.0.1:4001", baud=4800)) == []


class TestNetwork:
    def test_bytes_sent_on_connecting_are_kept(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            number = server.getsockname()[1]

            def greet() -> None:
                client, _ = server.accept()
                with client:
                    client.sendall(EVERY_BYTE)
                    client.recv(1)

            thread = threading.Thread(target=greet)
            thread.start()
            with closing(open_port(WireSettings(port=f"socket://127.0.0.1:{number}"))) as port:
                assert read_until(port, 256) == EVERY_BYTE
                assert port.write(b".")
                with pytest.raises(PortLost):
                    read_until(port, 1)
            thread.join(5)

    def test_nobody_there_is_lost_and_a_wrong_address_refused(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            number = server.getsockname()[1]
        with pytest.raises(PortLost, match="connection refused; check server and network"):
            open_port(WireSettings(port=f"socket://127.0.0.1:{number}"))
        with pytest.raises(PortRefused):
            open_port(WireSettings(port="socket://127.0.0.1:99999"))
        with pytest.raises(PortRefused, match="use socket:// or rfc2217://"):
            open_port(WireSettings(port="carrier://pigeon"))


class _Connection:
    """What pyserial's server side writes to."""

    def __init__(self, client: socket.socket) -> None:
        self.write = client.sendall


class _NoModemLines(serial.Serial):
    """A pseudo-terminal has no modem lines, which the server side wants to report."""

    cts = dsr = ri = cd = property(lambda _self: False)

    def _update_rts_state(self) -> None:
        pass

    def _update_dtr_state(self) -> None:
        pass


@contextmanager
def served(device: str) -> Iterator[tuple[str, serial.Serial]]:
    """A device behind pyserial's own RFC 2217 server side, for one client."""
    line = _NoModemLines(device, timeout=0.02)
    server = socket.create_server(("127.0.0.1", 0))
    ended = threading.Event()

    def pass_on() -> None:
        client, _ = server.accept()
        client.settimeout(0.02)
        manager = PortManager(cast("Any", line), cast("Any", _Connection(client)))
        with client:
            while not ended.is_set():
                try:
                    data = client.recv(1024)
                except TimeoutError:
                    data = b""
                line.write(b"".join(manager.filter(data)))
                if heard := line.read(line.in_waiting or 1):
                    client.sendall(b"".join(manager.escape(heard)))

    thread = threading.Thread(target=pass_on)
    thread.start()
    try:
        yield f"rfc2217://127.0.0.1:{server.getsockname()[1]}", line
    finally:
        ended.set()
        thread.join(5)
        server.close()
        line.close()


# pyserial 3.5 still names its threads in the old way.
@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
class TestRfc2217:
    def test_settings_reach_the_far_device_and_every_byte_comes(
        self, pair: tuple[int, str]
    ) -> None:
        ours, name = pair
        with served(name) as (url, line):
            wire = WireSettings(port=url, baud=19_200, stop_bits=2, read_timeout_s=0.02)
            with closing(open_port(wire)) as port:
                assert (line.baudrate, line.stopbits) == (19_200, 2)
                os.write(ours, EVERY_BYTE)
                assert read_until(port, 256) == EVERY_BYTE
                assert port.write(EVERY_BYTE)
                heard, until = b"", time.monotonic() + 5
                while len(heard) < 256 and time.monotonic() < until:
                    heard += os.read(ours, 1000)
                assert heard == EVERY_BYTE

    def test_bytes_before_the_loss_are_had_on_closing(self, pair: tuple[int, str]) -> None:
        ours, name = pair
        with served(name) as (url, _):
            port = open_port(WireSettings(port=url, read_timeout_s=0.02))
            os.write(ours, b"x")
            assert read_until(port, 1) == b"x"
            os.write(ours, b"last words")
            until = time.monotonic() + 5
            while port._line.in_waiting < 10:
                assert time.monotonic() < until
                threading.Event().wait(0.01)
        until = time.monotonic() + 5
        heard = b""
        with pytest.raises(PortLost):  # noqa: PT012 - the loss shows at one of several reads
            while time.monotonic() < until:
                heard += port.read(0.02).data
        assert heard + port.close() == b"last words"
