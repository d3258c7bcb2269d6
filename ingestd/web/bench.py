"""Bench: the runs of a day as racks, one run, one tube, and what is noted and decided there."""

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from ingestd.audit.derivation import explain_result
from ingestd.errors import Refused
from ingestd.ledger import work
from ingestd.ledger.captures import content_from, get_capture
from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Change
from ingestd.model import StoredReading
from ingestd.pipeline.decisions import Decided, place_in_order, release, withdraw
from ingestd.pipeline.inputs import observe
from ingestd.pipeline.run_facts import day_of
from ingestd.times import stamp
from ingestd.web.access import AnalystPosts, ReviewerPosts, Viewer, context_of
from ingestd.web.action import acted, subject_of
from ingestd.web.context import PageContext
from ingestd.web.pages import Number, day_from, page, to
from ingestd.web.rack import RunView, view_run

RUNS_AT_ONCE = 16  # racks on one page
OPEN_AT_ONCE = 12  # open runs of earlier days that are named
BYTES_SHOWN = 240

router = APIRouter(include_in_schema=False)


@router.get("/")
@router.get("/bench")
def bench(request: Request, visitor: Viewer, day: str = "", part: int = 1) -> Response:
    """The runs that were started on a day of the laboratory's, today by default."""
    context = context_of(request)
    today = day_of(context.clock(), context.config.site.policy)
    chosen = day_from(day, today)
    part = min(max(part, 1), 10_000)
    with context.reading() as conn:
        in_force = context.in_force(conn)
        names = runs_of_day(conn, chosen, context, (part - 1) * RUNS_AT_ONCE, RUNS_AT_ONCE + 1)
        views = [
            view_run(conn, work.get_run(conn, name), in_force, context.config.site.policy)
            for name in names[:RUNS_AT_ONCE]
        ]
        return page(
            request,
            conn,
            visitor,
            "bench.html",
            here="bench",
            title="Bench",
            day=chosen,
            today=today,
            before=chosen - timedelta(days=1) if chosen > date.min else chosen,
            after=chosen + timedelta(days=1) if chosen < date.max else chosen,
            runs=views,
            part=part,
            has_more=len(names) > RUNS_AT_ONCE,
            earlier=_open_before(conn, chosen, context),
        )


def runs_of_day(
    conn: Connection, day: date, context: PageContext, offset: int, limit: int
) -> list[str]:
    """Names of the runs that belong to a day, by start."""
    start, end = _day_span(day, context)
    rows = conn.execute(
        "SELECT name FROM runs WHERE started_at >= ? AND started_at < ?"
        " ORDER BY started_at, name LIMIT ? OFFSET ?",
        (stamp(start), stamp(end), limit, offset),
    )
    return [name for (name,) in rows]


def _day_span(day: date, context: PageContext) -> tuple[datetime, datetime]:
    """The instants between which a day of the laboratory's lies."""
    first = min(max(day, date(1900, 1, 1)), date(2199, 12, 30))
    start = datetime.combine(first, time.min, context.zone)
    return start, datetime.combine(first + timedelta(days=1), time.min, context.zone)


def _open_before(conn: Connection, day: date, context: PageContext) -> list[str]:
    start, _ = _day_span(day, context)
    rows = conn.execute(
        "SELECT name FROM runs WHERE complete = 0 AND closed = 0 AND started_at < ?"
        " ORDER BY started_at DESC LIMIT ?",
        (stamp(start), OPEN_AT_ONCE),
    )
    return [name for (name,) in rows]


@router.get("/run")
def run_page(request: Request, visitor: Viewer, name: str) -> Response:
    """One run with all that belongs to it; prints as one page."""
    context = context_of(request)
    with context.reading() as conn:
        in_force = context.in_force(conn)
        stored = work.get_run(conn, name)
        view = view_run(conn, stored, in_force, context.config.site.policy)
        return page(
            request,
            conn,
            visitor,
            "run.html",
            here="bench",
            title=f"Run {name}",
            run=view,
            waits_in_order=_in_order(conn, view),
            lots=sorted(
                lot.lot
                for lot in in_force.of("kit_lot").values()
                if lot.method == view.method.name
            ),
        )


def _in_order(conn: Connection, view: RunView) -> list[StoredReading]:
    """Waiting readings without a name that may lie in the order of this run's sheet."""
    if view.stored.run.order != "in_sheet_order" or view.standing != "open":
        return []
    found = work.waiting_readings(conn, labels=[""], instrument=view.stored.run.instrument)
    return [one.reading for one in found]


@router.get("/tube")
def tube_page(request: Request, visitor: Viewer, run: str, position: Number) -> Response:
    """One tube: its readings with the bytes they came from, findings and derivation."""
    context = context_of(request)
    with context.reading() as conn:
        stored = work.get_run(conn, run)
        view = view_run(conn, stored, context.in_force(conn), context.config.site.policy)
        tube = next((one for one in view.tubes if one.tube.position == position), None)
        if tube is None:
            raise Refused(f"run {run!r}", f"it has no tube {position}", "see the run's page")
        results = [r for r in view.results if position in r.outcome.tubes]
        return page(
            request,
            conn,
            visitor,
            "tube.html",
            here="bench",
            title=f"Tube {position} of run {run}",
            run=view,
            tube=tube,
            excerpts={reading.id: excerpt(conn, reading) for reading in tube.readings},
            results=results,
            derivations={r.row.id: explain_result(conn, r.row.id) for r in results},
            before=max(
                (t.tube.position for t in view.tubes if t.tube.position < position), default=0
            ),
            after=min(
                (t.tube.position for t in view.tubes if t.tube.position > position), default=0
            ),
        )


def excerpt(conn: Connection, reading: StoredReading) -> str:
    """The bytes a reading was read from, as text in which nothing is hidden."""
    start, end = reading.span
    content = content_from(conn, get_capture(conn, reading.capture), start)[: end - start]
    return ascii(content[:BYTES_SHOWN].decode("latin-1"))[1:-1]


@router.post("/observe")
def note(
    request: Request,
    visitor: AnalystPosts,
    run: Annotated[str, Form()] = "",
    position: Annotated[str, Form()] = "",
    key: Annotated[str, Form()] = "",
    value: Annotated[str, Form(max_length=400)] = "",
    noted: Annotated[str, Form(max_length=400)] = "",
    back: Annotated[str, Form()] = "",
) -> Response:
    """Note one observation about a run or one of its tubes.

    Args:
        noted: KEY=VALUE of a button; else `key` and `value` of a field. The value "now" of a
            time is the present minute.
    """
    context = context_of(request)
    pair = noted or f"{key}={value}"
    if pair.endswith("=now"):
        local = context.clock().astimezone(context.zone)
        pair = f"{pair.removesuffix('now')}{local:%Y-%m-%d %H:%M}"

    def act(change: Change) -> str:
        place = _position(position)
        observe(change, run, place, [pair], context.in_force_cache, context.config)
        where = f"tube {place}" if place else "the run"
        what, _, said = pair.partition("=")
        return f"Noted about {where}: {what.replace('_', ' ')} {said}."

    return acted(request, visitor, back or to("/run", name=run), act)


def _position(text: str) -> int | None:
    if not text:
        return None
    if not (text.isascii() and text.isdecimal() and len(text) < 6):
        raise Refused(f"tube {text[:20]!r}", "this is not the number of a tube", "write e.g. 3")
    return int(text)


@router.post("/run/in-order")
def confirm_order(
    request: Request,
    visitor: AnalystPosts,
    run: Annotated[str, Form()] = "",
    reason: Annotated[str, Form(max_length=400)] = "",
) -> Response:
    """Confirm that a run's waiting readings lie in the order of its sheet."""
    context = context_of(request)

    def act(change: Change) -> str:
        count = place_in_order(change, run, context.in_force_cache, context.config, reason=reason)
        return f"{count} readings placed in the order of the sheet."

    return acted(request, visitor, to("/run", name=run), act)


@router.post("/release")
def let_go(
    request: Request,
    visitor: ReviewerPosts,
    subject: Annotated[str, Form()] = "",
    reason: Annotated[str, Form(max_length=400)] = "",
    back: Annotated[str, Form()] = "",
) -> Response:
    """Release a run's accepted results, or one result by its number."""
    context = context_of(request)

    def act(change: Change) -> str:
        decided = release(
            change, context.in_force(change.conn), subject_of(subject), reason=reason
        )
        return said_of(decided)

    return acted(request, visitor, back, act)


@router.post("/withdraw")
def take_back(
    request: Request,
    visitor: ReviewerPosts,
    subject: Annotated[str, Form()] = "",
    reason: Annotated[str, Form(max_length=400)] = "",
    back: Annotated[str, Form()] = "",
) -> Response:
    """Withdraw a released result, or every released one of a run."""
    context = context_of(request)

    def act(change: Change) -> str:
        decided = withdraw(
            change, context.in_force(change.conn), subject_of(subject), reason=reason
        )
        return said_of(decided)

    return acted(request, visitor, back, act)


def said_of(decided: Sequence[Decided]) -> str:
    """What a decision did, in one sentence."""
    parts = [f"{one.sample} {one.text} {one.what}" for one in decided]
    more = len(parts) - 6
    return "; ".join(parts[:6]) + (f"; and {more} more" if more > 0 else "") + "."
