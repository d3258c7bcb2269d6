"""Waiting: everything that needs a person, most urgent first, each with the action beside it."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any

import orjson
from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from ingestd.audit.derivation import deciding_findings
from ingestd.errors import Refused
from ingestd.ledger import work
from ingestd.ledger.captures import UNFINISHED, Capture, get_capture
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import InForce
from ingestd.ledger.results import ResultRow, get_result
from ingestd.ledger.store import Change
from ingestd.model import Finding, KitLot, StoredReading
from ingestd.pipeline.decisions import place_reading
from ingestd.pipeline.run_facts import day_of
from ingestd.service.status import EXPIRY_NOTICE
from ingestd.times import stamp
from ingestd.web.access import AnalystPosts, Viewer, context_of
from ingestd.web.action import acted
from ingestd.web.context import PageContext
from ingestd.web.pages import HIGHEST_ID, Number, page, to
from ingestd.web.rack import RunView, view_run
from ingestd.web.source_rows import source_rows

AT_ONCE = 25  # of each kind on one page
STALE = timedelta(hours=12)  # an open run that has all readings it is going to get by then

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingReading:
    """A reading without a tube, and the tubes that were considered."""

    reading: StoredReading
    reason: str
    candidates: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldResult:
    """A result that a person must settle, with the findings that hold it."""

    row: ResultRow
    findings: tuple[Finding, ...]
    analyst: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LotMatter:
    """A kit lot that is about to expire, or of which more is booked than was bought."""

    lot: KitLot
    used: int
    bought: int | None
    what: str


@router.get("/waiting")
def waiting(request: Request, visitor: Viewer) -> Response:
    """The one list."""
    context = context_of(request)
    with context.reading() as conn:
        in_force = context.in_force(conn)
        return page(
            request,
            conn,
            visitor,
            "waiting.html",
            here="waiting",
            title="Waiting",
            at_once=AT_ONCE,
            sources=[row for row in source_rows(conn, context) if row.is_down],
            failed=failed_captures(conn, AT_ONCE),
            readings=waiting_readings(conn, AT_ONCE),
            held=held_results(conn, AT_ONCE),
            proposed=_proposed(conn, AT_ONCE),
            stuck=_stuck_runs(conn, context, in_force),
            lots=_lots(conn, context, in_force),
        )


def failed_captures(conn: Connection, limit: int) -> list[Capture]:
    """Captures that could not be read, newest first."""
    rows = conn.execute(
        f"SELECT capture FROM capture_states WHERE {UNFINISHED} AND state = 'failed'"  # noqa: S608 - fixed texts
        " ORDER BY capture DESC LIMIT ?",
        (limit,),
    ).fetchall()
    return [get_capture(conn, ident) for (ident,) in rows]


def waiting_readings(conn: Connection, limit: int) -> list[WaitingReading]:
    """Readings without a tube, oldest first."""
    rows = conn.execute(
        "SELECT reading, reason, candidates FROM waiting ORDER BY reading LIMIT ?", (limit,)
    ).fetchall()
    return [
        WaitingReading(
            reading=work.get_reading(conn, ident),
            reason=reason,
            candidates=tuple(orjson.loads(candidates)),
        )
        for ident, reason, candidates in rows
    ]


def held_results(conn: Connection, limit: int) -> list[HeldResult]:
    """Held results, newest first."""
    rows = conn.execute(
        "SELECT id FROM results WHERE state = 'held' ORDER BY at DESC, id DESC LIMIT ?", (limit,)
    ).fetchall()
    return [_held(conn, get_result(conn, ident), None) for (ident,) in rows]


def _proposed(conn: Connection, limit: int) -> list[HeldResult]:
    rows = conn.execute(
        "SELECT r.id, v.entry FROM results r JOIN result_versions v"
        " ON v.result = r.id AND v.version = r.proposed"
        " WHERE r.proposed IS NOT NULL ORDER BY r.id DESC LIMIT ?",
        (limit,),
    ).fetchall()
    return [_held(conn, get_result(conn, ident), entry) for ident, entry in rows]


def _held(conn: Connection, row: ResultRow, entry: int | None) -> HeldResult:
    stored = work.find_run(conn, row.run)
    return HeldResult(
        row=row,
        findings=tuple(deciding_findings(conn, entry or row.entry)),
        analyst=stored.run.analyst if stored else "",
    )


def _stuck_runs(conn: Connection, context: PageContext, in_force: InForce) -> list[RunView]:
    """Open runs of the last weeks that have all their readings, or have stood for long."""
    now: datetime = context.clock()
    rows = conn.execute(
        "SELECT name FROM runs WHERE complete = 0 AND closed = 0 AND started_at < ?"
        " ORDER BY started_at DESC LIMIT ?",
        (stamp(now), AT_ONCE),
    ).fetchall()
    site = context.config.site.policy
    views = [view_run(conn, work.get_run(conn, name), in_force, site) for (name,) in rows]
    return [
        view
        for view in views
        if view.read == len(view.tubes) or view.stored.run.started_at < now - STALE
    ]


def _lots(conn: Connection, context: PageContext, in_force: InForce) -> list[LotMatter]:
    today = day_of(context.clock(), context.config.site.policy)
    lots = in_force.of("kit_lot").values()
    used = work.lot_use(conn, [lot.lot for lot in lots])
    found = []
    for lot in sorted(lots, key=lambda one: (one.expires, one.lot)):
        booked = used.get(lot.lot, 0)
        bought = lot.determinations * lot.boxes if lot.determinations else None
        if today <= lot.expires <= today + EXPIRY_NOTICE:
            found.append(LotMatter(lot=lot, used=booked, bought=bought, what="expires soon"))
        elif bought is not None and booked > bought and lot.expires >= today:
            found.append(LotMatter(lot=lot, used=booked, bought=bought, what="overbooked"))
    return found[:AT_ONCE]


@router.get("/reading")
def reading_page(request: Request, visitor: Viewer, id: Number) -> Response:  # noqa: A002 - an address's name
    """One waiting reading with every tube of the open runs it could be put on."""
    context = context_of(request)
    with context.reading() as conn:
        reading = work.get_reading(conn, id)
        row = conn.execute(
            "SELECT reason, candidates FROM waiting WHERE reading = ?", (id,)
        ).fetchone()
        placed = conn.execute(
            "SELECT run, position, how, reason, actor FROM placements WHERE reading = ?", (id,)
        ).fetchone()
        open_runs = conn.execute(
            "SELECT name FROM runs WHERE complete = 0 AND closed = 0"
            " ORDER BY started_at DESC LIMIT ?",
            (AT_ONCE,),
        ).fetchall()
        return page(
            request,
            conn,
            visitor,
            "reading.html",
            here="waiting",
            title=f"Reading {id}",
            reading=reading,
            reason=row[0] if row else "",
            candidates=orjson.loads(row[1]) if row else [],
            placed=placed,
            runs=[work.get_run(conn, name) for (name,) in open_runs],
        )


@router.post("/place")
def place(
    request: Request,
    visitor: AnalystPosts,
    reading: Annotated[int, Form(ge=1, le=HIGHEST_ID)],
    tube: Annotated[str, Form(max_length=200)] = "",
    run: Annotated[str, Form(max_length=80)] = "",
    position: Annotated[str, Form(max_length=6)] = "",
    reason: Annotated[str, Form(max_length=400)] = "",
    back: Annotated[str, Form()] = "/waiting",
) -> Response:
    """Place a reading by hand.

    Args:
        tube: position and run of a candidate, as `3 in COD A`; else `run` and `position`.
    """
    context = context_of(request)
    if tube:
        position, _, run = tube.partition(" in ")

    def act(change: Change) -> str:
        if not (position.isascii() and position.isdecimal()):
            raise Refused("tube", "none is named", "choose the tube the reading belongs to")
        place_reading(
            change,
            reading,
            run,
            int(position),
            context.in_force_cache,
            context.config,
            reason=reason,
        )
        return f"Reading {reading} placed on tube {position} of run {run}."

    return acted(request, visitor, back or to("/reading", id=reading), act)
