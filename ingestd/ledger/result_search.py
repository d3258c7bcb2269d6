"""Results found page by page: every question is answered from one index, newest first."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ingestd.ledger.connection import Connection
from ingestd.ledger.results import ResultRow, along, get_result
from ingestd.times import instant, stamp

HIGHEST = "\U0010ffff"
MOST_BEGINNINGS = 2_000  # samples that begin alike and are looked at, the first by name


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultQuestion:
    """What is looked for; what is "" or None does not narrow.

    Attributes:
        sample: a code, or the beginning of one where no sample has exactly this code.
        since, until: sampling time, else start of the run; until is not included.
    """

    sample: str = ""
    point: str = ""
    analyte: str = ""
    run: str = ""
    state: str = ""
    since: datetime | None = None
    until: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultPage:
    """Results newest first; `next` begins the page of older ones, "" on the last."""

    rows: tuple[ResultRow, ...]
    next: str


def search_results(
    conn: Connection, question: ResultQuestion, *, after: str = "", limit: int = 50
) -> ResultPage:
    """One page of results.

    Args:
        after: the `next` of the page before.
        limit: results on a page.
    """
    index, where, values = _narrow(conn, question)
    cursor = _cursor(after)
    if cursor is not None:
        where.append("(r.at, r.id) < (?, ?)")
        values += cursor
    rows = conn.execute(
        f"SELECT r.id FROM results r{index} WHERE {' AND '.join(where)}"
        " ORDER BY r.at DESC, r.id DESC LIMIT ?",
        (*values, limit + 1),
    ).fetchall()
    found = tuple(get_result(conn, ident) for (ident,) in rows[:limit])
    more = f"{stamp(found[-1].at)}_{found[-1].id}" if len(rows) > limit else ""
    return ResultPage(rows=found, next=more)


def count_results(conn: Connection, question: ResultQuestion, *, most: int) -> int:
    """How many results answer the question, counted no further than `most`."""
    index, where, values = _narrow(conn, question)
    (count,) = conn.execute(
        "SELECT count(*) FROM"
        f" (SELECT 1 FROM results r{index} WHERE {' AND '.join(where)} LIMIT ?)",
        (*values, most),
    ).fetchone()
    return int(count)


def _narrow(conn: Connection, question: ResultQuestion) -> tuple[str, list[str], list[Any]]:
    """The index to go along, the conditions, and their values."""
    where, values = ["1"], list[Any]()
    index = along(
        sample="",
        run=question.run,
        point=question.point,
        analyte=question.analyte,
        state=question.state,
    )
    if question.sample:
        exact = conn.execute(
            "SELECT 1 FROM results WHERE sample = ? LIMIT 1", (question.sample,)
        ).fetchone()
        index = " INDEXED BY results_by_sample" if exact else ""
        if exact:
            where.append("r.sample = ?")
            values.append(question.sample)
        else:
            where.append(
                "r.id IN (SELECT id FROM results WHERE sample >= ? AND sample < ?"
                " ORDER BY sample LIMIT ?)"
            )
            values += [question.sample, question.sample + HIGHEST, MOST_BEGINNINGS]
    for column, wanted in (
        ("r.point", question.point),
        ("r.analyte", question.analyte),
        ("r.run", question.run),
        ("r.state", question.state),
    ):
        if wanted:
            where.append(f"{column} = ?")
            values.append(wanted)
    if question.since is not None:
        where.append("r.at >= ?")
        values.append(stamp(question.since))
    if question.until is not None:
        where.append("r.at < ?")
        values.append(stamp(question.until))
    return index, where, values


def _cursor(text: str) -> list[Any] | None:
    at, _, ident = text.rpartition("_")
    if not (at and ident.isascii() and ident.isdecimal() and len(ident) < 19):
        return None
    try:
        return [stamp(instant(at)), int(ident)]
    except (ValueError, OverflowError):
        return None


def analytes_of_point(conn: Connection, point: str) -> list[str]:
    """The analytes that a sampling point has results of, one index look-up each."""
    found: list[str] = []
    last = ""
    while True:
        row = conn.execute(
            "SELECT analyte FROM results WHERE point = ? AND analyte > ? ORDER BY analyte LIMIT 1",
            (point, last),
        ).fetchone()
        if row is None:
            return found
        last = row[0]
        found.append(last)
