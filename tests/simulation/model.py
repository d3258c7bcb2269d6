"""The independent model: what was sent, and what the ledger must therefore hold.

It follows each change in the order it was made durable. It parses nothing, reads no table and
imports nothing of the program.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from tests.simulation.expecting import Expected, Outcome, expect
from tests.simulation.laboratory import (
    DIGESTION_MIN,
    INSTRUMENTS,
    METHODS,
    OPEN_DAYS,
    MethodFacts,
)
from tests.simulation.printing import Printed
from tests.simulation.truth import Measurement, RunPlan, instant_of, key_of
from tests.simulation.tubes import Facts, Reading

Key = tuple[str, str]  # run and sample


@dataclass(slots=True)
class Capture:
    """An arrival that is durable; `stored` bytes are those behind what it continues."""

    id: int
    source: str
    name: str
    data: bytes
    stored: int
    arrived: datetime
    printed: Printed | None = None
    state: str = "stored"
    is_final: bool = False


@dataclass(slots=True)
class Run:
    """A run as far as it has come; `said` is all that was ever noted about it."""

    plan: RunPlan
    notes: dict[tuple[int | None, str], str] = field(default_factory=dict)
    said: set[tuple[int | None, str, str]] = field(default_factory=set)
    is_complete: bool = False
    passed: dict[int, bool] = field(default_factory=dict)

    @property
    def is_open(self) -> bool:
        return not self.is_complete and (None, "closed") not in self.notes


@dataclass(slots=True)
class Standing:
    """A result as it must stand.

    Attributes:
        newest: what its newest version says.
        released: (version, what it said) of the one in force, None if there is none.
        withdrawn: the number of the newest version when it was withdrawn.
    """

    newest: Expected
    released: tuple[int, Expected] | None = None
    withdrawn: int | None = None
    was_decided: bool = False


class Model:
    """What one site's ledger must hold."""

    def __init__(self, zone: str) -> None:
        self.zone = zone
        self.captures: list[Capture] = []
        self.readings: list[Reading] = []
        self.runs: dict[str, Run] = {}
        self.results: dict[Key, Standing] = {}
        self.chlorides: dict[str, Decimal] = {}
        self.methods: dict[str, MethodFacts] = dict(METHODS)
        self.lots: set[str] = set()
        self.layouts = {form for form, _ in INSTRUMENTS.values()}
        self.releases_by_itself = False
        self.newly_accepted: list[Key] = []  # by the policy, in order
        self._known: dict[tuple[object, ...], list[Reading]] = {}

    # --- captures ---------------------------------------------------------------------------

    def store(
        self, source: str, name: str, data: bytes, arrived: datetime, printed: Printed | None
    ) -> Capture:
        """An arrival became durable: a new capture, unless the file's newest one says the same."""
        before = self.newest(source, name)
        if before is not None and before.data == data:
            return before
        stored = len(data)
        if source == "P4":
            pass  # a line's arrivals stand each for itself
        elif before is not None and before.data and data.startswith(before.data):
            stored -= len(before.data)
            if before.state == "stored":
                before.state = "read"
        elif any(c.source == source and c.data == data for c in self.captures):
            stored = 0
        capture = Capture(
            len(self.captures) + 1, source, name, data, stored, arrived,
            printed.copy() if printed else None,
        )  # fmt: skip
        self.captures.append(capture)
        return capture

    def newest(self, source: str, name: str) -> Capture | None:
        """The last capture of a file."""
        return next(
            (c for c in reversed(self.captures) if (c.source, c.name) == (source, name)), None
        )

    def read(self, capture: Capture, *, final: bool) -> bool:
        """A capture was read as far as it is complete; True if nothing is left unfinished."""
        if capture.state in ("read", "failed") or (capture.is_final and capture.state != "stored"):
            return True
        page = capture.printed
        if page is None or not self.can_read(capture):
            if final:
                capture.state = "failed"
            return final
        runs = self.take(capture, page.complete(final=final))
        done = final or page.is_finished()
        capture.is_final = final
        capture.state = "read" if done and page.is_whole() else "partly"
        self.judge(runs)
        return done

    def can_read(self, capture: Capture) -> bool:
        """Whether there is a form for it, and enough of it to tell."""
        page = capture.printed
        return page is not None and page.layout in self.layouts and page.tells()

    def take(self, capture: Capture, rows: list[Measurement]) -> list[str]:
        """Readings of a capture: new ones are counted and placed; returns the runs touched."""
        seen = [(m, *instant_of(m.wall, self.zone, capture.arrived)) for m in rows]
        if not seen:
            return []
        window = (min(at for _, at, _ in seen), max(at for _, at, _ in seen))
        touched: dict[str, None] = {}
        counts: dict[tuple[object, ...], int] = {}
        for sent, at, note in seen:
            known = self._known.setdefault(self._identity(sent, counts), [])
            if any(other.sent.content == sent.content for other in known):
                continue
            applied = INSTRUMENTS[sent.instrument][1]
            reading = Reading(len(self.readings) + 1, sent, at, note, applied)
            if known:  # the same identity says something else: a person must choose
                reading.conflict = known[0].conflict = True
                touched |= {known[0].place[0]: None} if known[0].place else {}
            else:
                reading.place = self._place(reading, window)
                touched |= {reading.place[0]: None} if reading.place else {}
            known.append(reading)
            self.readings.append(reading)
        return list(touched)

    def _identity(
        self, sent: Measurement, counts: dict[tuple[object, ...], int]
    ) -> tuple[object, ...]:
        if sent.instrument == "P4":
            return (sent.instrument, sent.number, sent.wall)
        if sent.instrument != "P2":
            return (sent.instrument, sent.number)
        same = (sent.instrument, sent.wall, sent.label, sent.method, sent.shown, sent.sign)
        counts[same] = counts.get(same, -1) + 1
        return (*same, counts[same])

    # --- placing ----------------------------------------------------------------------------

    def _place(
        self, reading: Reading, window: tuple[datetime, datetime]
    ) -> tuple[str, int] | None:
        if reading.note == "ambiguous":
            return None
        since, until = window[0] - timedelta(days=OPEN_DAYS), window[1]
        fitting = [
            (run.plan.name, tube.position)
            for run in self.runs.values()
            if run.is_open
            and since <= run.plan.started <= until
            and run.plan.method.casefold() == reading.sent.method.casefold()
            and run.plan.instrument in ("", reading.sent.instrument)
            for tube in run.plan.tubes
            if key_of(tube.label) == key_of(reading.sent.label)
            and reading.at >= self._ready(run, tube.position)
        ]
        return fitting[0] if len(fitting) == 1 else None

    def _ready(self, run: Run, position: int) -> datetime:
        notes, started = run.notes, run.plan.started
        if not self.methods[run.plan.method].digests:
            return started
        end = notes.get((position, "digestion_end"), notes.get((None, "digestion_end")))
        if end is not None:
            return datetime.fromisoformat(end)
        start = notes.get((None, "digestion_start"))
        begun = started if start is None else datetime.fromisoformat(start)
        return begun + timedelta(minutes=DIGESTION_MIN)

    def retry(self, labels: Iterable[str]) -> list[str]:
        """Waiting readings of these labels are tried again; returns the runs that got some."""
        wanted = {key_of(label) for label in labels}
        touched: dict[str, None] = {}
        for reading in self.readings:
            if reading.place is None and key_of(reading.sent.label) in wanted:
                if not reading.conflict:
                    reading.place = self._place(reading, (reading.at, reading.at))
                if reading.place is not None:
                    touched[reading.place[0]] = None
        return list(touched)

    # --- judging ----------------------------------------------------------------------------

    def judge(self, names: Iterable[str]) -> None:
        """These runs are judged, and open ones that wait for a control of theirs."""
        waiting = list(dict.fromkeys(names))
        done: set[str] = set()
        while waiting:
            name = waiting.pop(0)
            if name in done:
                continue
            done.add(name)
            run = self.runs[name]
            outcome = expect(self._facts(run))
            controls_changed = run.passed != outcome.passed
            run.is_complete, run.passed = outcome.complete, outcome.passed
            if controls_changed and self.methods[run.plan.method].standard_per == "day":
                waiting += [n for n in self._sharing(run) if n not in done]
            self._keep(name, outcome)

    def _facts(self, run: Run) -> Facts:
        readings: dict[int, list[Reading]] = {}
        for reading in self.readings:
            if reading.place is not None and reading.place[0] == run.plan.name:
                readings.setdefault(reading.place[1], []).append(reading)
        return Facts(
            plan=run.plan,
            method=self.methods[run.plan.method],
            notes=run.notes,
            readings=readings,
            chlorides=self.chlorides,
            lots=frozenset(self.lots),
            covered=any(self._passed_standard(other) for other in self._same_day(run)),
        )

    def _passed_standard(self, run: Run) -> bool:
        return any(
            tube.role == "control_standard" and run.passed.get(tube.position, False)
            for tube in run.plan.tubes
        )

    def _same_day(self, run: Run) -> list[Run]:
        def day(plan: RunPlan) -> object:
            return plan.started.astimezone(ZoneInfo(self.zone)).date()

        return [
            other
            for other in self.runs.values()
            if other is not run
            and other.plan.method == run.plan.method
            and day(other.plan) == day(run.plan)
        ]

    def _sharing(self, run: Run) -> list[str]:
        found = {r.plan.name: r for r in self._same_day(run) if r.is_open}
        return sorted(found, key=lambda name: (found[name].plan.started, name))

    def _keep(self, name: str, outcome: Outcome) -> None:
        expected = dict(outcome.results)
        for run, sample in self.results:
            if run == name and sample not in expected:
                expected[sample] = Expected("refused", "", None, ())  # no longer on the sheet
        for sample, newest in expected.items():
            standing = self.results.get((name, sample))
            if standing is None:
                if newest.verdict == "awaiting":
                    continue
                standing = self.results[name, sample] = Standing(newest)
            standing.newest = newest
            if (
                self.releases_by_itself
                and newest.verdict == "accepted"
                and not standing.was_decided
            ):
                standing.was_decided = True
                self.newly_accepted.append((name, sample))


def sha256(data: bytes) -> str:
    """SHA-256, hexadecimal."""
    return hashlib.sha256(data).hexdigest()
