"""A simulated serial line: an instrument that repeats until it is heard, and a bad cable.

Cutting and the marking of repetitions are the program's own, with time passed in.
"""

import random
from dataclasses import dataclass
from datetime import datetime, timedelta

import parsers
from ingestd.errors import StoreFull
from ingestd.pipeline.forms import shipped_forms
from ingestd.sources.serial.backlog import Backlog, as_arrival
from ingestd.sources.serial.cutting import LineCutter
from ingestd.sources.serial.marks import Received
from tests.simulation.arriving import deliver_frame
from tests.simulation.printing import Printed, frame_of
from tests.simulation.site import Site
from tests.simulation.truth import Measurement

FORM = parsers.load_form(shipped_forms()["checked_line"], "checked_line")
TRIES = 6


@dataclass(frozen=True, slots=True)
class Cable:
    """How often something on the cable goes wrong, each from 0 to 1."""

    damaged: float = 0.1
    lost: float = 0.05
    answer_lost: float = 0.15
    noise: float = 0.1


class Line:
    """One line of a site; `sending` is what the instrument has not got rid of yet."""

    def __init__(self, site: Site, source: str, chance: random.Random, cable: Cable) -> None:
        assert FORM.frame is not None
        self.site, self.source, self.chance, self.cable = site, source, chance, cable
        self.openings = 0
        self.sending: list[Measurement] = []
        self.open()

    def open(self) -> None:
        """The port is opened (anew)."""
        assert FORM.frame is not None
        self.openings += 1
        at = self.site.now
        self._cutter = LineCutter(FORM.frame, opened_s=at.timestamp(), unfinished_s=10)
        self._cutter.quiet(at.timestamp() + 10)
        self._backlog = Backlog(limit_bytes=1 << 20, repeats_within_s=15)

    def send(self, at: datetime) -> datetime:
        """The instrument sends what it has not got rid of; returns when it has finished.

        Raises:
            PowerCut: what was not acknowledged is sent again once the line is open anew.
        """
        while self.sending:
            for _ in range(TRIES):
                at += timedelta(seconds=self.chance.choice((2, 5, 20)))
                if self._once(self.sending[0], at):
                    break
            else:
                return at  # it gives up for now and tries again later
            self.sending.pop(0)
        return at

    def _once(self, sent: Measurement, at: datetime) -> bool:
        """One transmission; True if the instrument hears that it was taken."""
        chance, cable = self.chance, self.cable
        data = frame_of(sent)
        if chance.random() < cable.noise:
            data = bytes(chance.choice(b"\x00\x7fUz\xff") for _ in range(3)) + data
        if chance.random() < cable.lost:
            return False
        if chance.random() < cable.damaged:
            place = chance.randrange(len(data))
            data = (
                data[:place] + bytes([data[place] ^ 1 << chance.randrange(8)]) + data[place + 1 :]
            )
        now_s = at.timestamp()
        pieces = self._cutter.receive(Received(data), at, now_s)
        pieces += self._cutter.quiet(now_s + 1.5)
        self._backlog.put(str(self.openings), pieces)
        was_taken = False
        while batch := self._backlog.take(now_s + 60):
            arrival = as_arrival(self.source, batch)
            printed = Printed("checked_line", arrival.data)
            if arrival.is_frame and _said(arrival.data) == _said(frame_of(sent)):
                printed.rows.append((sent, len(arrival.data), len(arrival.data)))
            try:
                was_taken = deliver_frame(self.site, arrival, printed) and arrival.is_frame
            except StoreFull:
                was_taken = deliver_frame(self.site, arrival, printed) and arrival.is_frame
            self._backlog.settle(batch)
        return was_taken and chance.random() >= cable.answer_lost


def _said(frame: bytes) -> tuple[bytes, bytes]:
    """What a frame says and its check value, whose letters may be of either case; the line end
    behind them is no part of it."""
    frame = frame.rstrip(b"\r")
    return frame[:-4], frame[-4:].upper()
