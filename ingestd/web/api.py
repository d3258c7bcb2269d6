"""The JSON API: what the pages show and do, for programs with a token. Same roles, same rules.

Numbers travel as the text of their digits, instants as ISO 8601 in UTC. A page of results ends
with `next`; asking again with `after=` that text gives the page behind it.
"""

from datetime import date, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi.security import HTTPBearer
from pydantic import BaseModel, Field
from starlette.responses import Response

from ingestd.deciding import Decided, choose_reported, place_reading, release, withdraw
from ingestd.errors import Refused
from ingestd.explaining import explain_result, outcome_from
from ingestd.gathering import day_of
from ingestd.ledger import work
from ingestd.ledger.captures import Capture, find_captures, get_capture
from ingestd.ledger.connection import Connection
from ingestd.ledger.result_search import search_results
from ingestd.ledger.results import ResultRow, entry_body, get_result, versions_of
from ingestd.planning import load_file, observe
from ingestd.web.acting import subject_of
from ingestd.web.bench import runs_of_day
from ingestd.web.captures import STATES, begin_replay
from ingestd.web.doors import AdminCalls, AnalystCalls, ReviewerCalls, Viewer, office_of
from ingestd.web.health import recent_standing
from ingestd.web.jobs import Job, Jobs
from ingestd.web.journal import entry_page_of
from ingestd.web.office import Office
from ingestd.web.pages import HIGHEST_ID
from ingestd.web.racks import RunView, view_run
from ingestd.web.receipts import receipt_of
from ingestd.web.results import question_from
from ingestd.web.source_rows import source_rows
from ingestd.web.waiting import failed_captures, held_results, waiting_readings

MOST = 500

Id = Annotated[int, Field(ge=1, le=HIGHEST_ID)]
Limit = Annotated[int, Query(ge=1, le=MOST)]
Word = Annotated[str, Field(max_length=80)]
Reason = Annotated[str, Field(min_length=1, max_length=400)]


class Problem(BaseModel):
    """Why something was not done."""

    error: str
    hint: str = ""


_REFUSALS: dict[int | str, dict[str, Any]] = {
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

# Only for the description: who a token belongs to is found by `doors`.
_TOKEN = HTTPBearer(
    scheme_name="token", auto_error=False, description="made on the page of an account"
)

router = APIRouter(prefix="/api", responses=_REFUSALS, dependencies=[Depends(_TOKEN)])


class ApiFinding(BaseModel):
    """A rule's answer."""

    rule: str
    version: int
    verdict: str
    position: int | None
    observed: str
    limit: str
    sentence: str


class ApiResult(BaseModel):
    """A result as it stands; `value` and `uncertainty` are texts of digits."""

    id: int
    run: str
    method: str
    sample: str
    point: str
    analyte: str
    fraction: str
    basis: str
    at: datetime
    state: str
    version: int
    proposed: int | None
    text: str
    value: str | None
    censored: str
    unit: str
    uncertainty: str | None
    reason: str
    reported: bool
    entry: int


class ApiResults(BaseModel):
    """One page of results, newest first; `next` is "" on the last."""

    results: list[ApiResult]
    next: str


class ApiVersion(BaseModel):
    """One version of a result."""

    version: int
    verdict: str
    standing: str
    text: str
    unit: str
    cause: str
    made_at: datetime
    reason: str
    entry: int


class ApiResultInFull(ApiResult):
    """A result with its findings, derivation and versions."""

    findings: list[ApiFinding]
    derivation: list[str]
    versions: list[ApiVersion]


class ApiTube(BaseModel):
    """One tube of a run."""

    position: int
    role: str
    label: str
    sample: str
    standard: str
    lot: str
    dilution: str
    standing: str
    readings: list[int]
    read: str


class ApiRun(BaseModel):
    """One run as it stands."""

    name: str
    method: str
    day: date
    started_at: datetime
    instrument: str
    analyst: str
    standing: str
    missing: list[str]
    tubes: list[ApiTube]
    results: list[ApiResult]


class ApiReading(BaseModel):
    """A reading that waits for a tube."""

    id: int
    capture: int
    instrument: str
    method: str | None
    sample: str | None
    raw: str
    unit: str | None
    measured_at: datetime
    reason: str
    candidates: list[dict[str, Any]]


class ApiCapture(BaseModel):
    """An arrival and what became of it."""

    id: int
    kind: str
    source: str
    name: str
    arrived_at: datetime
    size: int
    sha256: str
    state: str
    form: str
    readings: int
    repeats: int
    faults: list[dict[str, Any]]
    reason: str


class ApiWaiting(BaseModel):
    """Everything that waits for a person, at most 500 of each."""

    captures: list[ApiCapture]
    readings: list[ApiReading]
    held: list[ApiResult]


class ApiEntry(BaseModel):
    """One journal entry in words."""

    index: int
    at: datetime
    by: str
    kind: str
    said: str
    reason: str


class ApiSource(BaseModel):
    """One source."""

    name: str
    kind: str
    instrument: str
    state: str
    detail: str
    last_at: datetime | None
    arrivals_24_h: int
    last_fault: str


class ApiDecision(BaseModel):
    """What a decision did to one result."""

    result: int
    sample: str
    text: str
    what: str


class ApiDone(BaseModel):
    """What was done, in words."""

    done: str


class ApiJob(BaseModel):
    """Work under way or done; `outcome` once it is done."""

    id: str
    what: str
    running: bool
    problem: str
    outcome: dict[str, Any] | None


# --- asking -----------------------------------------------------------------------------------


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
    with office_of(request).reading() as conn:
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
    office = office_of(request)
    question = question_from(
        office, sample=sample, point=point, analyte=analyte, run=run, state=state,
        since=since, until=until,
    )  # fmt: skip
    with office.reading() as conn:
        found = search_results(conn, question, after=after, limit=limit)
    return ApiResults(results=[_result(row) for row in found.rows], next=found.next)


@router.get("/results/{ident}")
def result(request: Request, _visitor: Viewer, ident: Id) -> ApiResultInFull:
    """One result with findings, derivation and versions."""
    with office_of(request).reading() as conn:
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
    office = office_of(request)
    with office.reading() as conn:
        data = receipt_of(conn, office.config, get_result(conn, ident).entry)
    return Response(data, media_type="application/json")


@router.get("/runs")
def runs(
    request: Request, _visitor: Viewer, day: date | None = None, limit: Limit = 50
) -> list[ApiRun]:
    """The runs of one day of the laboratory's, today by default."""
    office = office_of(request)
    chosen = day or day_of(office.clock(), office.config.site.policy)
    with office.reading() as conn:
        return [_run(conn, office, name) for name in runs_of_day(conn, chosen, office, 0, limit)]


@router.get("/run")
def run_by_name(request: Request, _visitor: Viewer, name: Word) -> ApiRun:
    """One run."""
    office = office_of(request)
    with office.reading() as conn:
        return _run(conn, office, name)


def _run(conn: Connection, office: Office, name: str) -> ApiRun:
    stored = work.get_run(conn, name)
    view: RunView = view_run(conn, stored, office.book(conn), office.config.site.policy)
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
    with office_of(request).reading() as conn:
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
    with office_of(request).reading() as conn:
        found = find_captures(conn, state=state or None, source=source or None, newest=limit)
    return [_capture(one) for one in found]


@router.get("/captures/{ident}")
def capture(request: Request, _visitor: Viewer, ident: Id) -> ApiCapture:
    """One capture."""
    with office_of(request).reading() as conn:
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
    office = office_of(request)
    with office.reading() as conn:
        found = entry_page_of(conn, office.zone, people_only=people, before=before, limit=limit)
    return [
        ApiEntry(
            index=one.index, at=one.at, by=one.by, kind=one.kind, said=one.said, reason=one.reason
        )
        for one in found.lines
    ]


@router.get("/sources")
def sources(request: Request, _visitor: Viewer) -> list[ApiSource]:
    """Every folder and line."""
    office = office_of(request)
    with office.reading() as conn:
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
            for row in source_rows(conn, office)
        ]


# --- acting -----------------------------------------------------------------------------------


class Place(BaseModel):
    """Put a reading on a tube."""

    reading: Id
    run: Word
    position: Annotated[int, Field(ge=1, le=100_000)]
    reason: Reason


@router.post("/place")
def place(request: Request, visitor: AnalystCalls, asked: Place) -> ApiDone:
    """Place a reading by hand, or move it."""
    office = office_of(request)
    with office.change(by=visitor.account) as change:
        place_reading(
            change,
            asked.reading,
            asked.run,
            asked.position,
            office.keeper,
            office.config,
            reason=asked.reason,
        )
    return ApiDone(done=f"reading {asked.reading} is on tube {asked.position} of {asked.run}")


class Observe(BaseModel):
    """Note something about a run, or about one of its tubes."""

    run: Word
    position: Annotated[int, Field(ge=1, le=100_000)] | None = None
    noted: dict[Word, Annotated[str, Field(max_length=400)]]


@router.post("/observe")
def note(request: Request, visitor: AnalystCalls, asked: Observe) -> ApiDone:
    """Note what was seen; keys and values as the command `observe` takes them."""
    office = office_of(request)
    pairs = [f"{key}={value}" for key, value in asked.noted.items()]
    with office.change(by=visitor.account) as change:
        count = observe(change, asked.run, asked.position, pairs, office.keeper, office.config)
    return ApiDone(done=f"{count} noted")


class Decide(BaseModel):
    """A run's name or a result's number, and why."""

    subject: Annotated[str, Field(min_length=1, max_length=80)]
    reason: Annotated[str, Field(max_length=400)] = ""


@router.post("/release")
def let_go(request: Request, visitor: ReviewerCalls, asked: Decide) -> list[ApiDecision]:
    """Release what is accepted in a run, or one result."""
    office = office_of(request)
    with office.change(by=visitor.account) as change:
        book = office.book(change.conn)
        return _decisions(release(change, book, subject_of(asked.subject), reason=asked.reason))


@router.post("/withdraw")
def take_back(request: Request, visitor: ReviewerCalls, asked: Decide) -> list[ApiDecision]:
    """Withdraw what is released of a run, or one result."""
    office = office_of(request)
    with office.change(by=visitor.account) as change:
        book = office.book(change.conn)
        return _decisions(withdraw(change, book, subject_of(asked.subject), reason=asked.reason))


def _decisions(decided: list[Decided]) -> list[ApiDecision]:
    return [
        ApiDecision(result=one.result, sample=one.sample, text=one.text, what=one.what)
        for one in decided
    ]


class Report(BaseModel):
    """A released result that is to be the reported value of its sample."""

    result: Id
    reason: Reason


@router.post("/report")
def report(request: Request, visitor: ReviewerCalls, asked: Report) -> ApiDone:
    """Say which released result is the reported value."""
    office = office_of(request)
    with office.change(by=visitor.account) as change:
        choose_reported(change, office.book(change.conn), asked.result, reason=asked.reason)
    return ApiDone(done=f"result {asked.result} is the reported value")


class LoadPlan(BaseModel):
    """A bench sheet (.csv), plan file or form (.toml) as text."""

    name: Annotated[str, Field(min_length=5, max_length=200, pattern=r"^[^/\\]+$")]
    text: Annotated[str, Field(min_length=1, max_length=2_000_000)]


@router.post("/plan")
def load(request: Request, visitor: AnalystCalls, asked: LoadPlan) -> ApiDone:
    """Put a plan into force."""
    office = office_of(request)
    try:
        data = asked.text.encode()
    except UnicodeEncodeError as error:
        raise Refused("text", "it holds half a character", "send UTF-8") from error
    with office.writer() as ledger:
        loaded = load_file(
            ledger,
            asked.name,
            data,
            office.keeper,
            office.config,
            at=office.clock(),
            by=visitor.account,
        )
    return ApiDone(done=str(loaded))


class Replay(BaseModel):
    """Which captures to read again, and why; a dry run unless `really`."""

    capture: Id | None = None
    source: Word = ""
    state: Word = ""
    reason: Reason
    really: bool = False


@router.post("/replay")
def start_replay(request: Request, visitor: AdminCalls, asked: Replay) -> ApiJob:
    """Begin a replay; ask `/api/jobs/…` what came of it."""
    chosen = {
        "capture": str(asked.capture) if asked.capture else "",
        "source": asked.source,
        "state": asked.state,
        "reason": asked.reason,
    }
    jobs: Jobs = request.app.state.jobs
    return _job(
        begin_replay(office_of(request), jobs, visitor.account, chosen, dry=not asked.really)
    )


@router.get("/jobs/{ident}")
def job(request: Request, visitor: Viewer, ident: Word) -> ApiJob:
    """What came of a job."""
    jobs: Jobs = request.app.state.jobs
    found = jobs.get(ident)
    if found.by != visitor.account:
        raise Refused("job", "it is somebody else's", "start your own")
    return _job(found)


def _job(found: Job) -> ApiJob:
    report = found.outcome
    outcome = None
    if report is not None and found.kind in ("replay", "dry_replay"):
        outcome = {
            "captures": report.captures,
            "readings_taken": report.taken,
            "readings_retired": report.retired,
            "failed": [{"capture": ident, "why": why} for ident, why in report.failed],
            "results": [
                {
                    "result": d.result,
                    "run": d.run,
                    "sample": d.sample,
                    "analyte": d.analyte,
                    "before": d.before,
                    "after": d.after,
                    "why": d.why,
                }
                for d in report.differences[:MOST]
            ],
        }
    return ApiJob(
        id=found.id,
        what=found.what,
        running=not found.finished.is_set(),
        problem=found.problem,
        outcome=outcome,
    )
