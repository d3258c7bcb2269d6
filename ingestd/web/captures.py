"""Sources and captures: what arrives from where, the bytes with their faults, and replay."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, Request
from markupsafe import Markup
from starlette.responses import RedirectResponse, Response

from ingestd.errors import Refused
from ingestd.ledger.captures import (
    UNFINISHED,
    UNFINISHED_STATES,
    Capture,
    content_from,
    find_captures,
    get_capture,
)
from ingestd.ledger.connection import Connection
from ingestd.pipeline.replay.replay import ReplayReport, dry_replay, replay
from ingestd.web.access import AdminPosts, Viewer, context_of
from ingestd.web.context import PageContext
from ingestd.web.jobs import Job, Jobs
from ingestd.web.pages import Number, escaped, page, tell, to
from ingestd.web.source_rows import is_service_running, source_rows

AT_ONCE = 50
STATES = ("stored", "read", "partly_read", "failed")
MOST_REPLAYED = 100_000
SHORT_S = 1.5  # so long a page waits for a job before it shows that it runs
BYTES_SHOWN = 24_000
BEFORE_FAULT = 2_000  # shown in front of the first fault where the capture is larger

router = APIRouter(include_in_schema=False)


@router.get("/sources")
def sources(request: Request, visitor: Viewer) -> Response:
    """Every folder and line: last arrival, rate, state, last fault."""
    context = context_of(request)
    with context.reading() as conn:
        return page(
            request,
            conn,
            visitor,
            "sources.html",
            here="sources",
            title="Sources",
            rows=source_rows(conn, context),
            running=is_service_running(context.config.ledger.path),
            newest=find_captures(conn, kinds=("export", "frame"), newest=10)[::-1],
        )


@router.get("/captures")
def captures(
    request: Request, visitor: Viewer, source: str = "", state: str = "", before: Number = 0
) -> Response:
    """Captures, newest first."""
    context = context_of(request)
    if state and state not in STATES:
        raise Refused(f"state {state[:40]!r}", "no capture can stand so", "choose another")
    with context.reading() as conn:
        idents = _page_of_captures(conn, source, state, before)
        return page(
            request,
            conn,
            visitor,
            "captures.html",
            here="sources",
            title="Captures",
            found=[get_capture(conn, ident) for ident in idents[:AT_ONCE]],
            has_more=len(idents) > AT_ONCE,
            asked={"source": source, "state": state},
            before=before,
            sources=[row.name for row in source_rows(conn, context)],
            states=STATES,
        )


def _page_of_captures(conn: Connection, source: str, state: str, before: int) -> list[int]:
    """Ids of one page and one more; each question goes along one index."""
    where, values = ["c.id < ?"], list[object]([before or 2**62])
    if source:
        where.append("c.source = ?")
        values.append(source)
    if state:
        where.append("s.state = ?")
        values.append(state)
    query = (
        "SELECT c.id FROM captures c CROSS JOIN capture_states s ON s.capture = c.id"  # noqa: S608 - fixed texts
        f" WHERE {' AND '.join(where)} ORDER BY c.id DESC LIMIT ?"
    )
    if state in UNFINISHED_STATES and not source:  # few among many: by the index of their own
        query = (
            f"SELECT capture FROM capture_states WHERE capture < ? AND {UNFINISHED}"  # noqa: S608 - fixed texts
            " AND state = ? ORDER BY capture DESC LIMIT ?"
        )
    return [ident for (ident,) in conn.execute(query, (*values, AT_ONCE + 1))]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownBytes:
    """A capture's text with its faults marked.

    Attributes:
        text: safe to print.
        start, end: which bytes these are.
    """

    text: Markup
    start: int
    end: int


@router.get("/capture")
def capture_page(request: Request, visitor: Viewer, id: Number) -> Response:  # noqa: A002 - an address's name
    """One capture: its bytes with every fault marked, what was read from it, replay."""
    context = context_of(request)
    with context.reading() as conn:
        capture = get_capture(conn, id)
        return page(
            request,
            conn,
            visitor,
            "capture.html",
            here="sources",
            title=f"Capture {id}",
            capture=capture,
            shown=None if capture.oversize else show_bytes(conn, capture),
            readings=conn.execute(
                "SELECT r.id, r.sample, r.method, r.raw, r.unit, r.retired, p.run, p.position"
                " FROM readings r LEFT JOIN placements p ON p.reading = r.id"
                " WHERE r.capture = ? ORDER BY r.id LIMIT 200",
                (id,),
            ).fetchall(),
        )


def show_bytes(conn: Connection, capture: Capture) -> ShownBytes:
    """The bytes of a capture around its first fault, each fault marked where it stands."""
    places = sorted(int(str(fault["offset"])) for fault in capture.faults)
    start = max(places[0] - BEFORE_FAULT, 0) if places and capture.size > BYTES_SHOWN else 0
    data = content_from(conn, capture, start)[:BYTES_SHOWN]
    end = start + len(data)
    marks = _marked(places, start, end, data)
    parts: list[Markup] = []
    at = start
    for first, last in marks:
        parts.append(_printed(data[at - start : first - start]))
        parts.append(
            Markup("<mark>{}</mark>").format(_printed(data[first - start : last - start]) or "▯")
        )
        at = last
    parts.append(_printed(data[at - start :]))
    return ShownBytes(text=Markup("").join(parts), start=start, end=end)


def _marked(places: Sequence[int], start: int, end: int, data: bytes) -> list[tuple[int, int]]:
    """Each fault from its place to the end of its cell or line, none twice."""
    marks: list[tuple[int, int]] = []
    for place in places:
        if not start <= place <= end or (marks and place < marks[-1][1]):
            continue
        stop = place
        while stop < end and stop - place < 60 and data[stop - start] not in b",;\t\r\n":
            stop += 1
        marks.append((place, stop))
    return marks


def _printed(data: bytes) -> Markup:
    """Bytes as text: UTF-8 where they are, else one character a byte; nothing stays hidden."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    return escaped(text.replace("\r\n", "\n"))


# --- replay -----------------------------------------------------------------------------------


@router.post("/replay")
def start_replay(
    request: Request,
    visitor: AdminPosts,
    capture: Annotated[str, Form(max_length=20)] = "",
    source: Annotated[str, Form(max_length=80)] = "",
    state: Annotated[str, Form(max_length=20)] = "",
    reason: Annotated[str, Form(max_length=400)] = "",
    really: Annotated[str, Form(max_length=3)] = "",
) -> Response:
    """Begin a replay; a dry run unless it is said that it is meant."""
    context = context_of(request)
    asked = {"capture": capture, "source": source, "state": state, "reason": reason}
    back = to("/capture", id=capture) if capture else "/sources"
    try:
        job = begin_replay(
            context, request.app.state.jobs, visitor.account, asked, dry=really != "yes"
        )
    except Refused as error:
        tell(request, visitor, "refused", str(error))
        return RedirectResponse(back, 303)
    job.finished.wait(SHORT_S)
    return RedirectResponse(to("/job", id=job.id), 303)


def begin_replay(
    context: PageContext, jobs: Jobs, account: str, asked: dict[str, str], *, dry: bool
) -> Job:
    """Start the replay of the captures asked for.

    Args:
        asked: capture, source, state: which; reason: why.

    Raises:
        Refused: nothing is chosen, no reason is given, or another job runs.
    """
    if not asked["reason"].strip():
        raise Refused("replay", "a reason is needed", "say what was mended")
    chosen = _chosen(context, asked)
    what = f"{'dry run of a replay' if dry else 'replay'} of {len(chosen)} captures"

    def work(job: Job) -> ReplayReport:
        job.of = len(chosen)

        def progress(count: int) -> None:
            job.done = count

        how = dry_replay if dry else replay
        ledger = context.open_reader() if dry else context.open_writer()
        try:
            return how(
                ledger,
                context.config,
                chosen,
                reason=asked["reason"],
                by=account,
                clock=context.clock,
                log=context.log,
                progress=progress,
            )
        finally:
            ledger.close()

    return jobs.start("dry_replay" if dry else "replay", what, account, work, asked=dict(asked))


def _chosen(context: PageContext, asked: dict[str, str]) -> list[Capture]:
    ident = asked["capture"]
    if not (ident or asked["source"] or asked["state"]):
        raise Refused("replay", "no capture is chosen", "choose a capture, source or state")
    if ident and not (ident.isascii() and ident.isdecimal() and len(ident) < 19):
        raise Refused(f"capture {ident[:20]!r}", "this is not a number", "open it from its page")
    if asked["state"] and asked["state"] not in STATES:
        raise Refused(f"state {asked['state']!r}", "no capture can stand so", "choose another")
    with context.reading() as conn:
        if ident:
            get_capture(conn, int(ident))
        found = find_captures(
            conn,
            state=asked["state"] or None,
            source=asked["source"] or None,
            idents=(int(ident),) if ident else (),
            newest=MOST_REPLAYED + 1,
        )
    found = [one for one in found if one.source != "forms"]
    if not found:
        raise Refused("replay", "no capture is chosen by that", "choose another source or state")
    if len(found) > MOST_REPLAYED:
        raise Refused(
            "replay",
            f"these are more than {MOST_REPLAYED} captures",
            "narrow it, or use `ingestd replay`",
        )
    return found


@router.get("/job")
def job_page(request: Request, visitor: Viewer, id: str) -> Response:  # noqa: A002 - an address's name
    """How far a job is, or what came of it."""
    context = context_of(request)
    jobs: Jobs = request.app.state.jobs
    job = jobs.get(id)
    if job.by != visitor.account and not visitor.has("admin"):
        raise Refused("job", "it is somebody else's", "start your own")
    with context.reading() as conn:
        return page(
            request,
            conn,
            visitor,
            "job.html",
            here="journal" if job.kind == "verify" else "sources",
            title=job.what.capitalize(),
            job=job,
        )
