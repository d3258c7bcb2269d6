"""Results as the ledger holds them: lists for people and files, versions, the reported value."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

import orjson

from ingestd.errors import Refused
from ingestd.ledger.connection import Connection
from ingestd.times import instant, stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultRow:
    """One result as it stands.

    Attributes:
        at: sampling time, else the start of its run.
        text: the statement, e.g. `< 150`.
        proposed: number of a newer version that waits for a person, or None.
        reported: it is the one released result of this sample and analyte, or a reviewer
            chose it among several.
        reason: of the newest decision; printed with a result released from held.
    """

    id: int
    run: str
    method: str
    sample: str
    point: str
    analyte: str
    fraction: str
    basis: str
    at: datetime
    state: str
    version: int
    proposed: int | None
    verdict: str
    text: str
    value: Decimal | None
    censored: str
    unit: str
    uncertainty: Decimal | None
    reason: str
    reported: bool
    entry: int


# A result is the reported value if it alone is released for its sample and analyte, or if a
# reviewer chose it among those released.
_REPORTED = (
    "(r.state = 'released' AND CASE WHEN EXISTS (SELECT 1 FROM reported q JOIN results x"
    " ON x.id = q.result WHERE q.sample = r.sample AND q.analyte = r.analyte"
    " AND q.fraction = r.fraction AND q.basis = r.basis AND x.state = 'released')"
    " THEN EXISTS (SELECT 1 FROM reported q WHERE q.result = r.id)"
    " ELSE NOT EXISTS (SELECT 1 FROM results x WHERE x.sample = r.sample"
    " AND x.analyte = r.analyte AND x.fraction = r.fraction AND x.basis = r.basis"
    " AND x.state = 'released' AND x.id <> r.id) END)"
)
_ROW = (
    "SELECT r.id, r.run, r.method, r.sample, r.point, r.analyte, r.fraction, r.basis, r.at,"
    " r.state, r.version, r.proposed, v.verdict, v.text, v.value, v.censored, v.unit,"
    f" v.uncertainty, v.reason, {_REPORTED}, v.entry FROM results r{{along}}"
    " JOIN result_versions v ON v.result = r.id AND v.version = r.version"
)

# States in which nearly every result stands sooner or later; of the others there are few.
_USUAL = frozenset({"", "accepted", "released"})


def along(*, sample: str, run: str, point: str, analyte: str, state: str) -> str:
    """The index by which a question is answered, as SQL; "" leaves it to SQLite.

    Named because a planner that knows no counts went through all results of a state, or sorted
    all of a point, to find the newest fifty.

    Args:
        sample, run, point, analyte, state: what the question demands, "" for anything.
    """
    if sample or run:
        return " INDEXED BY results_by_sample" if sample else ""
    if state not in _USUAL:
        return " INDEXED BY results_by_state"
    if point:  # of a point and a state without an analyte, an index that holds all it asks for
        return " INDEXED BY results_by_point" if analyte or not state else ""
    return " INDEXED BY results_by_analyte" if analyte else ""


def _row(row: Sequence[Any]) -> ResultRow:
    return ResultRow(
        id=row[0], run=row[1], method=row[2], sample=row[3], point=row[4], analyte=row[5],
        fraction=row[6], basis=row[7], at=instant(row[8]), state=row[9], version=row[10],
        proposed=row[11], verdict=row[12], text=row[13],
        value=None if row[14] is None else Decimal(row[14]), censored=row[15], unit=row[16],
        uncertainty=None if row[17] is None else Decimal(row[17]), reason=row[18],
        reported=bool(row[19]), entry=row[20],
    )  # fmt: skip


def find_results(
    conn: Connection,
    *,
    sample: str | None = None,
    point: str | None = None,
    analyte: str | None = None,
    run: str | None = None,
    state: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    limit: int | None = None,
) -> list[ResultRow]:
    """Results by time, narrowed by whatever is given; `limit` keeps the newest."""
    where, values = ["1"], list[Any]()
    for column, wanted in (
        ("r.sample", sample),
        ("r.point", point),
        ("r.analyte", analyte),
        ("r.run", run),
        ("r.state", state),
    ):
        if wanted is not None:
            where.append(f"{column} = ?")
            values.append(wanted)
    if since is not None:
        where.append("r.at >= ?")
        values.append(stamp(since))
    if until is not None:
        where.append("r.at < ?")
        values.append(stamp(until))
    order = "ORDER BY r.at, r.sample, r.analyte, r.id"
    if limit is not None:
        order = "ORDER BY r.at DESC, r.id DESC LIMIT ?"
        values.append(limit)
    index = along(
        sample=sample or "",
        run=run or "",
        point=point or "",
        analyte=analyte or "",
        state=state or "",
    )
    query = f"{_ROW.format(along=index)} WHERE {' AND '.join(where)} {order}"
    rows = conn.execute(query, values).fetchall()
    found = [_row(row) for row in rows]
    return found[::-1] if limit is not None else found


def get_result(conn: Connection, ident: int) -> ResultRow:
    """The result of this number.

    Raises:
        Refused: there is none.
    """
    row = conn.execute(f"{_ROW.format(along='')} WHERE r.id = ?", (ident,)).fetchone()
    if row is None:
        raise Refused(f"result {ident}", "there is none", "see `ingestd results`")
    return _row(row)


@dataclass(frozen=True, slots=True, kw_only=True)
class VersionRow:
    """One version of a result, with what was decided on it."""

    version: int
    verdict: str
    standing: str
    text: str
    unit: str
    cause: str
    made_at: datetime
    reason: str
    entry: int
    pins: dict[str, str]


def versions_of(conn: Connection, ident: int) -> list[VersionRow]:
    """All versions of a result, oldest first."""
    rows = conn.execute(
        "SELECT v.version, v.verdict, v.standing, v.text, v.unit, v.cause, v.made_at, v.reason,"
        " v.entry, p.body FROM result_versions v JOIN pin_sets p ON p.id = v.pins"
        " WHERE v.result = ? ORDER BY v.version",
        (ident,),
    )
    return [
        VersionRow(
            version=row[0], verdict=row[1], standing=row[2], text=row[3], unit=row[4],
            cause=row[5], made_at=instant(row[6]), reason=row[7], entry=row[8],
            pins=orjson.loads(row[9]),
        )
        for row in rows
    ]  # fmt: skip


def entry_body(conn: Connection, index: int) -> dict[str, Any]:
    """The journal entry of this index.

    Raises:
        Refused: there is none.
    """
    row = conn.execute("SELECT body FROM journal WHERE idx = ?", (index,)).fetchone()
    if row is None:
        raise Refused(f"journal entry {index}", "there is none", "see `ingestd verify`")
    body: dict[str, Any] = orjson.loads(row[0])
    return body
