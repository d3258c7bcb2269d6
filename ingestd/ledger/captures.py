"""Captures in the ledger: storing the bytes of an arrival, and getting them back."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import orjson

from ingestd.errors import LedgerMismatch, Refused
from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Change
from ingestd.times import instant, stamp
from parsers.readings import Fault, Resume

MOST_FAULTS = 200  # kept of one capture; the count of all stands in the reason

_COLUMNS = (
    "c.id, c.kind, c.source, c.name, c.arrived_at, c.size, c.sha256, c.continues, c.prefix_size,"
    " c.lineage, c.bytes IS NULL AND a.capture IS NULL, a.capture IS NOT NULL, s.state, s.form,"
    " s.form_sha256, s.final, s.complete_to,"
    " s.resume, s.readings, s.repeats, s.faults, s.reason"
)
_JOINED = (
    f"SELECT {_COLUMNS} FROM captures c JOIN capture_states s ON s.capture = c.id"
    " LEFT JOIN archived a ON a.capture = c.id"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """One arrival and how far it has been read.

    Attributes:
        size, sha256: of the whole content, the part shared with `continues` included.
        lineage: id of the first capture of the file that grew into this one.
        oversize: its bytes were never read, only counted and hashed.
        archived: its bytes are in an archive file, no longer here.
        final: its tail was read as complete.
        resume: where and how to go on reading.
        faults: as journalled: offset, line, field, expected, found.
    """

    id: int
    kind: str
    source: str
    name: str
    arrived_at: datetime
    size: int
    sha256: str
    continues: int | None
    prefix_size: int
    lineage: int
    oversize: bool
    archived: bool
    state: str
    form: str
    form_sha256: str
    final: bool
    complete_to: int
    resume: Resume
    readings: int
    repeats: int
    faults: tuple[dict[str, object], ...]
    reason: str


def _capture(row: Sequence[Any]) -> Capture:
    (
        ident, kind, source, name, arrived_at, size, sha256, continues, prefix_size, lineage,
        oversize, archived, state, form, form_sha256, final, complete_to, resume, readings,
        repeats, faults, reason,
    ) = row  # fmt: skip
    return Capture(
        id=ident, kind=kind, source=source, name=name, arrived_at=instant(arrived_at),
        size=size, sha256=sha256, continues=continues, prefix_size=prefix_size, lineage=lineage,
        oversize=bool(oversize), archived=bool(archived), state=state, form=form,
        form_sha256=form_sha256, final=bool(final),
        complete_to=complete_to, resume=Resume(**orjson.loads(resume)),
        readings=readings, repeats=repeats, faults=tuple(orjson.loads(faults)), reason=reason,
    )  # fmt: skip


def get_capture(conn: Connection, ident: int) -> Capture:
    """The capture of this id.

    Raises:
        Refused: there is none.
    """
    row = conn.execute(f"{_JOINED} WHERE c.id = ?", (ident,)).fetchone()
    if row is None:
        raise Refused(f"capture {ident}", "there is none", "see `ingestd captures`")
    return _capture(row)


# Captures not read to their end, word for word as in the index that holds only these: without
# these words it is not used.
UNFINISHED_STATES = ("stored", "failed", "partly_read")
UNFINISHED = "state IN ('stored', 'failed', 'partly_read')"


def find_captures(
    conn: Connection,
    *,
    state: str | None = None,
    source: str | None = None,
    since: datetime | None = None,
    kinds: tuple[str, ...] = (),
    idents: tuple[int, ...] = (),
    newest: int | None = None,
) -> list[Capture]:
    """Captures in order of arrival, narrowed by whatever is given; `newest` keeps the last n."""
    where, values = ["1"], list[object]()
    if state is not None:
        where.append("s.state = ?")
        if state != "read":  # what is nearly always true is not indexed
            where.append(f"s.{UNFINISHED}")
        values.append(state)
    if source is not None:
        where.append("c.source = ?")
        values.append(source)
    if since is not None:
        where.append("c.arrived_at >= ?")
        values.append(stamp(since))
    for column, wanted in (("c.kind", kinds), ("c.id", idents)):
        if wanted:
            where.append(f"{column} IN ({', '.join('?' * len(wanted))})")
            values.extend(wanted)
    order = "ORDER BY c.id"
    if newest is not None:
        order = "ORDER BY c.id DESC LIMIT ?"
        values.append(newest)
    rows = conn.execute(f"{_JOINED} WHERE {' AND '.join(where)} {order}", values).fetchall()
    captures = [_capture(row) for row in rows]
    return captures[::-1] if newest is not None else captures


def newest_of_name(conn: Connection, source: str, name: str) -> Capture | None:
    """The last capture of a file name in a source."""
    row = conn.execute(
        f"{_JOINED} WHERE c.source = ? AND c.name = ? ORDER BY c.id DESC LIMIT 1", (source, name)
    ).fetchone()
    return _capture(row) if row else None


def newest_of_content(conn: Connection, source: str, sha256: str) -> Capture | None:
    """The last capture with this content in a source, whatever its name."""
    row = conn.execute(
        f"{_JOINED} WHERE c.sha256 = ? AND c.source = ? ORDER BY c.id DESC LIMIT 1",
        (sha256, source),
    ).fetchone()
    return _capture(row) if row else None


def store_capture(
    change: Change,
    *,
    kind: str,
    source: str,
    name: str,
    arrived_at: datetime,
    data: bytes | None,
    size: int,
    sha256: str,
    continues: Capture | None = None,
) -> int:
    """Put an arrival into the ledger; returns its id.

    Args:
        data: the bytes behind what it shares with `continues`; None if it was over the limit
            and never read.
        size, sha256: of the whole content.
        continues: an earlier capture whose whole content this one begins with.
    """
    ident = change.new_id("captures")
    prefix = continues.size if continues else 0
    lineage = continues.lineage if continues else ident
    change.conn.execute(
        "INSERT INTO captures VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            ident, kind, source, name, stamp(arrived_at), size, sha256,
            continues.id if continues else None, prefix, lineage, data,
        ),
    )  # fmt: skip
    change.record(
        "capture_stored",
        capture=ident,
        capture_kind=kind,
        source=source,
        name=name,
        arrived_at=stamp(arrived_at),
        size=size,
        sha256=sha256,
        continues=continues.id if continues else None,
        prefix_size=prefix,
        oversize=data is None,
    )
    return ident


def content_from(conn: Connection, capture: Capture, start: int = 0) -> bytes:
    """The bytes of a capture from `start` on, put together from what it continues.

    Raises:
        Refused: its bytes are not here: over the size limit and never read, or archived.
        LedgerMismatch: the whole content was asked for and its hash does not fit.
    """
    parts: list[bytes] = []
    ident: int | None = capture.id
    end = capture.size
    while ident is not None and end > start:
        prefix, continues, data = conn.execute(
            "SELECT prefix_size, continues, bytes FROM captures WHERE id = ?", (ident,)
        ).fetchone()
        if data is None:
            raise _absent(conn, capture)
        if prefix < end:
            parts.append(data[max(start - prefix, 0) : end - prefix])
            end = prefix
        ident = continues
    content = b"".join(reversed(parts))
    if start == 0 and hashlib.sha256(content).hexdigest() != capture.sha256:
        raise LedgerMismatch(
            f"capture {capture.id}", "its bytes do not fit its hash", "run `ingestd verify`"
        )
    return content


def _absent(conn: Connection, capture: Capture) -> Refused:
    row = conn.execute(
        "SELECT v.name FROM archived a JOIN archives v ON v.id = a.archive WHERE a.capture = ?",
        (capture.id,),
    ).fetchone()
    if row is None:
        return Refused(
            f"capture {capture.id}", "it was over the size limit and never read", "split it"
        )
    return Refused(
        f"capture {capture.id}",
        f"its bytes are in the archive {row[0]}",
        "take them from there, and drop the file again to have it read anew",
    )


def close_capture(
    change: Change,
    capture: Capture,
    *,
    state: str,
    form: str = "",
    form_sha256: str = "",
    final: bool = False,
    complete_to: int = 0,
    resume: Resume | None = None,
    readings: int | None = None,
    repeats: int | None = None,
    faults: Sequence[Fault] = (),
    reason: str = "",
) -> None:
    """Journal how far a capture has been read."""
    resume = resume or Resume()
    hidden = len(faults) - MOST_FAULTS
    change.record(
        "capture_read",
        capture=capture.id,
        state=state,
        form=form,
        form_sha256=form_sha256,
        final=final,
        complete_to=complete_to,
        resume={"offset": resume.offset, "line": resume.line, "state": dict(resume.state)},
        readings=capture.readings if readings is None else readings,
        repeats=capture.repeats if repeats is None else repeats,
        faults=[
            {
                "offset": fault.offset,
                "line": fault.line,
                "field": fault.field,
                "expected": fault.expected,
                "found": fault.found,
            }
            for fault in faults[:MOST_FAULTS]
        ],
        reason=reason or (f"{hidden} more faults are not listed" if hidden > 0 else ""),
    )
    change.conn.execute("DELETE FROM attempts WHERE capture = ?", (capture.id,))
