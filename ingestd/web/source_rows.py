"""Every configured source with what is known of it: state, last arrival, rate, last fault."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from ingestd.config import FolderSource, LineSource
from ingestd.ledger.connection import Connection
from ingestd.ledger.source_states import SourceState, source_states
from ingestd.pipeline.inputs import PLAN_SOURCE
from ingestd.times import instant, stamp
from ingestd.web.context import PageContext

SILENT = timedelta(seconds=90)  # a service that says nothing for so long is not believed any more
RATE_SPAN = timedelta(hours=24)
MOST_COUNTED = 10_000
MOST_LOOKED_AT = 500  # newest captures in which the last fault is looked for
LOCKS = Path("/proc/locks")


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRow:
    """One source.

    Attributes:
        state: ok, degraded, lost or refused as the service says; "unknown" while it says nothing.
        arrivals: captures of the last 24 hours.
        last_fault: of its newest capture that was not read to the end, "" if there is none.
    """

    name: str
    kind: str
    where: str
    instrument: str
    state: str
    detail: str
    last_at: datetime | None
    last_name: str
    last_id: int | None
    arrivals: int
    last_fault: str
    fault_id: int | None

    @property
    def is_down(self) -> bool:
        """Whether somebody has to look after it."""
        return self.state in ("degraded", "lost", "refused")


def source_rows(conn: Connection, context: PageContext) -> list[SourceRow]:
    """All sources of the configuration, in its order; the plan folder last."""
    told, said_at = source_states(conn)
    is_fresh = said_at is not None and context.clock() - said_at < SILENT
    states = {one.name: one for one in told} if is_fresh else {}
    rows = [
        _row(
            conn,
            context,
            name=source.name,
            kind=source.kind,
            where=_where(source),
            instrument=source.instrument,
            state=states.get(source.name),
        )
        for source in context.config.source
    ]
    plan = context.config.plan.folder
    if plan is not None:
        rows.append(
            _row(
                conn,
                context,
                name=PLAN_SOURCE,
                kind="plan folder",
                where=str(plan),
                instrument="",
                state=states.get(PLAN_SOURCE),
            )
        )
    return rows


def _where(source: FolderSource | LineSource) -> str:
    """The folder of a folder source, the port of a line."""
    return str(source.path) if isinstance(source, FolderSource) else source.port


def _row(
    conn: Connection,
    context: PageContext,
    *,
    name: str,
    kind: str,
    where: str,
    instrument: str,
    state: SourceState | None,
) -> SourceRow:
    last = conn.execute(
        "SELECT id, name, arrived_at FROM captures WHERE source = ? ORDER BY id DESC LIMIT 1",
        (name,),
    ).fetchone()
    since = stamp(context.clock() - RATE_SPAN)
    (arrivals,) = conn.execute(
        "SELECT count(*) FROM (SELECT 1 FROM captures INDEXED BY captures_by_arrival"
        " WHERE source = ? AND arrived_at >= ? LIMIT ?)",
        (name, since, MOST_COUNTED),
    ).fetchone()
    fault = conn.execute(
        "SELECT c.id, s.reason, json_extract(s.faults, '$[0].expected'),"
        " json_extract(s.faults, '$[0].found')"
        " FROM (SELECT id FROM captures WHERE source = ? ORDER BY id DESC LIMIT ?) c"
        " JOIN capture_states s ON s.capture = c.id"
        " WHERE (s.state = 'failed' OR s.faults <> '[]') ORDER BY c.id DESC LIMIT 1",
        (name, MOST_LOOKED_AT),
    ).fetchone()
    said = ""
    if fault:
        said = fault[1] or (f"expected {fault[2]}, found {fault[3]}" if fault[2] else "")
    return SourceRow(
        name=name,
        kind=kind,
        where=where,
        instrument=instrument,
        state=state.state if state else "unknown",
        detail=state.detail if state else "",
        last_at=instant(last[2]) if last else None,
        last_name=last[1] if last else "",
        last_id=last[0] if last else None,
        arrivals=arrivals,
        last_fault=said,
        fault_id=fault[0] if fault else None,
    )


def is_service_running(ledger: Path) -> bool | None:
    """Whether a service holds the ledger; None where the system does not tell.

    Looked up among the system's locks, never by trying the lock: a service that starts at that
    moment would find it taken.
    """
    try:
        inode = Path(f"{ledger}.service").stat().st_ino
        locks = LOCKS.read_text(encoding="ascii")
    except FileNotFoundError:
        return False if LOCKS.exists() else None
    except OSError:
        return None
    return any("FLOCK" in line and f":{inode} " in line for line in locks.splitlines())
