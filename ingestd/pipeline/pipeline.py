"""The spine: an arrival is stored, its bytes are parsed, what they mean is decided and recorded.

    store    one transaction: the capture is durable            (intake)
    parse    pure: bytes and a form to readings and faults      (parsers)
    take     one transaction: gather, decide, record, judge     (taking, reading, judging)

A capture is read in slices, each in a transaction of its own with the place to go on from, so a
large file costs little memory and a crash in its middle repeats at most one slice.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import parsers
from ingestd import events
from ingestd.config import Config, FolderSource, LineSource
from ingestd.errors import Refused
from ingestd.ledger.captures import (
    Capture,
    close_capture,
    content_from,
    find_captures,
    get_capture,
    newest_of_name,
)
from ingestd.ledger.inputs import InForceCache
from ingestd.ledger.store import Change, Ledger
from ingestd.pipeline.capture_store import FRAME, FRAMES, store_arrival, store_line
from ingestd.pipeline.forms import forms_in_force
from ingestd.pipeline.garbage import undisturbed
from ingestd.pipeline.inputs import PLAN_SOURCE, load_capture
from ingestd.pipeline.judge import judge_runs
from ingestd.pipeline.place import take_readings
from ingestd.pipeline.shared_commit import Together
from ingestd.sources.arrivals import Arrival
from ingestd.sources.serial.settings import LineArrival
from ingestd.steps import step
from parsers import Form, Parsed, ParseError
from parsers.readings import Fault

SLICE_BYTES = 1 << 20
HEAD_BYTES = 1 << 16  # what a form is recognised by
SERVICE = "ingestd"
NO_FORM = "no form fits"
SET_ASIDE = "set aside"  # how the reason ends for a capture that ended its reader


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The form a capture is read by with its hash, or the reason why there is none."""

    form: Form | None
    sha256: str = ""
    reason: str = ""


@dataclass(slots=True)
class Tally:
    """What reading one capture came to so far."""

    readings: int = 0
    repeats: int = 0
    waiting: int = 0
    faults: int = 0
    is_failed: bool = False


class Pipeline:
    """Stores and reads captures of one ledger, on one thread.

    Args:
        ledger: open for writing.
        config: sources and site.
        clock: the present instant, UTC.
        log: a structlog logger.
        count: told of each reading of a capture: its source, readings, faults.
    """

    def __init__(
        self,
        ledger: Ledger,
        config: Config,
        *,
        clock: Callable[[], datetime],
        log: Any,
        count: Callable[[str, int, int], None] = lambda _source, _readings, _faults: None,
    ) -> None:
        self.ledger = ledger
        self.config = config
        self.in_force_cache = InForceCache()
        self.clock = clock
        self.log = log
        self.count = count
        self._together = Together(lambda by: self.ledger.change(at=self.clock(), by=by))

    def arrive(self, arrival: Arrival, *, by: str = SERVICE) -> bool:
        """Store an arrival and read it; True if nothing of it is left unfinished.

        Raises:
            StoreFull, LedgerBusy: nothing was changed; deliver again later.
            CommitUnknown: the process must stop.
        """
        before = newest_of_name(self.ledger.conn, arrival.source, arrival.name)
        capture = self.store(arrival, by=by)
        if before is not None and before.state == "stored" and before.kind != "plan":
            self._read_overtaken(before.id, capture, by)
        return self.read(capture, final=arrival.final, by=by)

    def _read_overtaken(self, before: int, capture: int, by: str) -> None:
        """Read a version that another one has taken the place of: nothing more comes to it."""
        if before != capture and get_capture(self.ledger.conn, before).state == "stored":
            self.read(before, final=True, by=by)

    def store(self, arrival: Arrival, *, by: str = SERVICE) -> int:
        """Make an arrival durable; returns the capture that holds it."""
        kind = "plan" if arrival.source == PLAN_SOURCE else "export"
        with self.ledger.change(at=self.clock(), by=by) as change:
            ident, is_new = store_arrival(change, arrival, kind=kind)
            step("capture_written")
        step("capture_committed")
        if is_new:
            self.log.info(
                events.CAPTURE_STORED,
                capture=ident,
                source=arrival.source,
                name=arrival.name,
                bytes=arrival.size,
            )
        return ident

    def arrive_line(self, arrival: LineArrival, *, by: str = SERVICE) -> bool:
        """Store what came over a serial line, and read it if it is a frame.

        Returns:
            False where the instrument meant to say something that could not be read.

        Raises:
            StoreFull, LedgerBusy: nothing was changed; deliver again later.
            CommitUnknown: the process must stop.
        """
        return self.arrive_lines([arrival], by=by)[0]

    def arrive_lines(self, arrivals: Sequence[LineArrival], *, by: str = SERVICE) -> list[bool]:
        """Store what came over serial lines, then read the frames among it; two commits for all.

        They are read in order, each judged before the next: what comes of them is what would
        come of them one by one. Returns and raises for each what `arrive_line` does.
        """
        with self.ledger.change(at=self.clock(), by=by) as change:
            idents = [store_line(change, arrival) for arrival in arrivals]
            step("capture_written")
        step("capture_committed")
        pairs = list(zip(idents, arrivals, strict=True))
        if any(arrival.is_frame for arrival in arrivals):
            with self._together.share(by):
                for ident, arrival in pairs:
                    if arrival.is_frame:
                        self.read(ident, final=True, by=by)
        return [
            get_capture(self.ledger.conn, ident).state == "read"
            if arrival.is_frame
            else not arrival.damaged
            for ident, arrival in pairs
        ]

    def forms(self) -> dict[str, Form]:
        """The forms in force, by name."""
        return forms_in_force(self.in_force_cache.current(self.ledger.conn))

    def resume(self) -> int:
        """Read every capture that was stored but not read, after a stop; returns how many."""
        waiting = find_captures(self.ledger.conn, state="stored")
        for capture in waiting:
            if self._may_try(capture):
                # A frame never grows, nor does what another version took the place of.
                is_whole = capture.kind in FRAMES or self._is_overtaken(capture)
                self.read(capture.id, final=is_whole)
        return len(waiting)

    def _is_overtaken(self, capture: Capture) -> bool:
        newest = newest_of_name(self.ledger.conn, capture.source, capture.name)
        return capture.kind != "plan" and newest is not None and newest.id != capture.id

    def _may_try(self, capture: Capture) -> bool:
        """Count one more attempt, durably, before a capture is taken up again after a stop."""
        row = self.ledger.conn.execute(
            "SELECT count FROM attempts WHERE capture = ?", (capture.id,)
        ).fetchone()
        count = (row[0] if row else 0) + 1
        if count > self.config.ledger.attempts:
            with self.ledger.change(at=self.clock(), by=SERVICE) as change:
                reason = f"reading it ended the program {count - 1} times; {SET_ASIDE}"
                close_capture(change, capture, state="failed", reason=reason)
            self.log.error(events.CAPTURE_SET_ASIDE, capture=capture.id, attempts=count - 1)
            return False
        with self.ledger.change(at=self.clock(), by=SERVICE) as change:
            change.conn.execute(
                "INSERT OR REPLACE INTO attempts VALUES (?, ?)", (capture.id, count)
            )
        step("attempt_counted")
        return True

    def read(
        self,
        ident: int,
        *,
        final: bool,
        by: str = SERVICE,
        cause: str = "new readings",
    ) -> bool:
        """Read a stored capture as far as it is complete; True if nothing is left unfinished."""
        capture = get_capture(self.ledger.conn, ident)
        if capture.state in ("read", "failed") or (capture.final and capture.state != "stored"):
            return True
        if capture.kind == "plan":
            return self._load_plan(capture, final=final, by=by)
        if capture.oversize:
            self._fail(capture, f"{capture.size} bytes are over the size limit; not read", by)
            return True
        started = time.perf_counter()
        capture = self.with_inherited_resume(capture)
        tally = Tally()
        with undisturbed():
            done = self._read_slices(capture, tally, final=final, by=by, cause=cause)
        took_ms = round((time.perf_counter() - started) * 1000, 1)
        self._together.once_durable(lambda: self._tell(capture, tally, done=done, took_ms=took_ms))
        return done

    def _tell(self, capture: Capture, tally: Tally, *, done: bool, took_ms: float) -> None:
        """Count and log a capture that was read."""
        self.count(capture.source, tally.readings, tally.faults)
        if tally.is_failed:
            return  # its closing event is written
        self.log.info(
            events.CAPTURE_CLOSED if done else events.CAPTURE_READ_SO_FAR,
            capture=capture.id,
            source=capture.source,
            readings=tally.readings,
            repeats=tally.repeats,
            waiting=tally.waiting,
            faults=tally.faults,
            took_ms=took_ms,
        )

    def with_inherited_resume(self, capture: Capture) -> Capture:
        """A continuation goes on where the capture it continues was certainly complete."""
        if capture.state != "stored" or capture.continues is None:
            return capture
        before = get_capture(self.ledger.conn, capture.continues)
        if not before.form or before.name != capture.name:
            return capture
        return _replace(capture, before)

    def _read_slices(
        self, capture: Capture, tally: Tally, *, final: bool, by: str, cause: str
    ) -> bool:
        choice = self.choose(capture)
        if choice.form is None:
            if not final and capture.size < HEAD_BYTES:
                self._forget_attempts(capture)
                return False  # more may come that tells
            tally.is_failed = True
            self._fail(capture, choice.reason, by)
            return True
        position = capture.resume
        all_faults: list[Fault] = []
        most = SLICE_BYTES
        while True:
            data = content_from(self.ledger.conn, capture, position.offset)
            is_last = len(data) <= most
            is_final = final and is_last
            try:
                parsed = parsers.parse(
                    data if is_last else data[:most],
                    choice.form,
                    final=is_final,
                    resume=position if position.offset else None,
                )
            except ParseError as error:
                if not final and is_last:
                    self._forget_attempts(capture)
                    return False
                tally.is_failed = True
                self._fail(capture, str(error), by, fault=error)
                return True
            resume = parsed.resume or position
            if not is_last and resume.offset <= position.offset:
                most *= 2  # one row or block is longer than a slice
                continue
            done = is_final or (is_last and parsed.complete_to >= capture.size)
            with self._together.change(by) as change:
                runs, faults = self._take(change, capture, parsed, choice, tally)
                all_faults += faults
                tally.faults += len(faults)
                close_capture(
                    change,
                    capture,
                    state=_state(tally, done=done, is_last=is_last),
                    form=choice.form.name,
                    form_sha256=choice.sha256,
                    final=is_final,
                    complete_to=parsed.complete_to,
                    resume=resume,
                    readings=capture.readings + tally.readings,
                    repeats=capture.repeats + tally.repeats,
                    faults=all_faults,
                )
                judge_runs(change, runs, self.in_force_cache, self.config.site.policy, cause=cause)
                step("slice_judged")
            self._together.once_durable(lambda: step("slice_committed"))
            if is_last:
                return done
            position = resume
            capture = replace(capture, resume=position)  # counts stay those before this reading

    def _forget_attempts(self, capture: Capture) -> None:
        """The capture did not end its reader; it only is not finished yet."""
        with self.ledger.change(at=self.clock(), by=SERVICE) as change:
            change.conn.execute("DELETE FROM attempts WHERE capture = ?", (capture.id,))

    def _take(
        self,
        change: Change,
        capture: Capture,
        parsed: Parsed,
        choice: Choice,
        tally: Tally,
    ) -> tuple[tuple[str, ...], list[Fault]]:
        """The runs that got readings, and the faults of this slice."""
        assert choice.form is not None  # noqa: S101 - a slice is parsed by a form
        source = self.source(capture.source)
        in_force = self.in_force_cache.current(change.conn)
        default = in_force.instruments.get(source.instrument) if source else None
        decisions, strangers = take_readings(
            change,
            capture,
            parsed,
            form=choice.form.name,
            default=default,
            in_force_cache=self.in_force_cache,
            open_days=self.config.plan.open_days,
            is_new=capture.kind == FRAME,
        )
        tally.readings += len(decisions.new)
        tally.repeats += len(parsed.readings) - len(decisions.new) - len(strangers)
        tally.waiting += sum(1 for new in decisions.new if new.waits)
        return decisions.runs, [*parsed.faults, *strangers]

    def source(self, name: str) -> FolderSource | LineSource | None:
        """The configured source of this name."""
        return next((source for source in self.config.source if source.name == name), None)

    def choose(self, capture: Capture) -> Choice:
        """The one form this capture is in: the one it was begun with, else recognised."""
        source = self.source(capture.source)
        in_force = self.in_force_cache.current(self.ledger.conn)
        forms = forms_in_force(in_force, source.forms if source else ())
        if capture.resume.offset and capture.form in forms:
            sha256 = in_force.hashes["form", capture.form]
            if sha256 == capture.form_sha256:
                return Choice(form=forms[capture.form], sha256=sha256)
        if isinstance(source, LineSource) and source.form in forms:
            return Choice(form=forms[source.form], sha256=in_force.hashes["form", source.form])
        head = content_from(self.ledger.conn, capture)[:HEAD_BYTES]
        recognised = parsers.recognise(head, list(forms.values()))
        if len(recognised.matches) == 1:
            name = recognised.matches[0]
            return Choice(form=forms[name], sha256=in_force.hashes["form", name])
        reasons = "; ".join(f"{name}: {why}" for name, why in recognised.reasons.items())
        if recognised.matches:
            names = " and ".join(recognised.matches)
            return Choice(
                form=None,
                reason=f"{len(recognised.matches)} forms fit ({names}); name one under `forms` of "
                f"source {capture.source!r}, or make their [recognise] sections differ",
            )
        return Choice(form=None, reason=f"{NO_FORM}: {reasons or 'none is in force'}")

    def _fail(
        self, capture: Capture, reason: str, by: str, *, fault: ParseError | None = None
    ) -> None:
        faults = (
            [
                Fault(
                    offset=fault.offset,
                    line=0,
                    field="",
                    expected=fault.expected,
                    found=fault.found,
                )
            ]
            if fault
            else []
        )
        with self._together.change(by) as change:
            close_capture(
                change, capture, state="failed", final=True, reason=reason, faults=faults
            )
        self._together.once_durable(lambda: self._tell_failed(capture, reason, fault))

    def _tell_failed(self, capture: Capture, reason: str, fault: ParseError | None) -> None:
        step("capture_failed")
        self.count(capture.source, 0, 1)
        # The log names the place; what stands there is for `ingestd captures` to show.
        told = f"byte {fault.offset}: expected {fault.expected}" if fault else reason
        if told.startswith(NO_FORM):
            told = NO_FORM
        self.log.warning(
            events.CAPTURE_FAILED, capture=capture.id, source=capture.source, reason=told
        )

    def _load_plan(self, capture: Capture, *, final: bool, by: str) -> bool:
        """Load a sheet or plan file dropped into the plan folder, once it has settled."""
        if not final:
            self._forget_attempts(capture)
            return False
        data = content_from(self.ledger.conn, capture)
        try:
            loaded = load_capture(
                self.ledger,
                capture,
                data,
                self.in_force_cache,
                self.config,
                at=self.clock(),
                by=by,
            )
        except (Refused, ValueError) as error:
            self._fail(capture, str(error), by)
            self.log.warning(events.PLAN_REFUSED, name=capture.name, reason=str(error))
            return True
        step("plan_committed")
        self.log.info(events.PLAN_LOADED, name=capture.name, loaded=str(loaded))
        return True


def _state(tally: Tally, *, done: bool, is_last: bool) -> str:
    if not is_last:
        return "stored"  # taken up again from here if the program is stopped now
    return "read" if done and not tally.faults else "partly_read"


def _replace(capture: Capture, before: Capture) -> Capture:
    return replace(capture, form=before.form, form_sha256=before.form_sha256, resume=before.resume)
