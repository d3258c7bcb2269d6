"""One batch into the central database: COPY into staging tables, one merge, one commit.

The cursor of the site moves first, in the same transaction, from exactly where this batch begins:
that locks out a second sender and makes a batch whose commit was lost in transit harmless. Every
merge adds what is not there yet and nothing else.
"""

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field

import psycopg
from psycopg import sql

from ingestd.delivery.connecting import Connection, is_about_rows
from ingestd.delivery.entry_rows import CHECKPOINTS, COLUMNS, JOURNAL, Row
from ingestd.errors import TargetRejected, TargetUnavailable
from ingestd.ledger.journal.merkle import Frontier
from ingestd.steps import step

Renew = Callable[[], None]

# Bodies of the journal travel as the bytes they are; as text they would be twice as long.
_BINARY = {"journal": ("text", "date", "int8", "timestamptz", "text", "bytea")}

_ALL = {"journal": JOURNAL, "checkpoints": CHECKPOINTS, **COLUMNS}


@dataclass(slots=True, kw_only=True)
class Batch:
    """What one transaction brings.

    Attributes:
        before, after: frontier of the site's journal where the batch begins and ends.
        journal, checkpoints: their rows, taken by the centre whatever they say.
        rows: by table, with the entry each row comes from; all rows of an entry stand or fall
            together.
        months: first days of the months that all these rows lie in.
    """

    site: str
    before: Frontier
    after: Frontier
    journal: list[Row] = field(default_factory=list)
    checkpoints: list[Row] = field(default_factory=list)
    rows: dict[str, list[tuple[int, Row]]] = field(default_factory=dict)
    months: set[str] = field(default_factory=set)

    def add(self, about: int, table: str, row: Row) -> None:
        """Put in a row of this entry."""
        self.rows.setdefault(table, []).append((about, row))
        self.months.add(row[1])

    @property
    def abouts(self) -> list[int]:
        """Entries that rows come from, in order."""
        return sorted({about for rows in self.rows.values() for about, _ in rows})

    def count(self, without: Collection[int] = ()) -> int:
        """Number of rows of all tables."""
        return (
            len(self.journal)
            + len(self.checkpoints)
            + sum(about not in without for rows in self.rows.values() for about, _ in rows)
        )


class CursorMoved(TargetUnavailable):
    """The centre's cursor is not where this batch begins.

    A commit whose reply was lost, or a second sender of this site; delivery looks again.
    """


def make_staging(conn: Connection) -> None:
    """The session's staging tables, emptied at each commit."""
    with conn.transaction():
        for table in _ALL:
            conn.execute(
                sql.SQL(
                    "CREATE TEMP TABLE {stage} ON COMMIT DELETE ROWS AS"
                    " SELECT {columns} FROM ingestd.{table} WITH NO DATA"
                ).format(
                    stage=stage_name(table),
                    table=sql.Identifier(table),
                    columns=names_of(table),
                )
            )


def stage_name(table: str) -> sql.Identifier:
    """The staging table of a table."""
    return sql.Identifier("pg_temp", f"stage_{table}")


def names_of(table: str) -> sql.Composed:
    """The columns of a table that rows are made for, in their order."""
    return sql.SQL(", ").join(map(sql.Identifier, ("site", "month", *_ALL[table])))


def stage(conn: Connection, table: str, rows: Iterable[Row]) -> int:
    """COPY rows into the staging table; returns how many."""
    types = _BINARY.get(table)
    query = sql.SQL("COPY {} ({}) FROM STDIN{}").format(
        stage_name(table), names_of(table), sql.SQL(" (FORMAT BINARY)" if types else "")
    )
    with conn.cursor() as cursor, cursor.copy(query) as copy:
        if types:
            copy.set_types(types)
        for row in rows:
            copy.write_row(row)
    return cursor.rowcount


def empty_staging(conn: Connection, tables: Iterable[str]) -> None:
    """Empty staging tables before the transaction ends."""
    for table in tables:
        conn.execute(sql.SQL("DELETE FROM {}").format(stage_name(table)))


def send(conn: Connection, batch: Batch, renew: Renew) -> dict[int, str]:
    """Commit a batch; returns entries whose rows the centre refuses, with what it says.

    Args:
        renew: called before each further transaction, to be given the whole time for it.

    Raises:
        CursorMoved: look at the cursor again; nothing was changed.
        psycopg.Error: nothing is known of the commit if the connection broke.
    """
    refused: dict[int, str] = {}
    try:
        _send(conn, batch, refused)
    except (psycopg.Error, UnicodeEncodeError) as error:
        if not is_about_rows(error):
            raise
        refused = find_refused(conn, batch, renew)
        renew()
        _send(conn, batch, refused)
    return refused


def _send(conn: Connection, batch: Batch, refused: Collection[int]) -> None:
    with conn.transaction():
        moved = conn.execute(
            "UPDATE ingestd.cursors SET next_index = %s, nodes = %s"
            " WHERE site = %s AND next_index = %s AND nodes = %s",
            (
                batch.after.size,
                batch.after.to_bytes(),
                batch.site,
                batch.before.size,
                batch.before.to_bytes(),
            ),
        )
        if moved.rowcount != 1:
            raise CursorMoved(
                f"site {batch.site}",
                f"the central cursor does not stand at entry {batch.before.size}",
                "delivery looks again by itself",
            )
        _merge(conn, "journal", batch.journal)
        _merge(conn, "checkpoints", batch.checkpoints)
        _merge_rows(conn, batch, lambda about: about not in refused)
        step("batch_written")


def send_again(conn: Connection, batch: Batch, renew: Renew) -> dict[int, str]:
    """Commit rows of entries that the centre has passed before; the cursor stays. As `send`."""
    refused: dict[int, str] = {}
    try:
        _send_rows(conn, batch, refused)
    except (psycopg.Error, UnicodeEncodeError) as error:
        if not is_about_rows(error):
            raise
        refused = find_refused(conn, batch, renew)
        renew()
        _send_rows(conn, batch, refused)
    return refused


def _send_rows(conn: Connection, batch: Batch, refused: Collection[int]) -> None:
    with conn.transaction():
        _merge_rows(conn, batch, lambda about: about not in refused)


def find_refused(conn: Connection, batch: Batch, renew: Renew) -> dict[int, str]:
    """Entries whose rows the centre refuses, found by halving; changes nothing."""
    refused: dict[int, str] = {}
    waiting = [batch.abouts]
    while waiting:
        part = waiting.pop()
        renew()
        problem = _try(conn, batch, frozenset(part))
        if problem is None:
            continue
        if len(part) == 1:
            refused[part[0]] = problem
            continue
        middle = len(part) // 2
        waiting += [part[middle:], part[:middle]]
    return refused


def _try(conn: Connection, batch: Batch, abouts: frozenset[int]) -> str | None:
    """What the centre says against the rows of these entries; None if it would take them."""
    try:
        with conn.transaction(force_rollback=True):
            _merge_rows(conn, batch, abouts.__contains__)
    except (psycopg.Error, UnicodeEncodeError) as error:
        if not is_about_rows(error):
            raise
        return str(error).strip()
    return None


def _merge_rows(conn: Connection, batch: Batch, is_wanted: Callable[[int], bool]) -> None:
    for table, rows in batch.rows.items():
        _merge(conn, table, (row for about, row in rows if is_wanted(about)))


def _merge(conn: Connection, table: str, rows: Iterable[Row]) -> None:
    staged = stage(conn, table, rows)
    if not staged:
        return
    added = conn.execute(
        sql.SQL(
            "INSERT INTO ingestd.{table} ({names}) SELECT {names} FROM {stage}"
            " ON CONFLICT DO NOTHING"
        ).format(table=sql.Identifier(table), names=names_of(table), stage=stage_name(table))
    )
    if table == "journal" and added.rowcount < staged:
        _refuse_another_journal(conn)


def _refuse_another_journal(conn: Connection) -> None:
    """Entries that are there already must be the very same ones."""
    other = conn.execute(
        "SELECT s.entry FROM pg_temp.stage_journal s JOIN ingestd.journal j"
        " ON j.site = s.site AND j.entry = s.entry WHERE j.body <> s.body ORDER BY 1 LIMIT 1"
    ).fetchone()
    if other is not None:
        raise TargetRejected(
            "central database",
            f"it holds another journal entry {other[0]} of this site",
            "two ledgers deliver under one name, or one was restored from an older backup",
        )
