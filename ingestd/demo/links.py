"""The instrument's end of a wire that can be pulled and put back: a pseudo-terminal, or TCP."""

import contextlib
import os
import select
import socket
import termios
import time
import tty
from pathlib import Path
from typing import Final, Protocol

_CHUNK: Final = 65_536


class Link(Protocol):
    """What a simulated instrument needs of its wire."""

    @property
    def port(self) -> str:
        """What to write as the port into the configuration of whoever listens."""

    def read(self, timeout_s: float) -> bytes:
        """What has been sent to the instrument; nothing after `timeout_s` of silence."""

    def write(self, data: bytes) -> None:
        """Send; as on a real wire, what nobody takes is gone."""

    def unplug(self) -> None:
        """Pull the plug."""

    def replug(self) -> None:
        """Put it back; the device may have another number then."""


class PtyLink:
    """A pseudo-terminal behind a symbolic link, as an adapter has one under by-id.

    Args:
        path: the link; it leads to another device each time the plug is put back.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._ends: tuple[int, int] | None = None
        self.replug()

    @property
    def port(self) -> str:
        """The path of the link."""
        return str(self._path)

    def read(self, timeout_s: float) -> bytes:
        """See `Link`."""
        if self._ends is None:
            time.sleep(timeout_s)
            return b""
        ours, _ = self._ends
        if not _is_ready(ours, select.POLLIN, timeout_s):
            return b""
        try:
            return os.read(ours, _CHUNK)
        except OSError:
            return b""

    def write(self, data: bytes) -> None:
        """See `Link`."""
        while data and self._ends is not None:
            ours, _ = self._ends
            if not _is_ready(ours, select.POLLOUT, 1.0):
                return
            try:
                data = data[os.write(ours, data) :]
            except BlockingIOError:
                return

    def unplug(self) -> None:
        """See `Link`; the symbolic link goes, too."""
        if self._ends is None:
            return
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()
        ours, theirs = self._ends
        self._ends = None
        os.close(theirs)
        os.close(ours)

    def replug(self) -> None:
        """See `Link`."""
        if self._ends is not None:
            return
        ours, theirs = os.openpty()
        # We keep their end open, too: what is sent before anyone listens is then not lost.
        tty.setraw(theirs, termios.TCSANOW)
        os.set_blocking(ours, False)
        fresh = self._path.with_name(f".{self._path.name}.{os.getpid()}")
        fresh.symlink_to(os.ttyname(theirs))
        fresh.replace(self._path)
        self._ends = ours, theirs

    def close(self) -> None:
        """Take the wire away for good."""
        self.unplug()


class TcpLink:
    """A network serial server that passes bytes over plain TCP, for one client at a time.

    Args:
        host, number: where it listens; number 0 takes a free one, and keeps it.
    """

    def __init__(self, host: str = "127.0.0.1", number: int = 0) -> None:
        self._host, self._number = host, number
        self._server: socket.socket | None = None
        self._client: socket.socket | None = None
        self.replug()

    @property
    def port(self) -> str:
        """The address, as pyserial takes it."""
        return f"socket://{self._host}:{self._number}"

    def read(self, timeout_s: float) -> bytes:
        """See `Link`."""
        client = self._meet(timeout_s)
        if client is None or not _is_ready(client.fileno(), select.POLLIN, timeout_s):
            return b""
        try:
            data = client.recv(_CHUNK)
        except OSError:
            data = b""
        if not data:
            self._part()
        return data

    def write(self, data: bytes) -> None:
        """See `Link`."""
        client = self._meet(0.0)
        if client is not None:
            try:
                client.sendall(data)
            except OSError:
                self._part()

    def wait_for_client(self, timeout_s: float) -> bool:
        """Whether somebody is connected, after at most so long."""
        return self._meet(timeout_s) is not None

    def unplug(self) -> None:
        """See `Link`."""
        self._part()
        if self._server is not None:
            self._server.close()
            self._server = None

    def replug(self) -> None:
        """See `Link`."""
        if self._server is None:
            self._server = socket.create_server((self._host, self._number))
            self._number = self._server.getsockname()[1]

    def close(self) -> None:
        """Take the wire away for good."""
        self.unplug()

    def _meet(self, timeout_s: float) -> socket.socket | None:
        """The client; a new one takes the place of the one before."""
        if self._server is None:
            time.sleep(timeout_s)
            return None
        wait = 0.0 if self._client is not None else timeout_s
        if _is_ready(self._server.fileno(), select.POLLIN, wait):
            self._part()
            self._client, _ = self._server.accept()
            self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._client.settimeout(1.0)
        return self._client

    def _part(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None


def _is_ready(fd: int, event: int, timeout_s: float) -> bool:
    ready = select.poll()
    ready.register(fd, event)
    return any(found & event for _, found in ready.poll(timeout_s * 1000))
