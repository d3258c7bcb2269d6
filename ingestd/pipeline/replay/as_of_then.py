"""What today's program makes of the inputs of then: a check that records nothing.

The journal is folded into a twin of the ledger that is thrown away. Where a chosen capture was
read, and where the standing version of a result of it was judged, the walk stops, has today's
program do the same from what was known at that instant (forms, plan, lots, observations, what
people decided), compares, and goes on with what was recorded. So a difference is the program's:
never the plan's.

Results are judged from readings as today's program reads them. Plans and decisions are taken as
the journal has them (`reenact` reads these again, too); sources are those of the configuration,
which the ledger does not keep, and so is the policy of the site where none was on record then.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import orjson

import parsers
from ingestd import __version__
from ingestd.config import Config
from ingestd.errors import Refused
from ingestd.ledger.captures import Capture, content_from, get_capture
from ingestd.ledger.replica import Replica
from ingestd.ledger.store import Change, Ledger
from ingestd.pipeline.capture_store import FRAME
from ingestd.pipeline.judge import judge_runs
from ingestd.pipeline.pipeline import SET_ASIDE, SLICE_BYTES, Choice, Pipeline
from ingestd.pipeline.place import take_readings
from ingestd.pipeline.replay.differences import (
    DIGESTS,
    SAID,
    differing_readings,
    statement,
    why_judged_otherwise,
)
from ingestd.pipeline.replay.replay import Difference, ReadingDifference, ReplayReport
from ingestd.pipeline.replay.reread import read_afresh, reread
from ingestd.pipeline.replay.stops import (
    Body,
    Judged,
    Key,
    Read,
    bodies_between,
    body_of,
    captures_of_files,
    find_judged,
    find_reads,
    runs_touched,
)
from parsers import Form, ParseError
from parsers.readings import Resume


def retrace(
    ledger: Ledger,
    config: Config,
    captures: Sequence[Capture],
    *,
    clock: Callable[[], datetime],
    log: Any,
    progress: Callable[[int, int], None] = lambda _done, _of: None,
) -> ReplayReport:
    """Whether today's program says the same, digit for digit, by the inputs of then.

    Args:
        ledger: only read.
        captures: exports and frames, each standing for its whole file, and bench sheets: the
            results of the runs they touch are judged again.
        progress: told how many journal entries of how many are done.

    Returns:
        A report as of then: differences of readings and of results.
    """
    conn = ledger.conn
    wanted = captures_of_files(conn, captures)
    reads = find_reads(conn, wanted)
    judged = find_judged(conn, runs_touched(conn, wanted, {c.id for c in captures}))
    report = ReplayReport(as_of="then", dry=True, captures=len(captures))
    replica = Replica(
        ledger, with_bytes=[wanted[stop.capture] for stop in reads if stop.is_failed]
    )
    try:
        walk = _Walk(replica, Pipeline(replica.ledger, config, clock=clock, log=log), report)
        walk.go(sorted([*reads, *judged], key=lambda stop: stop.start), progress)
    finally:
        replica.close()
    return report


class _Walk:
    """Goes along the journal once, and stops where today's program is to be asked."""

    def __init__(self, replica: Replica, pipeline: Pipeline, report: ReplayReport) -> None:
        self.replica = replica
        self.old = replica.old
        self.pipeline = pipeline
        self.report = report
        # Differences of readings that count no more, until a version that stands is met that
        # was made of them.
        self.pending: dict[int, ReadingDifference] = {}
        # What readings say today where that differs, None for one that is not read.
        self.says: dict[int, Body | None] = {}
        # Their identities and digits: what repeats them repeats nothing that the twin knows.
        self.known: set[tuple[str, str]] = set()
        self.made_by: set[str] = set()

    def go(self, stops: Sequence[Read | Judged], progress: Callable[[int, int], None]) -> None:
        """Stop at each of these, which are in order."""
        of = stops[-1].start if stops else 0
        for stop in stops:
            self.replica.advance(stop.start, lambda at: progress(at, of))
            if isinstance(stop, Judged):
                self._judge_again(stop)
            elif stop.is_failed:
                self._try_failed(stop)
            else:
                self._read_again(stop)
        progress(of, of)
        self.report.made_by = tuple(sorted(self.made_by))

    # --- readings -------------------------------------------------------------------------------

    def _read_again(self, stop: Read) -> None:
        closing = body_of(self.old, stop.end)
        try:
            now = self.replica.attempt(closing, lambda change: self._taken(change, stop, closing))
        except Refused as error:  # archived since
            if stop.capture not in dict(self.report.failed):
                self.report.failed.append((stop.capture, str(error)))
            return
        then = _by_place(bodies_between(self.old, stop.start, stop.end))
        self.replica.advance(stop.end + 1)
        for offset in sorted({*then, *now}):
            old, new = then.get(offset), now.get(offset)
            before, after = differing_readings(old, new)
            repeats = new is not None and (new["identity"], new["digits"]) in self.known
            if before == after or (old is None and repeats):
                continue
            ident = old["id"] if old else None
            self._report(
                ReadingDifference(
                    capture=stop.capture, reading=ident, offset=offset, before=before, after=after
                ),
                stop,
            )
            if ident is not None:
                self.says[ident] = new
                if new is not None:
                    self.known.add((new["identity"], new["digits"]))

    def _report(self, found: ReadingDifference, stop: Read) -> None:
        """Report a difference if the reading still counts, or once a version is made of it."""
        if found.reading is None:
            counts = stop.is_last
        else:
            (retired,) = self.old.execute(
                "SELECT retired FROM readings WHERE id = ?", (found.reading,)
            ).fetchone()
            counts = retired == ""
        if counts:
            self.report.readings.append(found)
        elif found.reading is not None:
            self.pending[found.reading] = found

    def _taken(self, change: Change, stop: Read, closing: Body) -> dict[int, Body]:
        """The readings that today's program takes in there, by where they begin."""
        conn = change.conn
        capture = get_capture(conn, stop.capture)
        form = self._form(closing)
        position = Resume()
        if not stop.is_replay:
            capture = self.pipeline.with_inherited_resume(capture)
            position = capture.resume
        try:
            parsed = self._parse(capture, form, position, stop, closing)
        except ParseError:
            return {}
        if stop.is_replay:
            choice = Choice(form=form, sha256=closing["form_sha256"])
            final = closing["final"]
            reread(self.pipeline, change, capture, choice, parsed, reason="then", final=final)
        else:
            source = self.pipeline.source(capture.source)
            in_force = self.pipeline.in_force_cache.current(conn)
            take_readings(
                change,
                capture,
                parsed,
                form=form.name,
                default=in_force.instruments.get(source.instrument) if source else None,
                in_force_cache=self.pipeline.in_force_cache,
                open_days=self.pipeline.config.plan.open_days,
                is_new=capture.kind == FRAME,
            )
        change.flush()
        return _by_place(bodies_between(conn, self.replica.at))

    def _form(self, closing: Body) -> Form:
        """The form a capture was read by, as it was then."""
        (text,) = self.old.execute(
            "SELECT body FROM inputs WHERE kind = 'form' AND name = ? AND sha256 = ?",
            (closing["form"], closing["form_sha256"]),
        ).fetchone()
        return parsers.load_form(orjson.loads(text)["text"].encode(), closing["form"])

    def _parse(
        self, capture: Capture, form: Form, position: Resume, stop: Read, closing: Body
    ) -> parsers.Parsed:
        """As much of a capture as was read there."""
        data = content_from(self.old, capture, position.offset)
        final, end = closing["final"], closing["complete_to"]
        if not (final or stop.is_replay):
            data = data[: end - position.offset + SLICE_BYTES]  # the rest was for other slices
        resume = position if position.offset else None
        parsed = parsers.parse(data, form, final=final, resume=resume)
        if final:
            return parsed
        return replace(parsed, readings=tuple(r for r in parsed.readings if r.span.start < end))

    def _try_failed(self, stop: Read) -> None:
        """Whether today's program can read what could not be read then, by the forms of then."""
        capture = get_capture(self.replica.conn, stop.capture)
        is_ours = SET_ASIDE in body_of(self.old, stop.end)["reason"]
        if is_ours or not stop.is_last or get_capture(self.old, stop.capture).state != "failed":
            return
        try:
            choice = self.pipeline.choose(read_afresh(capture))
            if choice.form is None:
                return
            parsed = parsers.parse(content_from(self.old, capture), choice.form, final=True)
        except (Refused, ParseError):  # over the size limit, or archived; or as unreadable as then
            return
        self.report.readings.append(
            ReadingDifference(
                capture=capture.id,
                reading=None,
                offset=0,
                before="not read",
                after=f"{len(parsed.readings)} readings by form {choice.form.name}",
            )
        )

    # --- results --------------------------------------------------------------------------------

    def _judge_again(self, stop: Judged) -> None:
        then = {key: body_of(self.old, entry) for key, entry in stop.versions.items()}

        def judge(change: Change) -> dict[Key, Body | None]:
            self._have_say(change, stop.run)
            policy = self.pipeline.config.site.policy
            judge_runs(change, [stop.run], self.pipeline.in_force_cache, policy, cause="then")
            return {key: self._newest(stop.run, key) for key in then}

        now = self.replica.attempt(next(iter(then.values())), judge)
        for key, old in then.items():
            self.report.compared += 1
            made_by = self._made_by(old)
            self.made_by.add(made_by)
            for reading in old["readings"]:
                if reading in self.pending:
                    self.report.readings.append(self.pending.pop(reading))
            new = now[key]
            if new is None or new["digest"] != old["digest"]:
                self.report.differences.append(
                    Difference(
                        result=old["result"],
                        run=stop.run,
                        sample=old["sample"],
                        analyte=old["analyte"],
                        before=statement(old),
                        after=statement(new) or "nothing",
                        why=why_judged_otherwise(old, new, made_by, __version__),
                    )
                )

    def _have_say(self, change: Change, run: str) -> None:
        """Have the readings of a run say what they say today; each lies where it lay."""
        conn = change.conn
        for (reading,) in conn.execute(
            "SELECT reading FROM placements WHERE run = ?", (run,)
        ).fetchall():
            if reading not in self.says:
                continue
            new = self.says[reading]
            if new is None:
                conn.execute("DELETE FROM placements WHERE reading = ?", (reading,))
                continue
            values = [bytes.fromhex(new[name]) if name in DIGESTS else new[name] for name in SAID]
            columns = ", ".join(f"{name} = ?" for name in SAID)
            conn.execute(f"UPDATE readings SET {columns} WHERE id = ?", (*values, reading))  # noqa: S608 - our own names

    def _newest(self, run: str, key: Key) -> Body | None:
        """The entry of a result's newest version in the twin, None if there is none."""
        row = self.replica.conn.execute(
            "SELECT max(v.entry) FROM results r JOIN result_versions v ON v.result = r.id"
            " WHERE r.run = ? AND r.sample = ? AND r.analyte = ? AND r.fraction = ?"
            " AND r.basis = ?",
            (run, *key),
        ).fetchone()
        if row[0] is None:
            return None
        return body_of(self.old if row[0] < self.replica.at else self.replica.conn, row[0])

    def _made_by(self, version: Body) -> str:
        """The version of the program that made a version."""
        (text,) = self.old.execute(
            "SELECT body FROM pin_sets WHERE id = ?", (version["pins"],)
        ).fetchone()
        return str(orjson.loads(text)["ingestd"])


def _by_place(bodies: Any) -> dict[int, Body]:
    """Readings taken in, by the byte where they begin."""
    return {one["span_start"]: one for one in bodies if one["kind"] == "reading_taken"}
