"""Journal: what was done, by whom and why; verification, checkpoints, receipts."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import orjson
from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from ingestd.audit.checkpoints import (
    key_path,
    known_checkpoints,
    newest_kept,
    origin_of,
    write_checkpoint,
)
from ingestd.audit.receipts import receipt_of
from ingestd.audit.verify import VerifyReport, verify_ledger
from ingestd.config import Config
from ingestd.errors import IngestError, Refused
from ingestd.ledger.connection import Connection
from ingestd.ledger.journal.checkpoints import load_key, public_key_text
from ingestd.ledger.results import entry_body
from ingestd.times import instant
from ingestd.web.access import AnalystPosts, ReviewerPosts, Viewer, context_of
from ingestd.web.captures import SHORT_S
from ingestd.web.jobs import Job, Jobs
from ingestd.web.pages import Number, noted_text, page, tell, to

AT_ONCE = 60
MOST_LOOKED_AT = 5_000  # entries looked at for one page
# What follows by itself from what a person did, in the same change.
CONSEQUENCES = frozenset(
    {"pins_kept", "result_judged", "run_judged", "capture_read", "reading_taken", "replayed"}
)
# The index `journal_by_people` is made for exactly this condition.
BY_PEOPLE = "instr(body, x'226279223a22696e676573746422') = 0"

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryLine:
    """One entry for a list: `said` is what happened, in words."""

    index: int
    at: datetime
    by: str
    system_user: str
    kind: str
    said: str
    reason: str


@router.get("/journal")
def journal(
    request: Request, visitor: Viewer, who: str = "people", before: Number = 0
) -> Response:
    """Entries, newest first: those of people, or all."""
    context = context_of(request)
    with context.reading() as conn:
        found = entry_page_of(conn, context.zone, people_only=who != "all", before=before)
        (size,) = conn.execute("SELECT size FROM frontier").fetchone()
        checkpoint, complaints = newest_kept(context.config)
        return page(
            request,
            conn,
            visitor,
            "journal.html",
            here="journal",
            title="Journal",
            lines=found.lines,
            older=found.next,
            before=before,
            who="all" if who == "all" else "people",
            size=size,
            checkpoint=checkpoint,
            complaints=complaints,
            public_key=public_key(context.config),
        )


def public_key(config: Config) -> str:
    """The public key of the journal, "" until its first checkpoint."""
    path = key_path(config)
    if not path.exists():
        return ""
    return public_key_text(load_key(path), origin_of(config.site.name))


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryPage:
    """Entries newest first; `next` begins the page of older ones, 0 on the last."""

    lines: tuple[EntryLine, ...]
    next: int


def entry_page_of(
    conn: Connection, zone: ZoneInfo, *, people_only: bool, before: int, limit: int = AT_ONCE
) -> EntryPage:
    """Entries from `before` down; 0: from the last one.

    Args:
        people_only: what people did, without what followed from it in the same change.
    """
    where = f"{BY_PEOPLE} AND idx < ?" if people_only else "idx < ?"
    rows = conn.execute(
        f"SELECT idx, body FROM journal WHERE {where} ORDER BY idx DESC LIMIT ?",  # noqa: S608 - fixed texts
        (before if before > 0 else 2**62, MOST_LOOKED_AT),
    )
    lines: list[EntryLine] = []
    last = 0
    for last, body in rows:
        content = orjson.loads(body)
        if people_only and content["kind"] in CONSEQUENCES:
            continue
        lines.append(_line(last, content, zone))
        if len(lines) == limit:
            break
    is_last = last == 0 or (len(lines) < limit and rows.fetchone() is None)
    return EntryPage(lines=tuple(lines), next=0 if is_last else last)


def _line(index: int, body: dict[str, Any], zone: ZoneInfo) -> EntryLine:
    return EntryLine(
        index=index,
        at=instant(body["at"]),
        by=body["by"],
        system_user=body.get("system_user", ""),
        kind=body["kind"],
        said=said(body, zone),
        reason=str(body.get("reason") or body.get("cause") or ""),
    )


def said(body: dict[str, Any], zone: ZoneInfo) -> str:
    """What an entry says, in one phrase."""
    match body["kind"]:
        case "ledger_made":
            return f"ledger of {body['site']} begun"
        case "capture_stored":
            return (
                f"capture {body['capture']}: {body['source']}/{body['name']}, {body['size']} bytes"
            )
        case "capture_read":
            state = body["state"].replace("_", " ")
            return f"capture {body['capture']} {state}, {body['readings']} readings"
        case "input_taken":
            return f"{body['input'].replace('_', ' ')} {body['name']}, version {body['version']}"
        case "run_planned":
            return f"run {body['body']['name']} planned, version {body['version']}"
        case "observed":
            tube = f" tube {body['position']}" if body["position"] else ""
            key = body["key"].replace("_", " ")
            return f"run {body['run']}{tube}: {key} {noted_text(body['value'], zone)}"
        case "reading_taken":
            place = body["placed"]
            where = f"placed on tube {place['position']} of {place['run']}" if place else "waits"
            return f"reading {body['id']}: {body['raw']} {body['unit'] or ''}, {where}"
        case "reading_placed":
            return f"reading {body['reading']} on tube {body['position']} of {body['run']}"
        case "reading_retired" | "reading_waits":
            what = "no longer counts" if body["kind"] == "reading_retired" else "waits again"
            return f"reading {body['reading']} {what}"
        case "result_judged":
            value = f"{body['text']} {body['unit']}" if body["text"] else "no value"
            return (
                f"result {body['result']}, version {body['version']}: {body['sample']} "
                f"{body['analyte']} {value}, {body['verdict']}"
            )
        case "decided":
            return f"result {body['result']}, version {body['version']} {body['standing']}"
        case "reported_chosen":
            return f"result {body['result']} is the reported value of {body['sample']}"
        case "run_judged":
            whole = "complete" if body["complete"] else "not complete"
            controls = len(body["controls"])
            plural = "" if controls == 1 else "s"
            return f"run {body['run']} {whole}, {controls} control{plural}"
        case _:
            return str(body["kind"]).replace("_", " ")


@router.get("/entry")
def entry_page(request: Request, visitor: Viewer, index: Number) -> Response:
    """One entry, word for word."""
    context = context_of(request)
    with context.reading() as conn:
        body = entry_body(conn, index)
        (leaf,) = conn.execute("SELECT leaf FROM journal WHERE idx = ?", (index,)).fetchone()
        return page(
            request,
            conn,
            visitor,
            "entry.html",
            here="journal",
            title=f"Journal entry {index}",
            line=_line(index, body, context.zone),
            text=orjson.dumps(body, option=orjson.OPT_INDENT_2).decode(),
            leaf=leaf.hex(),
        )


@router.get("/entry/receipt")
def entry_receipt(request: Request, _visitor: Viewer, index: Number) -> Response:
    """The receipt of one entry."""
    context = context_of(request)
    with context.reading() as conn:
        entry_body(conn, index)
        data = receipt_of(conn, context.config, index, may_sign=False)
    return Response(
        data,
        media_type="application/json",
        headers={"content-disposition": f'attachment; filename="receipt-entry-{index}.json"'},
    )


@router.post("/journal/verify")
def verify(
    request: Request,
    visitor: AnalystPosts,
    rebuild: Annotated[str, Form(max_length=3)] = "",
) -> Response:
    """Begin a verification of the whole ledger."""
    context = context_of(request)
    jobs: Jobs = request.app.state.jobs

    def work(_job: Job) -> VerifyReport:
        checkpoints, complaints = known_checkpoints(context.config)
        ledger = context.open_reader()
        try:
            report = verify_ledger(ledger.conn, checkpoints=checkpoints, rebuild=rebuild == "yes")
        finally:
            ledger.close()
        report.faults.extend(complaints)
        return report

    try:
        job = jobs.start("verify", "verification of the ledger", visitor.account, work)
    except Refused as error:
        tell(request, visitor, "refused", str(error))
        return RedirectResponse("/journal", 303)
    job.finished.wait(SHORT_S)
    return RedirectResponse(to("/job", id=job.id), 303)


@router.post("/journal/checkpoint")
def checkpoint(request: Request, visitor: ReviewerPosts) -> Response:
    """Sign the journal as it stands now."""
    context = context_of(request)
    try:
        with context.writer() as ledger:
            signed = write_checkpoint(ledger.conn, context.config)
        tell(request, visitor, "done", f"A checkpoint over {signed.size} entries is signed.")
    except (OSError, IngestError) as error:
        tell(request, visitor, "refused", str(error))
    return RedirectResponse("/journal", 303)


@router.get("/journal/checkpoint.txt")
def newest_checkpoint(request: Request, _visitor: Viewer) -> Response:
    """The newest signed checkpoint, to be kept elsewhere."""
    newest, _ = newest_kept(context_of(request).config)
    if newest is None:
        raise Refused("checkpoint", "there is none yet", "sign one")
    return Response(
        newest.text,
        media_type="text/plain; charset=utf-8",
        headers={"content-disposition": f'attachment; filename="checkpoint-{newest.size}.txt"'},
    )
