"""An instrument is asked for a reading now: a command tells the running service which line.

The two meet at a socket beside the ledger that only the service's own account may open. One
question a connection: the name of a line; one answer: nothing, or why not.
"""

import contextlib
import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from ingestd.errors import IngestError, Refused

_MOST: Final = 1000  # bytes of a question or an answer
_ASKER_S: Final = 0.2  # how long the service waits for somebody who has come and says nothing
_SERVICE_S: Final = 10.0  # how long the command waits for the service, which looks twice a second


class AskSocket:
    """The service's end.

    Args:
        ledger: path of the service's ledger, which it has to itself.
        ask: sends the request of a line by its name; raises why it cannot.
    """

    def __init__(self, ledger: Path, ask: Callable[[str], None]) -> None:
        self._path = _beside(ledger)
        self._ask = ask
        self._socket: socket.socket | None = None

    def open(self) -> None:
        """Begin to be there; what an earlier service left lying is taken away.

        A disk that knows no sockets is no reason to take nothing in: then nobody can ask.
        """
        before = os.umask(0o177)
        door = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._path.unlink(missing_ok=True)
            with _short(self._path) as address:
                door.bind(address)
            door.settimeout(0)  # nobody is waited for
            door.listen(5)
            self._socket = door
        except OSError:
            door.close()
        finally:
            os.umask(before)

    def answer(self) -> None:
        """Answer everybody who is waiting; return at once if nobody is."""
        with contextlib.suppress(OSError):
            while self._socket is not None:
                asker, _ = self._socket.accept()
                with asker, contextlib.suppress(OSError):
                    asker.settimeout(_ASKER_S)
                    name = asker.recv(_MOST).decode(errors="backslashreplace")
                    asker.sendall(self._try(name).encode())

    def _try(self, name: str) -> str:
        try:
            self._ask(name)
        except IngestError as error:
            return str(error)
        return ""

    def close(self) -> None:
        """Be gone; a name that cannot be taken away is taken away by the next service."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
            with contextlib.suppress(OSError):
                self._path.unlink()


def ask_service(ledger: Path, line: str) -> None:
    """Have the service that works on this ledger ask the instrument at a line for a reading.

    Raises:
        Refused: no service works there, or it says why it cannot.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as service:
        service.settimeout(_SERVICE_S)
        try:
            with _short(_beside(ledger)) as address:
                service.connect(address)
            service.sendall(line.encode())
            answer = service.recv(_MOST).decode()
        except OSError as error:
            raise Refused(
                str(ledger), f"no service answers for it ({error})", "see `ingestd status`"
            ) from error
    if answer:
        raise Refused("the service", answer)


def _beside(ledger: Path) -> Path:
    return Path(f"{ledger}.ask")


@contextlib.contextmanager
def _short(path: Path) -> Iterator[str]:
    """A name for the socket that fits the 107 bytes of an address, however deep its folder lies.

    Source: unix(7), sun_path; proc(5), /proc/self/fd.
    """
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)
