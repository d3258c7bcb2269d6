"""Results: found by sample, point, analyte, period and state; one with its whole derivation."""

from collections.abc import Callable, Sequence
from datetime import date, datetime, time, timedelta
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from ingestd.audit.derivation import explain_result, outcome_from
from ingestd.audit.receipts import receipt_of
from ingestd.delivery import exports
from ingestd.errors import Refused
from ingestd.ledger import work
from ingestd.ledger.connection import Connection
from ingestd.ledger.result_search import (
    ResultPage,
    ResultQuestion,
    count_results,
    search_results,
)
from ingestd.ledger.results import ResultRow, entry_body, find_results, get_result, versions_of
from ingestd.ledger.store import Change
from ingestd.model import State
from ingestd.pipeline.decisions import choose_reported
from ingestd.web.access import ReviewerPosts, Viewer, context_of
from ingestd.web.action import acted
from ingestd.web.context import PageContext
from ingestd.web.pages import HIGHEST_ID, Number, page, to

ON_A_PAGE = 50
MOST_EXPORTED = 100_000

router = APIRouter(include_in_schema=False)

_WRITERS: dict[str, tuple[str, Callable[[Sequence[ResultRow]], bytes]]] = {
    "csv": ("text/csv; charset=utf-8", exports.to_csv),
    "xlsx": (
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        exports.to_xlsx,
    ),
    "json": ("application/json", exports.to_json),
}


def question_from(
    context: PageContext,
    *,
    sample: str = "",
    point: str = "",
    analyte: str = "",
    run: str = "",
    state: str = "",
    since: str = "",
    until: str = "",
) -> ResultQuestion:
    """What an address asks for; days are the laboratory's, both included."""
    if state and state not in {one.value for one in State}:
        raise Refused(f"state {state[:40]!r}", "no result can stand so", "choose another")
    return ResultQuestion(
        sample=sample.strip(),
        point=point,
        analyte=analyte,
        run=run,
        state=state,
        since=midnight(since, context, 0),
        until=midnight(until, context, 1),
    )


def midnight(text: str, context: PageContext, days: int) -> datetime | None:
    """The beginning of a written day of the laboratory's, so many days later; None for ""."""
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise Refused(
            f"day {text[:40]!r}", "this is not a day", "write it as 2026-03-02"
        ) from error
    if not 1900 <= day.year < 2200:
        raise Refused(f"day {text[:40]!r}", "it is too far away", "check the year")
    return datetime.combine(day + timedelta(days=days), time.min, context.zone)


@router.get("/results")
def results(
    request: Request,
    visitor: Viewer,
    sample: str = "",
    point: str = "",
    analyte: str = "",
    run: str = "",
    state: str = "",
    since: str = "",
    until: str = "",
    after: str = "",
) -> Response:
    """One page of results, newest first."""
    context = context_of(request)
    asked = {
        "sample": sample, "point": point, "analyte": analyte, "run": run, "state": state,
        "since": since, "until": until,
    }  # fmt: skip
    question = question_from(context, **asked)
    with context.reading() as conn:
        in_force = context.in_force(conn)
        found: ResultPage = search_results(conn, question, after=after, limit=ON_A_PAGE)
        return page(
            request,
            conn,
            visitor,
            "results.html",
            here="results",
            title="Results",
            asked=asked,
            after=after,
            found=found,
            points=sorted(in_force.of("sampling_point")),
            analytes=sorted({method.analyte for method in in_force.methods.values()}),
            states=[one.value for one in State],
            most_exported=MOST_EXPORTED,
        )


@router.get("/results/export.{kind}")
def export(
    request: Request,
    _visitor: Viewer,
    kind: str,
    sample: str = "",
    point: str = "",
    analyte: str = "",
    run: str = "",
    state: str = "",
    since: str = "",
    until: str = "",
) -> Response:
    """All results that answer the question, as a file."""
    if kind not in _WRITERS:
        raise Refused(f"export as {kind[:20]!r}", "there is none", "use csv, xlsx or json")
    context = context_of(request)
    question = question_from(
        context, sample=sample, point=point, analyte=analyte, run=run, state=state,
        since=since, until=until,
    )  # fmt: skip
    with context.reading() as conn:
        if count_results(conn, question, most=MOST_EXPORTED + 1) > MOST_EXPORTED:
            raise Refused(
                "export",
                f"these are more than {MOST_EXPORTED} results",
                "narrow the period, or use `ingestd results`",
            )
        found = list(search_results(conn, question, limit=MOST_EXPORTED).rows)[::-1]
    media_type, write = _WRITERS[kind]
    name = f"results-{context.clock().astimezone(context.zone):%Y%m%d-%H%M}.{kind}"
    return Response(
        write(found),
        media_type=media_type,
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )


@router.get("/result")
def result_page(
    request: Request,
    visitor: Viewer,
    id: Number,  # noqa: A002 - an address's name
    version: Number | None = None,
) -> Response:
    """One result: statement, findings, derivation, versions, decisions."""
    context = context_of(request)
    with context.reading() as conn:
        row = get_result(conn, id)
        versions = versions_of(conn, id)
        chosen = next((v for v in versions if v.version == (version or row.version)), None)
        if chosen is None:
            raise Refused(f"version {version}", "there is none", "see the result's versions")
        stored = work.find_run(conn, row.run)
        return page(
            request,
            conn,
            visitor,
            "result.html",
            here="results",
            title=f"Result {id}",
            row=row,
            outcome=outcome_from(entry_body(conn, chosen.entry)),
            chosen=chosen,
            versions=versions,
            lines=explain_result(conn, id, version=chosen.version),
            analyst=stored.run.analyst if stored else "",
            rivals=_rivals(conn, row),
        )


def _rivals(conn: Connection, row: ResultRow) -> list[ResultRow]:
    """Other released results of the same sample and analyte: a reviewer chooses among them."""
    return [
        other
        for other in find_results(conn, sample=row.sample, analyte=row.analyte, state="released")
        if other.id != row.id and (other.fraction, other.basis) == (row.fraction, row.basis)
    ]


@router.get("/result/receipt")
def receipt(request: Request, _visitor: Viewer, id: Number) -> Response:  # noqa: A002 - an address's name
    """The receipt of the version that stands: proof for anybody with the public key."""
    context = context_of(request)
    with context.reading() as conn:
        row = get_result(conn, id)
        data = receipt_of(conn, context.config, row.entry, may_sign=False)
    return Response(
        data,
        media_type="application/json",
        headers={"content-disposition": f'attachment; filename="receipt-result-{id}.json"'},
    )


@router.post("/result/report")
def report(
    request: Request,
    visitor: ReviewerPosts,
    result: Annotated[int, Form(ge=1, le=HIGHEST_ID)],
    reason: Annotated[str, Form(max_length=400)] = "",
) -> Response:
    """Say which released result is the reported value of its sample."""
    context = context_of(request)

    def act(change: Change) -> str:
        choose_reported(change, context.in_force(change.conn), result, reason=reason)
        return f"Result {result} is the reported value of its sample."

    return acted(request, visitor, to("/result", id=result), act)
