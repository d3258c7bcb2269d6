"""Proof at the centre alone that a site's journal there is whole and its tables say the same.

Nothing of the site is needed: the journal's entries are hashed again and compared with the signed
checkpoints and with the cursor; then every row is made again from the entries, by the same pure
function that made it at the site, and compared with the row that is there.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import orjson
import psycopg
from psycopg import sql

from ingestd.delivery import merging
from ingestd.delivery.connecting import Connection, translate
from ingestd.delivery.entry_rows import COLUMNS, Judgement, Made, decision_rows, month_of, rows_of
from ingestd.delivery.schema import check_schema
from ingestd.errors import TargetRejected
from ingestd.ledger.journal.checkpoints import Checkpoint, CheckpointError, parse_checkpoint
from ingestd.ledger.journal.checkpoints import verify_checkpoint as verify_note
from ingestd.ledger.journal.merkle import Frontier, leaf_hash

CHUNK = 5_000  # entries looked at together
BY_VERSION = ("results", "findings")  # their rows come with the decision on a version
_ENTRY_AT = {
    table: columns.index("entry") + 2  # behind site and month
    for table, columns in COLUMNS.items()
    if table != "findings"
}


@dataclass(slots=True, kw_only=True)
class CentralReport:
    """What was checked of one site.

    Attributes:
        faults: one sentence each; the first names the first entry that does not fit.
        cautions: what could not be checked, or is not explained yet.
    """

    site: str
    entries: int = 0
    root: str = ""
    checkpoints: int = 0
    rows: int = 0
    faults: list[str] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        """True if nothing speaks against what the centre has of this site."""
        return not self.faults


@dataclass(slots=True)
class _Known:
    """What the journal's earlier entries have told."""

    refused: set[int]  # entries whose rows the site knows to be missing
    told_to: int  # below it the site has said which these are
    judged: dict[tuple[int, int], int] = field(default_factory=dict)
    versions: dict[tuple[int, int], int] = field(default_factory=dict)  # to their first decision


def verify_central(
    conn: Connection, *, site: str | None = None, keys: Mapping[str, str] | None = None
) -> list[CentralReport]:
    """Check what the centre has of every site, or of one; changes nothing.

    Args:
        conn: as a reader; the check sees one state, whoever delivers meanwhile.
        keys: verifier keys by site, to be trusted more than those on record at the centre.

    Raises:
        TargetRejected: no such site, or another schema.
        TargetUnavailable: the connection was lost.
    """
    try:
        check_schema(conn)
        merging.make_staging(conn)
        with conn.transaction():
            conn.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
            rows = conn.execute(
                "SELECT s.site, s.public_key, c.next_index, c.nodes FROM ingestd.sites s"
                " JOIN ingestd.cursors c ON c.site = s.site"
                " WHERE %s::text IS NULL OR s.site = %s ORDER BY s.site",
                (site, site),
            ).fetchall()
            if site is not None and not rows:
                raise TargetRejected(f"site {site!r}", "the centre knows none of this name")
            return [
                _verify_site(conn, name, (keys or {}).get(name) or key, size, nodes)
                for name, key, size, nodes in rows
            ]
    except psycopg.Error as error:
        raise translate(error) from error


def _verify_site(conn: Connection, site: str, key: str, size: int, nodes: bytes) -> CentralReport:
    report = CentralReport(site=site)
    due = _checkpoints(conn, site, key, report)
    known = _refusals(conn, site)
    frontier = Frontier()
    with conn.cursor(name="entries") as cursor:
        cursor.itersize = CHUNK
        cursor.execute(
            "SELECT entry, month::text, at, kind, body FROM ingestd.journal WHERE site = %s"
            " ORDER BY entry",
            (site,),
        )
        while rows := cursor.fetchmany(CHUNK):
            chunk: list[tuple[int, bytes]] = []
            for entry, month, at, kind, text in rows:
                expected = frontier.size + len(chunk)
                if entry != expected:
                    report.faults.append(f"journal entry {expected} is missing")
                    return report
                chunk.append((entry, text))
                if not _is_filed_rightly(text, month, at, kind):
                    report.faults.append(
                        f"journal entry {entry} is filed under a wrong time or kind"
                    )
                    return report
            frontier = _compare_roots(frontier, chunk, due, report)
            if report.faults:
                return report
            _compare_rows(conn, site, chunk, known, report)
    report.entries, report.root = frontier.size, frontier.root().hex()
    if due:
        report.faults.append(
            f"journal entry {frontier.size} is missing: a checkpoint was signed over"
            f" {due[0].size} entries, there are {frontier.size}; its end was cut off"
        )
    if (size, bytes(nodes)) != (frontier.size, frontier.to_bytes()):
        report.faults.append(
            f"the cursor says {size} entries, the journal holds {frontier.size}, or others"
        )
    _look_for_strays(conn, site, known, report)
    return report


def _checkpoints(conn: Connection, site: str, key: str, report: CentralReport) -> list[Checkpoint]:
    """Checkpoints the centre holds, smallest first; signatures verified if there is a key."""
    found = []
    if not key:
        report.cautions.append(
            "no public key of this site is on record: signatures of checkpoints were not checked"
        )
    for size, root, note in conn.execute(
        "SELECT size, root, note FROM ingestd.checkpoints WHERE site = %s ORDER BY size", (site,)
    ):
        try:
            checkpoint = verify_note(note, key) if key else parse_checkpoint(note)
        except CheckpointError as error:
            report.faults.append(f"checkpoint of size {size}: {error}")
            continue
        if (checkpoint.size, checkpoint.root) != (size, bytes(root)):
            report.faults.append(f"checkpoint of size {size} is filed under another size or root")
            continue
        found.append(checkpoint)
    return found


def _refusals(conn: Connection, site: str) -> _Known:
    known = _Known(refused=set(), told_to=0)
    for (text,) in conn.execute(
        "SELECT body FROM ingestd.journal WHERE site = %s AND kind = 'delivered' ORDER BY entry",
        (site,),
    ):
        body = orjson.loads(text)
        if body["target"] == "postgres":
            known.refused.difference_update(body["cleared"])
            known.refused.update(one["about"] for one in body["set_aside"])
            known.told_to = max(known.told_to, body["up_to"])
    return known


def _is_filed_rightly(text: bytes, month: str, at: Any, kind: str) -> bool:
    body = orjson.loads(text)
    written = at.isoformat(timespec="microseconds").replace("+00:00", "Z")
    return (month, written, kind) == (month_of(body["at"]), body["at"], body["kind"])


def _compare_roots(
    frontier: Frontier,
    chunk: list[tuple[int, bytes]],
    due: list[Checkpoint],
    report: CentralReport,
) -> Frontier:
    """The frontier after a chunk; each checkpoint that ends within it is compared."""
    leaves = [leaf_hash(text) for _, text in chunk]
    while due and due[0].size <= frontier.size + len(leaves):
        cut = due[0].size - frontier.size
        frontier, leaves = frontier.extend(leaves[:cut]), leaves[cut:]
        if frontier.root() != due[0].root:
            report.faults.append(
                f"journal entries up to {due[0].size - 1} are not those that the checkpoint of"
                f" size {due[0].size} was signed over"
            )
            return frontier
        report.checkpoints += 1
        due.pop(0)
    return frontier.extend(leaves)


def _compare_rows(
    conn: Connection,
    site: str,
    chunk: list[tuple[int, bytes]],
    known: _Known,
    report: CentralReport,
) -> None:
    made: dict[str, list[tuple[Any, ...]]] = {table: [] for table in COLUMNS}
    texts = dict(chunk)
    for entry, text in chunk:
        body = orjson.loads(text)
        if body["kind"] == "result_judged":
            known.judged[body["result"], body["version"]] = entry
        if entry in known.refused:
            continue
        for table, row in _rows(conn, site, entry, body, texts, known):
            if table in BY_VERSION and known.versions.setdefault(row[2:4], entry) != entry:
                continue  # came with the first decision on this version
            if entry < known.told_to or not any(
                isinstance(cell, str) and "\0" in cell for cell in row
            ):
                made[table].append(row)
    first, last = chunk[0][0], chunk[-1][0]
    for table, rows in made.items():
        merging.stage(conn, table, rows)
        report.rows += len(rows)
    for table in made:
        _compare_table(conn, site, table, first, last, known, report)
    merging.empty_staging(conn, made)


def _rows(
    conn: Connection,
    site: str,
    entry: int,
    body: Mapping[str, Any],
    texts: Mapping[int, bytes],
    known: _Known,
) -> Iterable[Made]:
    if body["kind"] != "decided":
        return rows_of(site, entry, body)
    judged = known.judged[body["result"], body["version"]]
    text = texts.get(judged)
    if text is None:
        row = conn.execute(
            "SELECT body FROM ingestd.journal WHERE site = %s AND entry = %s", (site, judged)
        ).fetchone()
        text = row[0] if row else b"{}"
    return decision_rows(site, entry, body, Judgement(judged, orjson.loads(text)))


def _compare_table(
    conn: Connection,
    site: str,
    table: str,
    first: int,
    last: int,
    known: _Known,
    report: CentralReport,
) -> None:
    parts = {
        "names": merging.names_of(table),
        "stage": merging.stage_name(table),
        "table": sql.Identifier(table),
        "result": sql.Identifier("result" if table in BY_VERSION else "entry"),
    }
    if table in BY_VERSION:
        there = sql.SQL(
            "SELECT {names} FROM ingestd.{table} WHERE site = %(site)s AND (result, version) IN"
            " (SELECT result, version FROM {stage})"
        )
    else:
        there = sql.SQL(
            "SELECT {names} FROM ingestd.{table} WHERE site = %(site)s"
            " AND entry BETWEEN %(first)s AND %(last)s"
        )
    expected = sql.SQL("SELECT {names} FROM {stage}")
    values = {"site": site, "first": first, "last": last}
    for what, one, other in (("lacks", expected, there), ("alone holds", there, expected)):
        query = sql.SQL("SELECT * FROM ({} EXCEPT {}) AS d ORDER BY {} LIMIT 1").format(
            one.format(**parts), other.format(**parts), parts["result"]
        )
        row = conn.execute(query, values).fetchone()
        if row is None:
            continue
        shown = ", ".join(str(cell) for cell in row[2:8])
        about = known.versions[row[2:4]] if table in BY_VERSION else row[_ENTRY_AT[table]]
        is_new = what == "lacks" and about >= known.told_to
        report.faults.append(
            f"table {table} {what} ({shown}, …); the journal says otherwise"
            + (", unless the site is just about to say that it was refused" if is_new else "")
        )
        return


def _look_for_strays(conn: Connection, site: str, known: _Known, report: CentralReport) -> None:
    """Rows that no entry explains: versions never decided on, entries beyond the journal."""
    for table in COLUMNS:
        name = sql.Identifier(table)
        if table == "results":
            query = sql.SQL("SELECT count(*) FROM ingestd.{} WHERE site = %s").format(name)
            (count,) = conn.execute(query, (site,)).fetchone() or (0,)
            stray = count - len(known.versions)
        elif table == "findings":
            query = sql.SQL(
                "SELECT count(*) FROM ingestd.{} f WHERE site = %s AND NOT EXISTS (SELECT FROM"
                " ingestd.results r WHERE r.site = f.site AND r.result = f.result"
                " AND r.version = f.version)"
            ).format(name)
            (stray,) = conn.execute(query, (site,)).fetchone() or (0,)
        else:
            query = sql.SQL(
                "SELECT count(*) FROM ingestd.{} WHERE site = %s AND entry >= %s"
            ).format(name)
            (stray,) = conn.execute(query, (site, report.entries)).fetchone() or (0,)
        if stray > 0:
            report.faults.append(
                f"table {table} holds {stray} rows that no journal entry explains"
            )
