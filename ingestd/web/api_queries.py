"""The JSON API: what the pages show, for programs with a token. Same roles, same figures.

Numbers travel as the text of their digits, instants as ISO 8601 in UTC. A page of results ends
with `next`; asking again with `after=` that text gives the page behind it.
"""

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi.security import HTTPBearer
from starlette.responses import Response

from ingestd.audit.derivation import explain_result, outcome_from
from ingestd.audit.receipts import receipt_of
from ingestd.errors import Refused
from ingestd.ledger import work
from ingestd.ledger.captures import Capture, find_captures, get_capture
from ingestd.ledger.connection import Connection
from ingestd.ledger.result_search import search_results
from ingestd.ledger.results import ResultRow, entry_body, get_result, versions_of
from ingestd.pipeline.run_facts import day_of
from ingestd.web.access import Viewer, context_of
from ingestd.web.api_values import (
    MOST,
    ApiCapture,
    ApiEntry,
    ApiFinding,
    ApiReading,
    ApiResult,
    ApiResultInFull,
    ApiResults,
    ApiRun,
    ApiSource,
    ApiTube,
    ApiVersion,
    ApiWaiting,
    Id,
    Limit,
    Problem,
    Word,
)
from ingestd.web.bench import runs_of_day
from ingestd.web.captures import STATES
from ingestd.web.context import PageContext
from ingestd.web.health import recent_standing
from ingestd.web.journal import entry_page_of
from ingestd.web.pages import HIGHEST_ID
from ingestd.web.rack import RunView, view_run
from ingestd.web.results import question_from
from ingestd.web.source_rows import source_rows
from ingestd.web.waiting import failed_captures, held_results, waiting_readings

REFUSALS: dict[int | str, dict[str, Any]] = {
    status: {"model": Problem, "description": words}
    for status, words in {
        400: "the request cannot be read",
        401: "no token, or one that has ended",
        403: "the account may not do this",
        404: "there is none",
        409: "the rules forbid it",
        413: "too large",
        422: "the request or the plan is wrong",
        503: "not at the moment",
    }.items()
}

MOST_SKIPPED = 100_000

# Only for the description: who a token belongs to is found by `doors`.
TOKEN = HTTPBearer(
    scheme_name="token", auto_error=False, description="made on the page of an account"
)

router = APIRouter(prefix="/api", responses=REFUSALS, dependencies=[Depends(TOKEN)])


def _result(row: ResultRow) -> ApiResult:
    return ApiResult(**_plain(row))


def _plain(row: ResultRow) -> dict[str, Any]:
    return {name: getattr(row, name) for name in ApiResult.model_fields if name not in _DIGITS} | {
        name: _digits(getattr(row, name)) for name in _DIGITS
    }


_DIGITS = ("value", "uncertainty")


def _digits(value: Any) -> str | None:
    return None if value is None else format(value, "f")


@router.get("/status")
def status(request: Request, _visitor: Viewer) -> dict[str, Any]:
    """What stands, what waits, what is wrong; counted anew every few seconds."""
    with context_of(request).reading() as conn:
        return recent_standing(request, conn).as_dict()


@router.get("/results")
def results(
    request: Request,
    _visitor: Viewer,
    sample: str = "",
    point: str = "",
    analyte: str = "",
    run: str = "",
    state: str = "",
    since: str = "",
    until: str = "",
    after: str = "",
    limit: Limit = 100,
) -> ApiResults:
    """Results, newest first; days are the laboratory's, both included."""
    context = context_of(request)
    question = question_from(
        context, sample=sample, point=point, analyte=analyte, run=run, state=state,
        since=since, until=until,
    )  # fmt: skip
    with context.reading() as conn:
        found = search_results(conn, question, after=after, limit=limit)
    return ApiResults(results=[_result(row) for row in found.rows], next=found.next)


@router.get("/results/{ident}")
def result(request: Request, _visitor: Viewer, ident: Id) -> ApiResultInFull:
    """One result with findings, derivation and versions."""
    with context_of(request).reading() as conn:
        row = get_result(conn, ident)
        outcome = outcome_from(entry_body(conn, row.entry))
        return ApiResultInFull(
            **_plain(row),
            findings=[
                ApiFinding(
                    rule=one.rule,
                    version=one.version,
                    verdict=one.verdict.value,
                    position=one.position,
                    observed=one.observed,
                    limit=one.limit,
                    sentence=one.sentence,
                )
                for one in outcome.findings
            ],
            derivation=explain_result(conn, ident),
            versions=[
                ApiVersion(
                    version=one.version,
                    verdict=one.verdict,
                    standing=one.standing,
                    text=one.text,
                    unit=one.unit,
                    cause=one.cause,
                    made_at=one.made_at,
                    reason=one.reason,
                    entry=one.entry,
                )
                for one in versions_of(conn, ident)
            ],
        )


@router.get("/results/{ident}/receipt")
def receipt(request: Request, _visitor: Viewer, ident: Id) -> Response:
    """The receipt of the version that stands, a JSON file to be checked by anybody."""
    context = context_of(request)
    with context.reading() as conn:
        data = receipt_of(conn, context.config, get_result(conn, ident).entry, may_sign=False)
    return Response(data, media_type="application/json")


@router.get("/runs")
def runs(
    request: Request,
    _visitor: Viewer,
    day: date | None = None,
    limit: Limit = 20,
    skip: Annotated[int, Query(ge=0, le=MOST_SKIPPED)] = 0,
) -> list[ApiRun]:
    """The runs of one day of the laboratory's, today by default, by start.

    A run comes with all its tubes and results: there are 20 at once unless asked otherwise; the
    next ones with `skip=20`.
    """
    context = context_of(request)
    chosen = day or day_of(context.clock(), context.config.site.policy)
    with context.reading() as conn:
        return [
            _run(conn, context, name) for name in runs_of_day(conn, chosen, context, skip, limit)
        ]


@router.get("/run")
def run_by_name(request: Request, _visitor: Viewer, name: Word) -> ApiRun:
    """One run."""
    context = context_of(request)
    with context.reading() as conn:
        return _run(conn, context, name)


def _run(conn: Connection, context: PageContext, name: str) -> ApiRun:
    stored = work.get_run(conn, name)
    view: RunView = view_run(conn, stored, context.in_force(conn), context.config.site.policy)
    return ApiRun(
        name=name,
        method=view.method.name,
        day=stored.day,
        started_at=stored.run.started_at,
        instrument=stored.run.instrument,
        analyst=stored.run.analyst,
        standing=view.standing,
        missing=list(view.missing),
        tubes=[
            ApiTube(
                position=one.tube.position,
                role=one.tube.role.value,
                label=one.tube.label,
                sample=one.tube.sample,
                standard=one.tube.standard,
                lot=one.tube.lot,
                dilution=one.tube.dilution.text,
                standing=one.standing,
                readings=[reading.id for reading in one.readings],
                read=one.shown,
            )
            for one in view.tubes
        ],
        results=[_result(one.row) for one in view.results],
    )


@router.get("/waiting")
def waiting(request: Request, _visitor: Viewer) -> ApiWaiting:
    """Everything that waits for a person."""
    with context_of(request).reading() as conn:
        return ApiWaiting(
            captures=[_capture(one) for one in failed_captures(conn, MOST)],
            readings=[
                ApiReading(
                    id=one.reading.id,
                    capture=one.reading.capture,
                    instrument=one.reading.instrument,
                    method=one.reading.method,
                    sample=one.reading.sample,
                    raw=one.reading.raw,
                    unit=one.reading.unit,
                    measured_at=one.reading.measured_at,
                    reason=one.reason,
                    candidates=list(one.candidates),
                )
                for one in waiting_readings(conn, MOST)
            ],
            held=[_result(one.row) for one in held_results(conn, MOST)],
        )


def _capture(one: Capture) -> ApiCapture:
    return ApiCapture(
        id=one.id,
        kind=one.kind,
        source=one.source,
        name=one.name,
        arrived_at=one.arrived_at,
        size=one.size,
        sha256=one.sha256,
        state=one.state,
        form=one.form,
        readings=one.readings,
        repeats=one.repeats,
        faults=[dict(fault) for fault in one.faults],
        reason=one.reason,
    )


@router.get("/captures")
def captures(
    request: Request,
    _visitor: Viewer,
    state: str = "",
    source: str = "",
    limit: Limit = 100,
) -> list[ApiCapture]:
    """The newest captures, oldest of them first."""
    if state and state not in STATES:
        raise Refused(f"state {state[:40]!r}", "no capture can stand so", "choose another")
    with context_of(request).reading() as conn:
        found = find_captures(conn, state=state or None, source=source or None, newest=limit)
    return [_capture(one) for one in found]


@router.get("/captures/{ident}")
def capture(request: Request, _visitor: Viewer, ident: Id) -> ApiCapture:
    """One capture."""
    with context_of(request).reading() as conn:
        return _capture(get_capture(conn, ident))


@router.get("/journal")
def journal(
    request: Request,
    _visitor: Viewer,
    before: Annotated[int, Query(ge=0, le=HIGHEST_ID)] = 0,
    people: bool = False,  # noqa: FBT001, FBT002 - a parameter of the address
    limit: Limit = 100,
) -> list[ApiEntry]:
    """Journal entries, newest first, below the number `before`."""
    context = context_of(request)
    with context.reading() as conn:
        found = entry_page_of(conn, context.zone, people_only=people, before=before, limit=limit)
    return [
        ApiEntry(
            index=one.index, at=one.at, by=one.by, kind=one.kind, said=one.said, reason=one.reason
        )
        for one in found.lines
    ]


@router.get("/sources")
def sources(request: Request, _visitor: Viewer) -> list[ApiSource]:
    """Every folder and line."""
    context = context_of(request)
    with context.reading() as conn:
        return [
            ApiSource(
                name=row.name,
                kind=row.kind,
                instrument=row.instrument,
                state=row.state,
                detail=row.detail,
                last_at=row.last_at,
                arrivals_24_h=row.arrivals,
                last_fault=row.last_fault,
            )
            for row in source_rows(conn, context)
        ]
