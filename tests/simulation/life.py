"""One seed lived through: what happens at a site over weeks, event by event, each one checked."""

import heapq
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from ingestd.errors import StoreFull
from ingestd.pipeline.inputs import PLAN_SOURCE
from tests.simulation.folders import Folder
from tests.simulation.invariants import Watch
from tests.simulation.laboratory import FOLDERS, LINE
from tests.simulation.lines import Cable, Line
from tests.simulation.model_acts import release
from tests.simulation.printing import Printed
from tests.simulation.site import PowerCut, Site
from tests.simulation.truth import Measurement

CUTS = (
    "capture_written", "capture_committed", "slice_judged", "slice_committed", "plan_committed",
    "capture_failed",
)  # fmt: skip
NEXT_TRY_S = 60


@dataclass(frozen=True, slots=True)
class Weather:
    """How much goes wrong in this seed, each from 0 to 1."""

    cuts: float
    full: float
    people: float
    instruments: float
    cable: float


def weather(chance: random.Random) -> Weather:
    """Some seeds are calm in some things, so that a fault is not always hidden by another."""

    def share(most: float) -> float:
        return chance.choice((0.0, most / 3, most))

    return Weather(share(0.12), share(0.12), share(0.15), share(0.12), share(0.5))


@dataclass(order=True)
class _Due:
    at: datetime
    order: int
    what: str = field(compare=False)
    do: Callable[[], None] = field(compare=False)


class Life:
    """A site with everything around it.

    Attributes:
        trace: what happened, one line an event.
        sent: every measurement, with the run and position it is of.
    """

    def __init__(self, site: Site, chance: random.Random, conditions: Weather) -> None:
        self.site, self.chance, self.weather = site, chance, conditions
        self.watch = Watch(site)
        self.folders = {name: Folder(site, name) for name in (*FOLDERS, PLAN_SOURCE)}
        bad = conditions.cable
        cable = Cable(0.4 * bad, 0.2 * bad, 0.5 * bad, 0.3 * bad)
        self.line = Line(site, LINE, chance, cable)
        self.trace: list[str] = []
        self.sent: dict[Measurement, tuple[str, int]] = {}
        self.events = 0
        self._due: list[_Due] = []
        self._order = 0

    # --- time -------------------------------------------------------------------------------

    def later(self, at: datetime, what: str, do: Callable[[], None]) -> None:
        """Something is to happen at an instant."""
        self._order += 1
        heapq.heappush(self._due, _Due(at, self._order, what, do))

    def in_s(self, seconds: float, what: str, do: Callable[[], None]) -> None:
        """Something is to happen some seconds from now."""
        self.later(self.site.now + timedelta(seconds=seconds), what, do)

    def live(self) -> None:
        """Let everything happen in order; the invariants are checked after each event."""
        self.watch.check()
        while self._due:
            due = heapq.heappop(self._due)
            self.site.now = max(self.site.now + timedelta(milliseconds=1), due.at)
            self.note(due.what)
            due.do()
            self.settle()

    def settle(self) -> None:
        """After an event: note what was released by itself, and check."""
        self.events += 1
        note_released(self.site)
        self.watch.check()

    def note(self, what: str) -> None:
        """One line of the trace."""
        self.trace.append(f"{self.site.now:%m-%d %H:%M:%S} {what}")

    # --- hazards ----------------------------------------------------------------------------

    def risk(self, do: Callable[[], None], again: Callable[[], None]) -> None:
        """Do something that the power or the disk may stop; `again` is arranged if it did."""
        chance = self.chance
        dice = chance.random()
        try:
            if dice < self.weather.cuts:
                step = chance.choice(CUTS)
                with self.site.cut_at(step):
                    do()
            elif dice < self.weather.cuts + self.weather.full:
                with self.site.full_disk(chance.randrange(4)):
                    do()
            else:
                do()
        except StoreFull:
            self.note("  the disk is full")
            self.in_s(NEXT_TRY_S, "  tried again", again)
        except PowerCut:
            self.note("  the power goes")
            self.restart()
            again()

    def restart(self) -> None:
        """The program begins anew: folders are looked through, the line is opened."""
        try:
            if self.chance.random() < 0.2:
                with self.site.cut_at(self.chance.choice(("attempt_counted", "slice_judged"))):
                    self.site.restart()
            else:
                self.site.restart()
        except PowerCut:
            self.note("  and again while starting")
            self.site.restart()
        self.line.open()
        for name, folder in self.folders.items():
            folder.forget()
            for file in sorted(folder.files):
                self.look_later(name, file, 1.0)

    # --- sources ----------------------------------------------------------------------------

    def write(
        self,
        source: str,
        name: str,
        printed: Printed,
        then: Callable[[], None] | None = None,
    ) -> None:
        """A file is written and closed; the program notices."""
        self.folders[source].write(name, printed, then)
        self.look(source, name)

    def look_later(self, source: str, name: str, seconds: float = 2.1) -> None:
        """Look at a file again after the settling time."""
        self.in_s(seconds, f"look at {source}/{name}", lambda: self.look(source, name))

    def look(self, source: str, name: str) -> None:
        """The program looks at a file."""
        folder = self.folders[source]
        if name not in folder.files:
            return

        def do() -> None:
            if folder.look(name, self.site.clock()):
                self.look_later(source, name)

        self.risk(do, lambda: self.look_later(source, name))

    def transmit(self) -> None:
        """The instrument on the line sends what it has."""

        def do() -> None:
            self.site.now = max(self.site.now, self.line.send(self.site.now))
            if self.line.sending:
                self.in_s(600, "the line instrument tries again", self.transmit)

        self.risk(do, lambda: self.in_s(30, "the line instrument repeats", self.transmit))


def act(life: Life, by: str, what: Callable[[Any], Any]) -> bool:
    """One person's command; False if the power went before its end: nothing of it is left."""
    if life.chance.random() >= life.weather.cuts:
        life.site.act(by, what)
        return True
    try:
        life.site.act(by, what, cut=True)
    except PowerCut:
        life.note("  the power goes before the command has ended")
        life.restart()
    return False


def note_released(site: Site) -> None:
    """Results that the signed policy has released in this event are in force from now on."""
    for key in site.model.newly_accepted:
        row = site.ledger.conn.execute(
            "SELECT id, version FROM results WHERE run = ? AND sample = ?", key
        ).fetchone()
        if row is None:
            continue  # the check that follows says so
        ident, version = row
        release(site.model, key, version)
        site.decisions.append((ident, version, "released", None))
    site.model.newly_accepted.clear()
