"""Captures read again, after a form, a plan, a method or the program itself was mended.

The same parsing, placing and judging as for a new arrival. A reading that now says something
else takes the place of the one it was; one that is read no more is retired; what people placed
by hand stays. Released results stay in force: what differs stands beside them as a proposal.
A dry run does all of it on a copy of the ledger and shows the difference.
"""

import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import orjson

import parsers
from ingestd import __version__
from ingestd.config import Config
from ingestd.errors import Refused
from ingestd.ledger.captures import Capture, content_from
from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Ledger
from ingestd.pipeline.capture_store import NOISE
from ingestd.pipeline.garbage import undisturbed
from ingestd.pipeline.inputs import load_capture
from ingestd.pipeline.judge import judge_runs
from ingestd.pipeline.pipeline import Pipeline
from ingestd.pipeline.replay.reread import read_afresh, reread
from parsers import ParseError


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One result that says something else after a replay.

    Attributes:
        before, after: state, value and uncertainty as printed; `before` is "" for a result that
            is new.
        why: which inputs changed between the two, in words.
    """

    result: int
    run: str
    sample: str
    analyte: str
    before: str
    after: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingDifference:
    """One place of a capture that today's program reads otherwise.

    Attributes:
        reading: the one it was read as then, None if then nothing was read there.
        offset: byte where its row, block or frame begins.
        before, after: what differs, in words; "not read" where there is no reading.
    """

    capture: int
    reading: int | None
    offset: int
    before: str
    after: str


@dataclass(slots=True)
class ReplayReport:
    """What a replay changed, or would change; by inputs of then, what today's program alone does.

    Attributes:
        as_of: "now" or "then": which inputs it was done with.
        compared: standing versions that were judged again by inputs of then.
        made_by: versions of the program that had made those.
        readings: by inputs of then, places that are read otherwise.
    """

    captures: int = 0
    failed: list[tuple[int, str]] = field(default_factory=list)
    taken: int = 0
    retired: int = 0
    differences: list[Difference] = field(default_factory=list)
    dry: bool = False
    as_of: str = "now"
    compared: int = 0
    made_by: tuple[str, ...] = ()
    readings: list[ReadingDifference] = field(default_factory=list)

    @property
    def is_empty(self) -> bool:
        """True if the ledger says the same as before, or today's program as that of then."""
        return not (self.taken or self.retired or self.differences or self.readings)

    @property
    def used(self) -> str:
        """Which inputs and which program it was done with, in a sentence."""
        if self.as_of == "now":
            return f"Inputs as in force now; program ingestd {__version__}."
        made_by = " and ".join(self.made_by) or "none"
        return (
            "Inputs as in force when each standing version was made;"
            f" program ingestd {__version__}, the versions compared were made by {made_by}."
        )


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
        captures: in order of arrival; of a file that grew, its last one stands for all. Bytes of
            a line that are no frame are passed over: nothing in them may become a reading.
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
        elif capture.kind != NOISE and not capture.oversize:
            with undisturbed():
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
        replica = Ledger.open(path)
        try:
            report = replay(replica, config, captures, **how)
        finally:
            replica.close()
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
            pipeline.ledger, capture, data, pipeline.in_force_cache, pipeline.config,
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
    try:
        data = content_from(pipeline.ledger.conn, capture)
    except Refused as error:  # archived
        report.failed.append((capture.id, str(error)))
        return
    choice = pipeline.choose(read_afresh(capture))
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
        done = reread(pipeline, change, capture, choice, parsed, reason=reason, final=final)
        judge_runs(
            change,
            done.runs,
            pipeline.in_force_cache,
            pipeline.config.site.policy,
            cause=f"replay: {reason}",
        )
        if not change.is_empty and not done.is_noted:
            # Only the judgement changed, for what it rests on had: that too was this replay's.
            change.record("replayed", capture=capture.id, reason=reason)
    report.taken += done.taken
    report.retired += done.retired


def _differences(conn: Connection, start: int) -> Iterator[Difference]:
    """Results with versions or decisions journalled from `start` on, against what stood before."""
    rows = conn.execute(
        "SELECT r.id, r.run, r.sample, r.analyte, v.verdict || ' ' || v.text"
        " || coalesce(' ± ' || v.uncertainty, '') || ' ' || v.unit, n.body,"
        " (SELECT w.verdict || ' ' || w.text || coalesce(' ± ' || w.uncertainty, '')"
        " || ' ' || w.unit || char(10) || m.body"
        "  FROM result_versions w JOIN pin_sets m ON m.id = w.pins"
        "  WHERE w.result = r.id AND w.entry < ?1 ORDER BY w.version DESC LIMIT 1)"
        " FROM (SELECT DISTINCT json_extract(CAST(body AS TEXT), '$.result') AS ident FROM journal"
        '  WHERE idx >= ?1 AND instr(body, CAST(\'"kind":"result_judged"\' AS BLOB)) > 0) j'
        " CROSS JOIN results r ON r.id = j.ident CROSS JOIN result_versions v ON v.result = r.id"
        " JOIN pin_sets n ON n.id = v.pins"
        " WHERE v.entry >= ?1 AND v.version = (SELECT max(version) FROM result_versions x"
        " WHERE x.result = r.id) ORDER BY r.id",
        (start,),
    ).fetchall()
    for ident, run, sample, analyte, after, pins, before in rows:
        statement, _, old_pins = (before or "").partition("\n")
        yield Difference(
            result=ident,
            run=run,
            sample=sample,
            analyte=analyte,
            before=" ".join(statement.split()),
            after=" ".join(after.split()),
            why=_why(orjson.loads(old_pins) if old_pins else {}, orjson.loads(pins)),
        )


def _why(before: dict[str, str], after: dict[str, str]) -> str:
    changed = sorted(name for name in {*before, *after} if before.get(name) != after.get(name))
    if not before:
        return "new"
    return ", ".join(changed) if changed else "readings or the program's rules"
