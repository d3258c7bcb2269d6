"""What the service says of its sources, for the page, for `ingestd status` and for alarms."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from ingestd.ledger.connection import Connection
from ingestd.times import instant, stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceState:
    """One source at the moment the service spoke of it.

    Attributes:
        state: "ok", "degraded" (folder), "lost" or "refused" (line), "stopped" (no service).
        detail: what is wrong and what to do, "" if nothing.
        place: folder or port.
        backend: how a folder is watched, or what device a port leads to.
    """

    name: str
    kind: str
    state: str
    detail: str
    place: str
    backend: str = ""
    last_arrival_at: datetime | None = None
    files_waiting: int = 0
    frames: int = 0
    damaged: int = 0


def keep_source_states(conn: Connection, states: Sequence[SourceState], *, at: datetime) -> None:
    """Write what the service says now, inside an open transaction; other names are forgotten."""
    conn.execute("DELETE FROM source_states")
    conn.executemany(
        "INSERT INTO source_states VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                state.name,
                state.kind,
                state.state,
                state.detail,
                state.place,
                state.backend,
                stamp(state.last_arrival_at) if state.last_arrival_at else None,
                state.files_waiting,
                state.frames,
                state.damaged,
                stamp(at),
            )
            for state in states
        ],
    )


def source_states(conn: Connection) -> tuple[list[SourceState], datetime | None]:
    """What the service last said of its sources, by name, and when."""
    rows = conn.execute(
        "SELECT name, kind, state, detail, place, backend, last_arrival_at, files_waiting,"
        " frames, damaged, said_at FROM source_states ORDER BY name"
    ).fetchall()
    states = [
        SourceState(
            name=row[0],
            kind=row[1],
            state=row[2],
            detail=row[3],
            place=row[4],
            backend=row[5],
            last_arrival_at=instant(row[6]) if row[6] else None,
            files_waiting=row[7],
            frames=row[8],
            damaged=row[9],
        )
        for row in rows
    ]
    return states, instant(rows[0][10]) if rows else None
