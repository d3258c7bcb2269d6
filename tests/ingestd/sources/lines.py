"""What tests of serial lines share: forms, a log that is kept, a taker of arrivals."""

import threading
import time
from collections.abc import Callable
from importlib.resources import files
from typing import Any

from ingestd.sources.serial.settings import LineArrival
from parsers.forms import Form, load_form

DEADLINE_S = 20.0


def shipped(name: str) -> Form:
    return load_form((files("parsers") / "forms" / f"{name}.toml").read_bytes(), name)


def changed(form: Form, **frame: object) -> Form:
    """The form with other keys in its frame section."""
    assert form.frame is not None
    return form.model_copy(update={"frame": form.frame.model_copy(update=frame)})


def wait_for(what: Callable[[], object], deadline_s: float = DEADLINE_S) -> None:
    until = time.monotonic() + deadline_s
    while not what():
        assert time.monotonic() < until, "waited in vain"
        threading.Event().wait(0.005)


class KeptLog:
    """Events in order, with their keys."""

    def __init__(self) -> None:
        self.events: list[tuple[str, dict[str, Any]]] = []

    def info(self, event: str, /, **keys: Any) -> None:
        self.events.append((event, keys))

    warning = info

    @property
    def names(self) -> list[str]:
        return [event for event, _ in self.events]


class Taker:
    """Takes arrivals over as the ledger would; can be slow, in trouble, or not understand."""

    def __init__(self) -> None:
        self.arrivals: list[LineArrival] = []
        self.calls = 0
        self.trouble: Exception | None = None
        self.understands: Callable[[LineArrival], bool] = lambda _arrival: True
        self.free = threading.Event()
        self.free.set()

    def __call__(self, arrival: LineArrival) -> bool:
        self.calls += 1
        self.free.wait(DEADLINE_S)
        if self.trouble is not None:
            raise self.trouble
        self.arrivals.append(arrival)
        return self.understands(arrival)

    @property
    def frames(self) -> list[bytes]:
        return [arrival.data for arrival in self.arrivals if arrival.is_frame]

    @property
    def stream(self) -> bytes:
        return b"".join(arrival.data for arrival in self.arrivals)
