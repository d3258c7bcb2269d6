"""Captures read again, after a form, a plan, a method or the program itself was mended.

The same parsing, placing and judging as for a new arrival. A reading that now says something
else takes the place of the one it was; one that is read no more is retired; what people placed
by hand stays. Released results stay in force: what differs stands beside them as a proposal.
A dry run does all of it on a copy of the ledger and shows the difference.
"""

import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import orjson

import parsers
from ingestd.config import Config
from ingestd.errors import Refused
from ingestd.evaluate.placing import Placed
from ingestd.judging import judge_runs
from ingestd.ledger import work
from ingestd.ledger.captures import Capture, close_capture, content_from
from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Change, Ledger
from ingestd.model import StoredReading
from ingestd.pipeline import Choice, Pipeline
from ingestd.planning import load_capture
from ingestd.reading import NewReading, Seen, decide, number, see
from ingestd.taking import candidates_for, known_readings, record_decisions
from parsers import ParseError
from parsers.readings import Fault, Resume


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One result that says something else after a replay.

    Attributes:
        before: state and statement, "" for a result that is new.
        why: which inputs changed between the two, in words.
    """

    result: int
    run: str
    sample: str
    analyte: str
    before: str
    after: str
    why: str


@dataclass(slots=True)
class ReplayReport:
    """What a replay changed, or would change."""

    captures: int = 0
    failed: list[tuple[int, str]] = field(default_factory=list)
    taken: int = 0
    retired: int = 0
    differences: list[Difference] = field(default_factory=list)
    dry: bool = False

    @property
    def is_empty(self) -> bool:
        """True if the ledger says the same as before."""
        return not (self.taken or self.retired or self.differences)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Old:
    """A reading of the file as it was read before."""

    stored: StoredReading
    identity: bytes
    ordinal: int
    digits: bytes
    run: str | None
    position: int | None


def replay(
    ledger: Ledger,
    config: Config,
    captures: Sequence[Capture],
    *,
    reason: str,
    by: str,
    clock: Callable[[], datetime],
    log: Any,
    system_user: str | None = None,
    progress: Callable[[int], None] = lambda _count: None,
) -> ReplayReport:
    """Read these captures again, each in a transaction of its own.

    Args:
        captures: in order of arrival; of a file that grew, its last one stands for all.
        reason: written into every change.
        progress: told after each capture how many are done.

    Interrupted, it may be started again: what is done changes nothing a second time.
    """
    pipeline = Pipeline(ledger, config, clock=clock, log=log)
    report = ReplayReport()
    start = _journal_size(ledger.conn)
    chosen = _last_of_each_file(captures)
    for count, capture in enumerate(chosen, 1):
        report.captures += 1
        if capture.kind == "plan":
            _replay_plan(pipeline, capture, report, reason=reason, by=by, system_user=system_user)
        elif not capture.oversize:
            _replay_export(
                pipeline, capture, report, reason=reason, by=by, system_user=system_user
            )
        progress(count)
    report.differences = list(_differences(ledger.conn, start))
    return report


def dry_replay(
    ledger: Ledger, config: Config, captures: Sequence[Capture], **how: Any
) -> ReplayReport:
    """What `replay` would change, tried on a copy; the ledger itself is only read."""
    with tempfile.TemporaryDirectory(dir=config.ledger.path.parent, prefix="dry-run-") as folder:
        path = Path(folder) / "copy.db"
        ledger.copy_to(path)
        twin = Ledger.open(path)
        try:
            report = replay(twin, config, captures, **how)
        finally:
            twin.close()
    report.dry = True
    return report


def _last_of_each_file(captures: Sequence[Capture]) -> list[Capture]:
    last = {(c.lineage, c.source, c.name): c for c in sorted(captures, key=lambda c: c.id)}
    return sorted(last.values(), key=lambda capture: capture.id)


def _journal_size(conn: Connection) -> int:
    return int(conn.execute("SELECT size FROM frontier").fetchone()[0])


def _replay_plan(
    pipeline: Pipeline,
    capture: Capture,
    report: ReplayReport,
    *,
    reason: str,
    by: str,
    system_user: str | None,
) -> None:
    """Put a plan into force that was refused before.

    One that took effect is left alone: what is in force is what a replay reads with, and an
    older sheet or method must not come back over its successor.
    """
    if capture.state == "read":
        return
    try:
        data = content_from(pipeline.ledger.conn, capture)
        load_capture(
            pipeline.ledger, capture, data, pipeline.keeper, pipeline.config,
            at=pipeline.clock(), by=by, system_user=system_user, replayed=reason,
        )  # fmt: skip
    except (Refused, ValueError) as error:
        report.failed.append((capture.id, str(error)))


def _replay_export(
    pipeline: Pipeline,
    capture: Capture,
    report: ReplayReport,
    *,
    reason: str,
    by: str,
    system_user: str | None,
) -> None:
    afresh = replace(capture, form="", form_sha256="", resume=Resume(), readings=0, repeats=0)
    try:
        data = content_from(pipeline.ledger.conn, capture)
    except Refused as error:  # archived
        report.failed.append((capture.id, str(error)))
        return
    choice = pipeline.choose(afresh)
    if choice.form is None:
        report.failed.append((capture.id, choice.reason))
        return
    final = capture.final or capture.state == "failed"
    try:
        parsed = parsers.parse(data, choice.form, final=final)
    except ParseError as error:
        report.failed.append((capture.id, str(error)))
        return
    with pipeline.ledger.change(at=pipeline.clock(), by=by, system_user=system_user) as change:
        _reread(pipeline, change, afresh, capture, choice, parsed, report, reason, final=final)


def _reread(
    pipeline: Pipeline,
    change: Change,
    afresh: Capture,
    capture: Capture,
    choice: Choice,
    parsed: parsers.Parsed,
    report: ReplayReport,
    reason: str,
    *,
    final: bool,
) -> None:
    assert choice.form is not None  # noqa: S101 - the caller has chosen one
    conn = change.conn
    source = pipeline.source(capture.source)
    book = pipeline.keeper.current(conn)
    seen, strangers = see(
        parsed.readings,
        find_instrument=book.find_instrument,
        default=book.instruments.get(source.instrument) if source else None,
        arrived_at=capture.arrived_at,
    )
    before = _old_readings(conn, capture)
    seen = [_numbered_as_before(one, before) for one in number(seen, {})]
    changed = [one for one in seen if not _says_the_same(one, before.get(one.parsed.span.start))]
    places = {one.parsed.span.start for one in seen}
    kept = len(seen) - len(changed)
    gone = [
        old
        for start, old in before.items()
        if start not in places or any(one.parsed.span.start == start for one in changed)
    ]
    runs = [old.run for old in before.values() if old.run]
    for old in gone:
        change.record("reading_retired", reading=old.stored.id, reason=f"replay: {reason}")
    change.flush()
    decisions = decide(
        changed,
        known=known_readings(conn, {one.identity for one in changed}),
        candidates=candidates_for(conn, changed, book, pipeline.config.plan.open_days, also=runs),
        first_id=(conn.execute("SELECT max(id) FROM readings").fetchone()[0] or 0) + 1,
        capture=capture.id,
        source=capture.source,
        form=choice.form.name,
        arrived_at=capture.arrived_at,
    )
    decisions = replace(
        decisions,
        new=tuple(_in_place_of(new, before) for new in decisions.new),
        repeats=_not_noted_yet(conn, capture.id, decisions.repeats),
    )
    record_decisions(change, capture.id, decisions)
    faults: list[Fault] = [*parsed.faults, *strangers]
    state = (
        "partly_read" if faults or (not final and parsed.complete_to < capture.size) else "read"
    )
    is_same = (capture.state, capture.form_sha256) == (state, choice.sha256)
    if decisions.new or decisions.repeats or gone or not is_same:
        change.record("replayed", capture=capture.id, reason=reason)
        close_capture(
            change,
            afresh,
            state=state,
            form=choice.form.name,
            form_sha256=choice.sha256,
            final=final,
            complete_to=parsed.complete_to,
            resume=parsed.resume,
            readings=kept + len(decisions.new),
            repeats=len(seen) - kept - len(decisions.new),
            faults=faults,
        )
    runs += [new.placed.run for new in decisions.new if new.placed]
    judge_runs(
        change,
        [*runs, *decisions.runs],
        pipeline.keeper,
        pipeline.config.site.policy,
        cause=f"replay: {reason}",
    )
    report.taken += len(decisions.new)
    report.retired += len(gone)


def _not_noted_yet(conn: Connection, capture: int, repeats: Sequence[int]) -> tuple[int, ...]:
    """Those of these readings of which it is not on record that the capture repeats them."""
    noted = {
        reading
        for (reading,) in conn.execute(
            "SELECT reading FROM sightings WHERE capture = ?", (capture,)
        )
    }
    return tuple(reading for reading in repeats if reading not in noted)


def _numbered_as_before(one: Seen, before: dict[int, _Old]) -> Seen:
    """A reading with neither number nor time was told from its like by when it arrived."""
    old = before.get(one.parsed.span.start)
    is_timeless = not one.parsed.sequenced and one.parsed.measured_at is None
    if old is None or not is_timeless or old.identity != one.identity:
        return one
    return replace(one, ordinal=old.ordinal)


def _says_the_same(one: Seen, old: _Old | None) -> bool:
    """Whether the bytes mean what they meant before; the form may have changed their meaning."""
    if old is None:
        return False
    parsed, stored = one.parsed, old.stored
    return (one.identity, one.ordinal, one.digits, one.measured_at, one.time_note) == (
        old.identity, old.ordinal, old.digits, stored.measured_at, stored.time_note,
    ) and all(
        getattr(parsed, name) == getattr(stored, name)
        for name in (
            "method", "sample", "value", "censored", "unit", "basis", "absorbance", "dilution",
            "dilution_applied",
        )
    )  # fmt: skip


def _in_place_of(new: NewReading, before: dict[int, _Old]) -> NewReading:
    """A reading mended in place keeps the tube of the one it was, unless its label changed."""
    old = before.get(new.seen.parsed.span.start)
    if old is None or old.run is None or old.position is None:
        return new
    if (new.stored.sample, new.stored.method) != (old.stored.sample, old.stored.method):
        return new
    place = Placed(
        run=old.run,
        position=old.position,
        reason=f"Takes the place of reading {old.stored.id}, the same bytes read before.",
    )
    return replace(new, placed=place, waits=None)


def _old_readings(conn: Connection, capture: Capture) -> dict[int, _Old]:
    """Readings that still count of the file up to this capture, by where they begin in it."""
    rows = conn.execute(
        f"SELECT {work.READING_COLUMNS}, r.identity, r.ordinal, r.digits, p.run, p.position"  # noqa: S608 - fixed text
        " FROM readings r JOIN captures c ON c.id = r.capture"
        " LEFT JOIN placements p ON p.reading = r.id"
        " WHERE c.lineage = ? AND c.name = ? AND c.id <= ? AND r.retired = '' ORDER BY r.id",
        (capture.lineage, capture.name, capture.id),
    )
    found = {}
    for row in rows:
        stored = work.reading_from(row)
        found[stored.span[0]] = _Old(
            stored=stored,
            identity=row[21],
            ordinal=row[22],
            digits=row[23],
            run=row[24],
            position=row[25],
        )
    return found


def _differences(conn: Connection, start: int) -> Iterator[Difference]:
    """Results with versions or decisions journalled from `start` on, against what stood before."""
    rows = conn.execute(
        "SELECT r.id, r.run, r.sample, r.analyte, v.verdict, v.text, v.unit, v.version, n.body,"
        " (SELECT w.verdict || ' ' || w.text || ' ' || w.unit || char(10) || m.body"
        "  FROM result_versions w JOIN pin_sets m ON m.id = w.pins"
        "  WHERE w.result = r.id AND w.entry < ?1 ORDER BY w.version DESC LIMIT 1)"
        " FROM results r JOIN result_versions v ON v.result = r.id"
        " JOIN pin_sets n ON n.id = v.pins"
        " WHERE v.entry >= ?1 AND v.version = (SELECT max(version) FROM result_versions x"
        " WHERE x.result = r.id) ORDER BY r.id",
        (start,),
    ).fetchall()
    for ident, run, sample, analyte, verdict, text, unit, _version, pins, before in rows:
        statement, _, old_pins = (before or "").partition("\n")
        yield Difference(
            result=ident,
            run=run,
            sample=sample,
            analyte=analyte,
            before=" ".join(statement.split()),
            after=" ".join(f"{verdict} {text} {unit}".split()),
            why=_why(orjson.loads(old_pins) if old_pins else {}, orjson.loads(pins)),
        )


def _why(before: dict[str, str], after: dict[str, str]) -> str:
    changed = sorted(name for name in {*before, *after} if before.get(name) != after.get(name))
    if not before:
        return "new"
    return ", ".join(changed) if changed else "readings or the program's rules"
