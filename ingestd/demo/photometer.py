"""A simulated photometer: speaks any frame form over a wire that can be as bad as a real one.

It sends a message, waits for the acknowledgement where the form declares one, and repeats after
a refusal or after silence, as instruments do. Used by the demonstration and by the tests, and by
whoever wants to try a configuration before the instrument is there.
"""

import random
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from ingestd.demo.links import Link
from ingestd.demo.rendering import print_time, render_frame
from parsers.forms import Form

_SHORT_WAIT_S: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """What became of one message.

    Attributes:
        frame: its bytes before the wire had its way with them.
        copies: how often it was sent.
        refusals: refusals heard.
        acknowledged: an acknowledgement was heard; False also where the form declares none.
    """

    frame: bytes
    copies: int
    refusals: int
    acknowledged: bool


class SimulatedPhotometer:
    """An instrument at the other end of a wire.

    Args:
        form: a form of shape frame.
        link: the wire.
        seed: the same seed makes the same faults.
        noise: chance that a byte is replaced by another one.
        drop: chance that a byte is lost.
        repeat: chance that an acknowledgement is not heard, so that the message is sent again.
        delay_s: pause between two bytes.
        patience_s: how long it waits for an answer before it sends again.
        tries: how often it sends a message before it gives up.
    """

    def __init__(
        self,
        form: Form,
        link: Link,
        *,
        seed: int = 0,
        noise: float = 0.0,
        drop: float = 0.0,
        repeat: float = 0.0,
        delay_s: float = 0.0,
        patience_s: float = 2.0,
        tries: int = 6,
    ) -> None:
        if form.frame is None:
            raise ValueError(f"form {form.name} is of shape {form.shape}, not frame")
        self.link = link
        self.noise, self.drop, self.repeat, self.delay_s = noise, drop, repeat, delay_s
        self._form = form
        self._rules = form.frame
        self._chance = random.Random(seed)
        self._patience_s = patience_s
        self._tries = tries
        self._heard = b""

    def send(self, values: Mapping[str, str]) -> Sent:
        """Send one reading, given as the texts of its fields, until it is acknowledged."""
        frame = render_frame(self._form, values)
        if not self._rules.acknowledge:
            self.say(frame)
            return Sent(frame=frame, copies=1, refusals=0, acknowledged=False)
        refusals = 0
        for copy in range(1, self._tries + 1):
            self._heard = b""
            self.say(frame)
            answer = self._listen()
            refusals += answer == self._rules.refuse != b""
            if answer == self._rules.acknowledge and self._chance.random() >= self.repeat:
                return Sent(frame=frame, copies=copy, refusals=refusals, acknowledged=True)
        return Sent(frame=frame, copies=self._tries, refusals=refusals, acknowledged=False)

    def serve(
        self, readings: Iterable[Mapping[str, str]], stopping: threading.Event
    ) -> Iterator[Sent]:
        """Send the next reading each time the form's request is heard.

        Raises:
            ValueError: the form declares no request.
        """
        if not self._rules.poll:
            raise ValueError(f"form {self._form.name} declares no request (frame.poll)")
        heard = b""
        for values in readings:
            while self._rules.poll not in heard:
                if stopping.is_set():
                    return
                heard += self.link.read(_SHORT_WAIT_S)
            _, _, heard = heard.partition(self._rules.poll)
            yield self.send(values)

    def say(self, data: bytes) -> None:
        """Put bytes on the wire, with its faults."""
        disturbed = disturb(data, self._chance, noise=self.noise, drop=self.drop)
        if not self.delay_s:
            self.link.write(disturbed)
            return
        for at in range(len(disturbed)):
            self.link.write(disturbed[at : at + 1])
            time.sleep(self.delay_s)

    def _listen(self) -> bytes:
        """The answer heard first; nothing if there is none in time."""
        wanted = [mark for mark in (self._rules.acknowledge, self._rules.refuse) if mark]
        until = time.monotonic() + self._patience_s
        while (left := until - time.monotonic()) > 0:
            found = {self._heard.find(mark): mark for mark in wanted if mark in self._heard}
            if found:
                return found[min(found)]
            self._heard += self.link.read(min(left, _SHORT_WAIT_S))
        return b""


def disturb(data: bytes, chance: random.Random, *, noise: float, drop: float = 0.0) -> bytes:
    """`data` after a bad wire: each byte replaced with probability `noise`, lost with `drop`."""
    if not noise and not drop:
        return data
    result = bytearray()
    for byte in data:
        fate = chance.random()
        if fate < drop:
            continue
        result.append(byte ^ chance.randrange(1, 256) if fate < drop + noise else byte)
    return bytes(result)


def invent_readings(
    form: Form,
    *,
    begin: datetime,
    seed: int = 0,
    samples: Callable[[int], str] = lambda number: f"S-{number:03d}",
    every: timedelta = timedelta(minutes=1),
) -> Iterator[dict[str, str]]:
    """Texts of the fields of one invented reading after the other, without end.

    Args:
        form: a form of shape frame.
        begin: wall time of the first reading.
        seed: the same seed invents the same readings.
        samples: the text for sample number 1, 2, 3 …
        every: time between two readings.
    """
    chance = random.Random(seed)
    number = 0
    while True:
        number += 1
        at = begin + (number - 1) * every
        value = f"{chance.randrange(20, 1500) / 10:.1f}"
        invented = {
            "sequence": str(number),
            "sample": samples(number),
            "method": "COD",
            "value": value.replace(".", form.numbers.decimal or "."),
            "unit": "mg/L",
            "dilution": "1",
            "absorbance": f"0{form.numbers.decimal or '.'}{chance.randrange(50, 900):03d}",
            "position": str((number - 1) % 12 + 1),
        }
        yield {name: _text(form, name, at, invented) for name in _given(form)}


def _given(form: Form) -> list[str]:
    return [name for name, field in form.fields.items() if field.constant is None]


def _text(form: Form, name: str, at: datetime, invented: Mapping[str, str]) -> str:
    field = form.fields[name]
    if form.kind(name) in ("date", "time", "datetime"):
        return print_time(field.patterns[0], at, field.months)
    return invented.get(name, "")
