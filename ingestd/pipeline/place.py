"""One slice of parsed readings into the ledger: look up, decide, record."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from ingestd.evaluate.observed import BenchNotes
from ingestd.evaluate.placing import Candidate, Placed, TubeIndex, Waiting, ready_at
from ingestd.ledger import work
from ingestd.ledger.captures import Capture
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import CHUNK, InForce, InForceCache
from ingestd.ledger.store import Change
from ingestd.model import Instrument, StoredReading
from ingestd.model.labels import label_key
from ingestd.pipeline.identify import (
    Decisions,
    Known,
    NewReading,
    Seen,
    decide,
    labels_of,
    number,
    see,
)
from ingestd.times import stamp
from parsers.readings import Fault, Parsed


def take_readings(
    change: Change,
    capture: Capture,
    parsed: Parsed,
    *,
    form: str,
    default: Instrument | None,
    in_force_cache: InForceCache,
    open_days: int,
    is_new: bool = False,
) -> tuple[Decisions, list[Fault]]:
    """Take the readings of a slice in; the caller judges the runs they touch.

    It does so once the capture is closed, so that results pin the form it was read by.

    Args:
        is_new: a frame that is no repetition: a reading with neither number nor time is another
            one, even if it says the same as one before.

    Returns:
        What was decided, and the faults of readings whose instrument is not known.
    """
    in_force = in_force_cache.current(change.conn)
    seen, faults = see(
        parsed.readings,
        find_instrument=in_force.find_instrument,
        default=default,
        arrived_at=capture.arrived_at,
        identities=work.identities_kept(change.conn),
    )
    known = known_readings(change.conn, {one.identity for one in seen})
    counts = _told_apart_by_arrival(seen, known) if is_new else {}
    seen = number(seen, {**_counts(change.conn, capture, seen, known), **counts})
    decisions = decide(
        seen,
        known=known,
        candidates=candidates_for(change.conn, seen, in_force, open_days),
        first_id=_next_reading(change),
        capture=capture.id,
        source=capture.source,
        form=form,
        arrived_at=capture.arrived_at,
    )
    record_decisions(change, capture.id, decisions)
    return decisions, faults


def _told_apart_by_arrival(
    seen: Sequence[Seen], known: dict[bytes, list[Known]]
) -> dict[bytes, int]:
    """For readings with neither number nor time: as many as are known stand before them."""
    return {
        one.identity: len(known.get(one.identity, ()))
        for one in seen
        if not one.parsed.sequenced and one.parsed.measured_at is None
    }


def _next_reading(change: Change) -> int:
    change.flush()
    highest = change.conn.execute("SELECT max(id) FROM readings").fetchone()[0]
    return (highest or 0) + 1


def known_readings(conn: Connection, identities: Iterable[bytes]) -> dict[bytes, list[Known]]:
    """Readings of the ledger that still count, by identity digest."""
    wanted = list(identities)
    found: dict[bytes, list[Known]] = {}
    for at in range(0, len(wanted), CHUNK):
        part = wanted[at : at + CHUNK]
        marks = ", ".join("?" * len(part))
        rows = conn.execute(
            "SELECT r.identity, r.id, r.ordinal, r.digits, p.run FROM readings r"  # noqa: S608 - marks only
            " LEFT JOIN placements p ON p.reading = r.id"
            f" WHERE r.identity IN ({marks}) AND r.retired = '' ORDER BY r.id",
            part,
        )
        for identity, ident, ordinal, digits, run in rows:
            found.setdefault(identity, []).append(
                Known(id=ident, ordinal=ordinal, digits=digits, run=run)
            )
    return found


def _counts(
    conn: Connection, capture: Capture, seen: Sequence[Seen], known: dict[bytes, list[Known]]
) -> dict[bytes, int]:
    """How often each identity stood in what was read of this file before this slice."""
    if capture.resume.offset == 0:
        return {}
    counts: dict[bytes, int] = {}
    for one in seen:
        if one.parsed.sequenced or one.identity in counts:
            continue
        for other in known.get(one.identity, ()):
            is_of_file = conn.execute(
                "SELECT EXISTS (SELECT 1 FROM readings r JOIN captures c ON c.id = r.capture"
                " WHERE r.id = ?1 AND c.lineage = ?2) OR EXISTS (SELECT 1 FROM sightings s"
                " JOIN captures c ON c.id = s.capture WHERE s.reading = ?1 AND c.lineage = ?2)",
                (other.id, capture.lineage),
            ).fetchone()[0]
            if is_of_file:
                counts[one.identity] = counts.get(one.identity, 0) + 1
    return counts


def candidates_for(
    conn: Connection,
    seen: Sequence[Seen],
    in_force: InForce,
    open_days: int,
    *,
    also: Iterable[str] = (),
) -> list[Candidate]:
    """Tubes of open runs that these readings could mean, by label or by order of the sheet.

    Args:
        also: names of runs to consider whether they are open or not.
    """
    if not seen:
        return []
    first = min(one.measured_at for one in seen)
    last = max(one.measured_at for one in seen)
    return _candidates(
        conn,
        in_force,
        labels=labels_of(seen),
        nameless={one.instrument.name for one in seen if not one.parsed.sample},
        since=first - timedelta(days=open_days),
        until=last,
        also=also,
    )


def _candidates(
    conn: Connection,
    in_force: InForce,
    *,
    labels: set[str],
    nameless: set[str],
    since: datetime,
    until: datetime,
    also: Iterable[str] = (),
) -> list[Candidate]:
    names = [*also]
    names += work.open_runs_with_labels(conn, labels, since=since, until=until)
    for instrument in sorted(nameless):
        names += work.open_runs_in_order(conn, instrument, since=since, until=until)
    found = []
    for name in dict.fromkeys(names):
        run = work.get_run(conn, name).run
        method = in_force.methods[run.method]
        bench = BenchNotes(work.current_observations(conn, name))
        for tube in run.tubes:
            if run.order == "in_sheet_order" or label_key(tube.label) in labels:
                found.append(
                    Candidate(
                        run=run,
                        tube=tube,
                        method=method,
                        ready_at=ready_at(run, method, bench, tube),
                    )
                )
    return found


def record_decisions(change: Change, capture: int, decisions: Decisions) -> None:
    """Journal what was decided about a slice."""
    for new in decisions.new:
        change.record("reading_taken", **_reading_body(new))
    if decisions.repeats:
        change.record("readings_seen_again", capture=capture, readings=list(decisions.repeats))
    if decisions.contradicted:
        change.record("readings_conflict", readings=list(decisions.contradicted))


def _reading_body(new: NewReading) -> dict[str, object]:
    reading = new.stored
    return {
        "id": reading.id,
        "capture": reading.capture,
        "source": reading.source,
        "instrument": reading.instrument,
        "identity": new.seen.identity.hex(),
        "ordinal": new.seen.ordinal,
        "digits": new.seen.digits.hex(),
        "method": reading.method,
        "sample": reading.sample,
        "raw": reading.raw,
        "value": None if reading.value is None else str(reading.value),
        "censored": reading.censored,
        "unit": reading.unit,
        "basis": reading.basis,
        "measured_at": stamp(reading.measured_at),
        "arrived_at": stamp(reading.arrived_at),
        "time_note": reading.time_note,
        "absorbance": None if reading.absorbance is None else str(reading.absorbance),
        "dilution": None if reading.dilution is None else str(reading.dilution),
        "dilution_applied": reading.dilution_applied,
        "conflict": reading.conflict,
        "span_start": reading.span[0],
        "span_end": reading.span[1],
        "form": reading.form,
        "placed": None
        if new.placed is None
        else {
            "run": new.placed.run,
            "position": new.placed.position,
            "how": new.placed.reason,
        },
        "waits": None if new.waits is None else waiting_body(reading.sample, new.waits),
    }


def waiting_body(sample: str | None, waits: Waiting) -> dict[str, object]:
    """Why a reading waits, as it is journalled."""
    return {
        "label": label_key(sample or ""),
        "reason": waits.reason,
        "candidates": [
            {"run": miss.run, "position": miss.position, "reason": miss.reason}
            for miss in waits.candidates
        ],
    }


def retry_waiting(
    change: Change, labels: set[str] | None, in_force_cache: InForceCache, open_days: int
) -> list[str]:
    """Try readings that wait again, after a plan or an observation; returns runs that got some.

    Args:
        labels: only readings with these labels (label keys); None for all.
    """
    change.flush()
    in_force = in_force_cache.current(change.conn)
    touched: dict[str, None] = {}
    for waiting in work.waiting_readings(change.conn, labels=labels):
        reading = waiting.reading
        candidates = _candidates(
            change.conn,
            in_force,
            labels={label_key(reading.sample)} if reading.sample else set(),
            nameless=set() if reading.sample else {reading.instrument},
            since=reading.measured_at - timedelta(days=open_days),
            until=reading.measured_at,
        )
        where = TubeIndex(candidates).place(reading)
        if isinstance(where, Placed):
            change.record(
                "reading_placed",
                reading=reading.id,
                run=where.run,
                position=where.position,
                how=where.reason,
                reason="",
            )
            touched[where.run] = None
        else:
            body = waiting_body(reading.sample, where)
            if body["reason"] != waiting.reason or body["candidates"] != list(waiting.candidates):
                change.record("reading_waits", reading=reading.id, **body)
        change.flush()
    return list(touched)


def waits_again(change: Change, reading: StoredReading, reason: str) -> None:
    """Take a reading off its tube; it waits until a plan or a person places it."""
    body = waiting_body(reading.sample, Waiting(reason=reason))
    change.record("reading_waits", reading=reading.id, **body)
