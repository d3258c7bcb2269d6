"""An open port: bytes in as they arrive, bytes out, each within a finite time.

pyserial opens, sets and writes. Two things that it does are undone. It empties the input buffer
on opening, where a network serial server has just sent what it kept for us. And it takes bytes
with a wrong parity for good ones: here the kernel is asked to mark them, so that a message which
nothing but the parity bit protects is not read with a wrong digit in it (termios(3): INPCK,
PARMRK).

One thread opens, reads and closes; another may write meanwhile, never while it is being closed.
"""

import contextlib
import fcntl
import os
import select
import socket
import termios
from collections.abc import Callable
from pathlib import Path
from queue import Empty, Queue
from typing import Final
from urllib.parse import urlsplit

import serial
from serial import rfc2217
from serial.urlhandler import protocol_socket

from ingestd.sources.serial.marks import MarkReader, Received
from ingestd.sources.serial.port_faults import (
    GONE,
    PortLost,
    PortRefused,
    check_settings,
    opening,
    using,
)
from ingestd.sources.serial.settings import WireSettings

_CHUNK: Final = 65_536
_PARITY: Final = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}
_KEEPALIVE: Final = (
    (socket.TCP_KEEPIDLE, 30),
    (socket.TCP_KEEPINTVL, 10),
    (socket.TCP_KEEPCNT, 3),
)


class Port:
    """An open port of any kind.

    Args:
        wire: how it was opened.
        line: pyserial's side of it.
        read: waits for bytes, at most so many seconds.
        rest: what had been received and not been read when the port was lost.
        release: undoes what was done to a device beyond opening it.
        is_marked: damaged bytes are marked in what `read` gives.
        early: bytes received before marking began.
        device: where the port's path led when it was opened.
    """

    def __init__(
        self,
        wire: WireSettings,
        line: "Line",
        read: Callable[[float], bytes],
        *,
        rest: Callable[[], bytes] = bytes,
        release: Callable[[], None] = lambda: None,
        is_marked: bool = False,
        early: bytes = b"",
        device: str = "",
    ) -> None:
        self.device = device or wire.port
        self._wire = wire
        self._line = line
        self._read = read
        self._rest = rest
        self._release = release
        self._marks = MarkReader() if is_marked else None
        self._early = early

    def read(self, timeout_s: float) -> Received:
        """What has arrived; nothing after `timeout_s` of silence.

        Raises:
            PortLost: the port is gone.
        """
        if self._early:
            early, self._early = self._early, b""
            return Received(early)
        with using(self._wire):
            data = self._read(timeout_s)
        return self._marks.read(data) if self._marks else Received(data)

    def write(self, data: bytes) -> bool:
        """Send all of `data`; False if the line took too long to take it.

        Raises:
            PortLost: the port is gone.
        """
        with using(self._wire):
            try:
                self._line.write(data)
            except serial.SerialTimeoutException:
                return False
            return True

    def close(self) -> bytes:
        """Give the port back, also one that is gone; returns what it still held."""
        with contextlib.suppress(*GONE):
            self._release()
        with contextlib.suppress(*GONE):
            self._line.close()
        early, self._early = self._early, b""
        return early + self._rest()


def open_port(wire: WireSettings) -> Port:
    """The opened port.

    Raises:
        PortLost: it is not there.
        PortRefused: no permission, in use by another, or the settings cannot be had.
    """
    scheme = urlsplit(wire.port).scheme if wire.is_network else "device"
    kinds = {"device": _open_device, "socket": _open_socket, "rfc2217": _open_remote}
    if scheme not in kinds:
        raise PortRefused(
            wire.port, f"ports of kind {scheme}:// are not known", "use socket:// or rfc2217://"
        )
    with opening(wire):
        return kinds[scheme](wire)


class _Device(serial.Serial):
    """A device of this machine."""

    def _reset_input_buffer(self) -> None:
        """Opening throws nothing away."""


class _Plain(protocol_socket.Serial):
    """Bytes over TCP, nothing else."""

    def reset_input_buffer(self) -> None:
        """Opening throws nothing away."""


class _Remote(rfc2217.Serial):
    """Bytes and settings over TCP (RFC 2217); a thread of pyserial's own receives."""

    _read_buffer: "Queue[bytes | None]"

    def reset_input_buffer(self) -> None:
        """Opening throws nothing away."""

    def drain(self) -> bytes:
        """All that has been received and not been read."""
        data = bytearray()
        with contextlib.suppress(Empty):
            while True:
                data += self._read_buffer.get_nowait() or b""
        return bytes(data)


Line = _Device | _Plain | _Remote


def _set(line: Line, wire: WireSettings) -> None:
    line.port = wire.port
    line.baudrate = wire.baud
    line.bytesize = wire.bits
    line.parity = _PARITY[wire.parity]
    line.stopbits = wire.stop_bits
    line.xonxoff = wire.flow == "xonxoff"
    line.rtscts = wire.flow == "rtscts"
    line.dsrdtr = wire.flow == "dsrdtr"


def _open_device(wire: WireSettings) -> Port:
    line = _Device(exclusive=True if wire.exclusive else None, write_timeout=wire.write_timeout_s)
    _set(line, wire)
    line.open()
    try:
        fd = line.fileno()
        if wire.exclusive:
            # The lock that pyserial takes binds only those who ask for it; this binds the rest.
            fcntl.ioctl(fd, termios.TIOCEXCL)
        read = _reader(fd, wire)
        early = read(0.0)
        modes = termios.tcgetattr(fd)
        modes[0] |= termios.INPCK | termios.PARMRK
        modes[0] &= ~(termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP)
        termios.tcsetattr(fd, termios.TCSANOW, modes)
        _, _, flags, _, _, speed, _ = termios.tcgetattr(fd)
        check_settings(wire, flags, speed)
    except BaseException:
        line.close()
        raise

    def release() -> None:
        if wire.exclusive:
            fcntl.ioctl(fd, termios.TIOCNXCL)

    return Port(
        wire,
        line,
        read,
        release=release,
        is_marked=True,
        early=early,
        device=str(Path(wire.port).resolve()),
    )


def _open_socket(wire: WireSettings) -> Port:
    line = _Plain(write_timeout=wire.write_timeout_s)
    _set(line, wire)
    line.open()
    try:
        fd = line.fileno()
        with socket.socket(fileno=os.dup(fd)) as peer:
            # The kernel then notices within a minute a peer that is gone without a word.
            peer.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            for option, value in _KEEPALIVE:
                peer.setsockopt(socket.IPPROTO_TCP, option, value)
    except BaseException:
        line.close()
        raise
    return Port(wire, line, _reader(fd, wire))


def _open_remote(wire: WireSettings) -> Port:
    # pyserial knows no write timeout here, and to change the timeout of reading would negotiate
    # all settings again: so it is fixed.
    line = _Remote(timeout=wire.read_timeout_s)
    _set(line, wire)
    line.open()

    def read(_timeout_s: float) -> bytes:
        first = line.read(1)
        return first + line.drain() if first else b""

    return Port(wire, line, read, rest=line.drain)


def _reader(fd: int, wire: WireSettings) -> Callable[[float], bytes]:
    """Reading straight from the descriptor: no byte is lost when the port goes in mid-read."""
    ready = select.poll()
    ready.register(fd, select.POLLIN)

    def read(timeout_s: float) -> bytes:
        if not ready.poll(timeout_s * 1000):
            return b""
        try:
            data = os.read(fd, _CHUNK)
        except BlockingIOError:
            return b""
        if not data:
            raise PortLost(wire.port, "the other end is gone", "check cable and adapter")
        return data

    return read
