"""The service manager's side of the talk: a real socket in NOTIFY_SOCKET's place."""

import os
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

DEADLINE_S = 20.0


def until(what: Callable[[], object], deadline_s: float = DEADLINE_S) -> None:
    """Wait until something is true; fail if it does not become so."""
    end = time.monotonic() + deadline_s
    while not what():
        if time.monotonic() > end:
            raise AssertionError("it did not happen in time")
        time.sleep(0.01)


class Manager:
    """Keeps every datagram it gets, as lines, with the moment it came."""

    def __init__(self, listener: socket.socket) -> None:
        self._listener = listener
        self.heard: list[tuple[float, list[str]]] = []

    def listen(self) -> None:
        """Take in what has come."""
        while True:
            try:
                data = self._listener.recv(65_536)
            except BlockingIOError:
                return
            self.heard.append((time.monotonic(), data.decode().split("\n")))

    def words(self) -> list[str]:
        """Every line so far."""
        self.listen()
        return [word for _, datagram in self.heard for word in datagram]

    def count(self, word: str) -> int:
        """How often a line came."""
        return self.words().count(word)

    def forget(self) -> None:
        """Begin anew."""
        self.listen()
        self.heard.clear()


@contextmanager
def managed(address: str) -> Iterator[Manager]:
    """A manager at an address as NOTIFY_SOCKET gives it; @ begins an abstract one."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
    listener.bind("\0" + address[1:] if address.startswith("@") else address)
    try:
        yield Manager(listener)
    finally:
        listener.close()


def environment(monkeypatch: pytest.MonkeyPatch, address: str, watchdog_s: float = 0.0) -> None:
    """What systemd puts into the environment of a unit with Type=notify."""
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    if watchdog_s:
        monkeypatch.setenv("WATCHDOG_USEC", str(int(watchdog_s * 1_000_000)))
        monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
