"""A capture read again: what it says now takes the place of what it said.

A reading that says something else is retired and its successor keeps its tube; one that is read
no more is retired; one that says the same is left alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from operator import itemgetter

import parsers
from ingestd.evaluate.placing import Placed
from ingestd.ledger import work
from ingestd.ledger.captures import Capture, close_capture
from ingestd.ledger.connection import Connection, Row
from ingestd.ledger.store import Change
from ingestd.pipeline.identify import NewReading, Seen, decide, number, see
from ingestd.pipeline.pipeline import Choice, Pipeline
from ingestd.pipeline.place import candidates_for, known_readings, record_decisions
from ingestd.times import instant
from parsers.readings import Fault, Resume


@dataclass(frozen=True, slots=True, kw_only=True)
class Reread:
    """What came of it: readings taken and retired, and the runs to be judged anew.

    `is_noted` says that the replay stands in the journal, because the capture says something else.
    """

    is_noted: bool
    taken: int
    retired: int
    runs: tuple[str, ...]


# Columns of `_old_readings`: those of a reading, then identity, ordinal, digits, run, position.
_MEASURED_AT, _STARTS, _IDENTITY, _ORDINAL, _RUN, _POSITION = 10, 18, 21, 22, 24, 25
_MEANING = itemgetter(_IDENTITY, _ORDINAL, 23, 12, 4, 5, 7, 8, 9, 15)


def reread(
    pipeline: Pipeline,
    change: Change,
    capture: Capture,
    choice: Choice,
    parsed: parsers.Parsed,
    *,
    reason: str,
    final: bool,
) -> Reread:
    """Take what a capture says now in the place of what it said; the caller judges the runs.

    Args:
        capture: as it stands in the ledger; the last one of its file.
        choice: the form that `parsed` was read by, from the file's first byte on.
        reason: written into every change.
        final: its tail counts as complete.
    """
    assert choice.form is not None  # noqa: S101 - the caller has chosen one
    afresh = read_afresh(capture)
    conn = change.conn
    source = pipeline.source(capture.source)
    in_force = pipeline.in_force_cache.current(conn)
    seen, strangers = see(
        parsed.readings,
        find_instrument=in_force.find_instrument,
        default=in_force.instruments.get(source.instrument) if source else None,
        arrived_at=capture.arrived_at,
        identities=work.identities_kept(conn),
    )
    before = _old_readings(conn, capture)
    seen = [_numbered_as_before(one, before) for one in number(seen, {})]
    changed = [one for one in seen if not _says_the_same(one, before.get(one.parsed.span.start))]
    kept = len(seen) - len(changed)
    same = {one.parsed.span.start for one in seen} - {one.parsed.span.start for one in changed}
    gone = [old for start, old in before.items() if start not in same]
    runs = [old[_RUN] for old in before.values() if old[_RUN]]
    for old in gone:
        change.record("reading_retired", reading=old[0], reason=f"replay: {reason}")
    change.flush()
    decisions = decide(
        changed,
        known=known_readings(conn, {one.identity for one in changed}),
        candidates=candidates_for(
            conn, changed, in_force, pipeline.config.plan.open_days, also=runs
        ),
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
    is_noted = bool(decisions.new or decisions.repeats or gone or not is_same)
    if is_noted:
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
    return Reread(
        is_noted=is_noted,
        taken=len(decisions.new),
        retired=len(gone),
        runs=tuple(dict.fromkeys([*runs, *decisions.runs])),
    )


def read_afresh(capture: Capture) -> Capture:
    """The capture as if nobody had looked inside yet."""
    return replace(capture, form="", form_sha256="", resume=Resume(), readings=0, repeats=0)


def _not_noted_yet(conn: Connection, capture: int, repeats: Sequence[int]) -> tuple[int, ...]:
    """Those of these readings of which it is not on record that the capture repeats them."""
    noted = "SELECT EXISTS (SELECT 1 FROM sightings WHERE reading = ? AND capture = ?)"
    return tuple(
        reading for reading in repeats if not conn.execute(noted, (reading, capture)).fetchone()[0]
    )


def _numbered_as_before(one: Seen, before: dict[int, Row]) -> Seen:
    """A reading with neither number nor time was told from its like by when it arrived."""
    old = before.get(one.parsed.span.start)
    is_timeless = not one.parsed.sequenced and one.parsed.measured_at is None
    if old is None or not is_timeless or old[_IDENTITY] != one.identity:
        return one
    return replace(one, ordinal=old[_ORDINAL])


def _says_the_same(one: Seen, old: Row | None) -> bool:
    """Whether the bytes mean what they meant before; the form may have changed their meaning.

    Equal digests of content stand for equal numbers.
    """
    if old is None:
        return False
    parsed = one.parsed
    return _MEANING(old) == (
        one.identity, one.ordinal, one.digits, one.time_note, parsed.method, parsed.sample,
        parsed.censored, parsed.unit, parsed.basis, parsed.dilution_applied,
    ) and instant(old[_MEASURED_AT]) == one.measured_at  # fmt: skip


def _in_place_of(new: NewReading, before: dict[int, Row]) -> NewReading:
    """A reading mended in place keeps the tube of the one it was, unless its label changed."""
    old = before.get(new.seen.parsed.span.start)
    if old is None or old[_RUN] is None:
        return new
    stored = work.reading_from(old)
    if (new.stored.sample, new.stored.method) != (stored.sample, stored.method):
        return new
    place = Placed(
        run=old[_RUN],
        position=old[_POSITION],
        reason=f"Takes the place of reading {stored.id}, the same bytes read before.",
    )
    return replace(new, placed=place, waits=None)


def _old_readings(conn: Connection, capture: Capture) -> dict[int, Row]:
    """Readings that still count of the file up to this capture, by where they begin in it."""
    rows = conn.execute(
        f"SELECT {work.READING_COLUMNS}, r.identity, r.ordinal, r.digits, p.run, p.position"  # noqa: S608 - fixed text
        " FROM captures c INDEXED BY captures_by_name"
        " CROSS JOIN readings r INDEXED BY readings_by_capture ON r.capture = c.id"
        " LEFT JOIN placements p ON p.reading = r.id"
        " WHERE c.source = ? AND c.name = ? AND c.id <= ? AND c.lineage = ? AND r.retired = ''"
        " ORDER BY r.id",
        (capture.source, capture.name, capture.id, capture.lineage),
    )
    return {row[_STARTS]: row for row in rows}
