"""Runs, tubes, readings and observations as the ledger holds them."""

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from decimal import Decimal
from functools import lru_cache
from typing import Any

import orjson

from ingestd.errors import Refused
from ingestd.ledger.bodies import value_of
from ingestd.ledger.connection import Connection, Row
from ingestd.ledger.inputs import CHUNK
from ingestd.ledger.sql import select, statements
from ingestd.model import (
    ControlElsewhere,
    ControlPoint,
    Method,
    Observation,
    Role,
    Run,
    SampleValue,
    StoredReading,
)
from ingestd.times import instant, stamp
from parsers.frozen import frozen

READING_COLUMNS = (
    "r.id, r.capture, r.instrument, r.source, r.method, r.sample, r.value, r.censored, r.unit,"
    " r.basis, r.measured_at, r.arrived_at, r.time_note, r.absorbance, r.dilution,"
    " r.dilution_applied, r.conflict, r.raw, r.span_start, r.span_end, r.form"
)


RUNS = statements("runs")


def reading_from(row: Sequence[Any]) -> StoredReading:
    """A reading from the columns of READING_COLUMNS."""
    return StoredReading(
        id=row[0],
        capture=row[1],
        instrument=row[2],
        source=row[3],
        method=row[4],
        sample=row[5],
        value=None if row[6] is None else Decimal(row[6]),
        censored=row[7],
        unit=row[8],
        basis=row[9],
        measured_at=instant(row[10]),
        arrived_at=instant(row[11]),
        time_note=row[12],
        absorbance=None if row[13] is None else Decimal(row[13]),
        dilution=None if row[14] is None else Decimal(row[14]),
        dilution_applied=None if row[15] is None else bool(row[15]),
        conflict=bool(row[16]),
        raw=row[17],
        span=(row[18], row[19]),
        form=row[20],
    )


def identities_kept(conn: Connection) -> int:
    """How this ledger keeps identities of readings: SCATTERED or GROUPED."""
    row = conn.execute("SELECT value FROM counters WHERE name = 'identities'").fetchone()
    return int(row[0])


@frozen
class StoredRun:
    """A run with what the ledger knows about its progress."""

    run: Run
    version: int
    capture: int | None
    day: date
    sha256: str
    complete: bool
    closed: bool
    entry: int


@lru_cache(maxsize=1024)  # a run of 25 tubes takes 13 kB with its body
def _run(body: str) -> Run:
    return value_of(Run, body)


_RUN = "SELECT version, capture, day, sha256, complete, closed, body, entry FROM runs"


def _stored_run(row: Sequence[Any]) -> StoredRun:
    return StoredRun(
        version=row[0],
        capture=row[1],
        day=date.fromisoformat(row[2]),
        sha256=row[3],
        complete=bool(row[4]),
        closed=bool(row[5]),
        run=_run(row[6]),
        entry=row[7],
    )


def find_run(conn: Connection, name: str) -> StoredRun | None:
    """The run of this name."""
    row = conn.execute(f"{_RUN} WHERE name = ?", (name,)).fetchone()
    return _stored_run(row) if row else None


def get_run(conn: Connection, name: str) -> StoredRun:
    """The run of this name.

    Raises:
        Refused: there is none.
    """
    found = find_run(conn, name)
    if found is None:
        raise Refused(f"run {name!r}", "there is none", "see `ingestd plan show`")
    return found


def find_runs(
    conn: Connection,
    *,
    method: str | None = None,
    day: date | None = None,
    open_only: bool = False,
) -> list[StoredRun]:
    """Runs by start, narrowed by whatever is given."""
    where, values = ["1"], list[object]()
    if method is not None:
        where.append("method = ?")
        values.append(method)
    if day is not None:
        where.append("day = ?")
        values.append(day.isoformat())
    if open_only:
        where.append("complete = 0 AND closed = 0")
    rows = conn.execute(f"{_RUN} WHERE {' AND '.join(where)} ORDER BY started_at, name", values)
    return [_stored_run(row) for row in rows]


def open_runs_with_labels(
    conn: Connection, labels: Iterable[str], *, since: datetime, until: datetime
) -> list[str]:
    """Names of open runs started in the period with a tube of one of these labels."""
    wanted = sorted(set(labels))
    found: dict[str, None] = {}
    for at in range(0, len(wanted), CHUNK):
        part = wanted[at : at + CHUNK]
        marks = ", ".join("?" * len(part))
        rows = conn.execute(
            f"SELECT DISTINCT t.run FROM tubes t JOIN runs r ON r.name = t.run"
            f" WHERE t.label IN ({marks}) AND t.started_at BETWEEN ? AND ?"
            " AND r.complete = 0 AND r.closed = 0 ORDER BY t.started_at, t.run",
            (*part, stamp(since), stamp(until)),
        )
        found.update((name, None) for (name,) in rows)
    return list(found)


def open_runs_sharing(
    conn: Connection, method: str, *, day: date, lots: Iterable[str]
) -> list[str]:
    """Names of open runs of a method on the same day, or with tubes of one of these kit lots."""
    wanted = sorted(set(lots))
    marks = ", ".join("?" * len(wanted)) or "NULL"
    rows = conn.execute(
        "SELECT r.name FROM runs r WHERE r.method = ? AND r.complete = 0 AND r.closed = 0"
        " AND (r.day = ? OR EXISTS (SELECT 1 FROM tubes t WHERE t.run = r.name"
        f" AND t.lot IN ({marks}))) ORDER BY r.started_at, r.name",
        (method, day.isoformat(), *wanted),
    )
    return [name for (name,) in rows]


def runs_sharing_samples(conn: Connection, samples: Iterable[str]) -> list[str]:
    """Names of runs that hold a result of one of these samples."""
    wanted = sorted(set(samples))
    found: dict[str, None] = {}
    for at in range(0, len(wanted), CHUNK):
        part = wanted[at : at + CHUNK]
        rows = conn.execute(
            "SELECT DISTINCT run FROM results INDEXED BY results_by_sample"
            f" WHERE sample IN ({', '.join('?' * len(part))}) ORDER BY run",
            part,
        )
        found.update((name, None) for (name,) in rows)
    return list(found)


def open_runs_in_order(
    conn: Connection, instrument: str, *, since: datetime, until: datetime
) -> list[str]:
    """Names of open runs on an instrument started in the period."""
    period = {"instrument": instrument, "since": stamp(since), "until": stamp(until)}
    return [row["name"] for row in select(conn, RUNS["open_in_order"], period)]


def placed_readings(conn: Connection, run: str) -> dict[int, tuple[StoredReading, ...]]:
    """Readings placed on a run's tubes, by position, in order of arrival."""
    rows = conn.execute(
        f"SELECT {READING_COLUMNS}, p.position FROM placements p JOIN readings r"
        " ON r.id = p.reading WHERE p.run = ? ORDER BY r.id",
        (run,),
    )
    found: dict[int, tuple[StoredReading, ...]] = {}
    for row in rows:
        found[row[21]] = (*found.get(row[21], ()), reading_from(row))
    return found


def current_observations(conn: Connection, run: str) -> tuple[Observation, ...]:
    """The observations in force on a run, in order of entry; superseded ones left out."""
    newest: dict[tuple[int | None, str], Observation] = {}
    for ident, position, key, value, at, actor in conn.execute(
        "SELECT id, position, key, value, at, actor FROM observations WHERE run = ? ORDER BY id",
        (run,),
    ):
        newest.pop((position, key), None)
        newest[position, key] = Observation(
            id=ident, run=run, position=position, key=key, value=value, at=instant(at), by=actor
        )
    return tuple(newest.values())


def get_reading(conn: Connection, ident: int) -> StoredReading:
    """The reading of this id.

    Raises:
        Refused: there is none, or it no longer counts.
    """
    row = conn.execute(
        f"SELECT {READING_COLUMNS}, r.retired FROM readings r WHERE r.id = ?",
        (ident,),
    ).fetchone()
    if row is None:
        raise Refused(f"reading {ident}", "there is none", "see `ingestd readings`")
    if row[21]:
        raise Refused(f"reading {ident}", f"it no longer counts: {row[21]}", "use its successor")
    return reading_from(row)


@frozen
class WaitingReading:
    """A reading that waits for a person, with what was considered."""

    reading: StoredReading
    reason: str
    candidates: tuple[dict[str, Any], ...]


def waiting_readings(
    conn: Connection, *, labels: Iterable[str] | None = None, instrument: str | None = None
) -> list[WaitingReading]:
    """Readings that wait, oldest first; narrowed to labels or to one instrument."""
    query = (
        f"SELECT {READING_COLUMNS}, w.reason, w.candidates FROM waiting w JOIN readings r"
        " ON r.id = w.reading"
    )
    rows: list[Sequence[Any]] = []
    if labels is None:
        rows = conn.execute(f"{query} ORDER BY r.id").fetchall()
    else:
        wanted = sorted(set(labels))
        for at in range(0, len(wanted), CHUNK):
            part = wanted[at : at + CHUNK]
            marks = ", ".join("?" * len(part))
            rows += conn.execute(f"{query} WHERE w.label IN ({marks})", part).fetchall()
        rows.sort(key=lambda row: row[0])
    found = [
        WaitingReading(
            reading=reading_from(row), reason=row[21], candidates=tuple(orjson.loads(row[22]))
        )
        for row in rows
    ]
    return [w for w in found if instrument is None or w.reading.instrument == instrument]


def controls_elsewhere(
    conn: Connection, method: Method, *, run: str, day: date, lots: Iterable[str]
) -> tuple[ControlElsewhere, ...]:
    """Controls of other runs that may cover one: of the same day, or of the same kit lots.

    Looked up only where the method asks for a control less often than in every run.
    """
    spans = {need.per for need in method.needs}
    rows: dict[tuple[str, int], Sequence[Any]] = {}
    if "day" in spans:
        found = conn.execute(
            f"{_CONTROL} v.day = ? AND v.method = ? AND v.run <> ?",
            (day.isoformat(), method.name, run),
        )
        rows.update(((row[1], row[5]), row) for row in found)
    if "kit_lot" in spans:
        for lot in sorted({lot for lot in lots if lot}):
            found = conn.execute(
                f"{_CONTROL} v.lot = ? AND v.method = ? AND v.run <> ?", (lot, method.name, run)
            )
            rows.update(((row[1], row[5]), row) for row in found)
    return tuple(
        ControlElsewhere(
            role=Role(role), run=name, started_at=instant(started), lot=lot, passed=bool(passed)
        )
        for role, name, started, lot, passed, _, _ in sorted(
            rows.values(), key=lambda row: (row[6], row[1], row[5])
        )
    )


_CONTROL = (
    "SELECT v.role, v.run, r.started_at, v.lot, v.passed, v.position, v.at FROM control_values v"
    " JOIN runs r ON r.name = v.run WHERE"
)


def control_history(
    conn: Connection, method: str, *, before: datetime, newest: int
) -> tuple[ControlPoint, ...]:
    """The last `newest` control values of a method before an instant, oldest first."""
    rows = conn.execute(
        "SELECT run, position, role, at, instrument, value, nominal, partner FROM control_values"
        " WHERE method = ? AND at < ? AND value IS NOT NULL ORDER BY at DESC, run, position"
        " LIMIT ?",
        (method, stamp(before), newest),
    ).fetchall()
    return tuple(_control_point(row) for row in reversed(rows))


@lru_cache(maxsize=8192)  # neighbouring runs look at nearly the same values
def _control_point(row: Row) -> ControlPoint:
    run, position, role, at, instrument, value, nominal, partner = row
    return ControlPoint(
        run=run,
        position=position,
        role=Role(role),
        at=instant(at),
        instrument=instrument,
        value=Decimal(value),
        nominal=None if nominal is None else Decimal(nominal),
        partner=None if partner is None else Decimal(partner),
    )


# The index is named: the planner's guesses led it through all results of one state.
_VALUE = (
    "SELECT r.sample, r.analyte, r.fraction, r.basis, v.value, v.censored, v.unit, v.uncertainty,"
    " r.at, r.point FROM results r INDEXED BY {index} JOIN result_versions v"
    " ON v.result = r.id AND v.version = r.version WHERE v.value IS NOT NULL"
)
_OF_SAMPLES = _VALUE.format(index="results_by_sample")
_OF_POINT = _VALUE.format(index="results_released")


@lru_cache(maxsize=8192)  # neighbouring runs look at nearly the same values
def _sample_value(row: Row) -> SampleValue:
    return SampleValue(
        sample=row[0],
        analyte=row[1],
        fraction=row[2],
        basis=row[3],
        value=Decimal(row[4]),
        censored=row[5],
        unit=row[6],
        uncertainty=None if row[7] is None else Decimal(row[7]),
        at=instant(row[8]),
        point=row[9],
    )


def companions(conn: Connection, samples: Iterable[str], *, run: str) -> tuple[SampleValue, ...]:
    """Accepted or released values of these samples from other runs."""
    wanted = sorted(set(samples))
    found: list[SampleValue] = []
    for at in range(0, len(wanted), CHUNK):
        part = wanted[at : at + CHUNK]
        marks = ", ".join("?" * len(part))
        rows = conn.execute(
            f"{_OF_SAMPLES} AND r.sample IN ({marks}) AND r.run <> ?"
            " AND r.state IN ('accepted', 'released') ORDER BY r.at, r.id",
            (*part, run),
        )
        found.extend(_sample_value(row) for row in rows)
    return tuple(found)


def point_history(
    conn: Connection,
    point: str,
    analyte: str,
    fraction: str,
    basis: str,
    *,
    before: datetime,
    newest: int,
) -> tuple[SampleValue, ...]:
    """The last released values of a sampling point before an instant, oldest first."""
    rows = conn.execute(
        f"{_OF_POINT} AND r.state = 'released' AND r.point = ? AND r.analyte = ?"
        " AND r.fraction = ? AND r.basis = ? AND r.at < ? ORDER BY r.at DESC LIMIT ?",
        (point, analyte, fraction, basis, stamp(before), newest),
    ).fetchall()
    return tuple(_sample_value(row) for row in reversed(rows))


def lot_use(conn: Connection, lots: Iterable[str]) -> dict[str, int]:
    """Determinations planned so far on each of these lots."""
    found: dict[str, int] = {}
    for lot in set(lots):
        row = conn.execute("SELECT determinations FROM lot_use WHERE lot = ?", (lot,)).fetchone()
        if row:
            found[lot] = row[0]
    return found
