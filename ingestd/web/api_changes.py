"""The JSON API: what the pages do, for programs with a token that may change things."""

from fastapi import APIRouter, Depends, Request

from ingestd.errors import Refused
from ingestd.pipeline.decisions import Decided, choose_reported, place_reading, release, withdraw
from ingestd.pipeline.inputs import load_file, observe
from ingestd.web.access import AdminCalls, AnalystCalls, ReviewerCalls, Viewer, context_of
from ingestd.web.action import subject_of
from ingestd.web.api_queries import REFUSALS, TOKEN
from ingestd.web.api_values import (
    MOST,
    ApiDecision,
    ApiDone,
    ApiJob,
    Decide,
    LoadPlan,
    Observe,
    Place,
    Replay,
    Report,
    Word,
)
from ingestd.web.captures import begin_replay
from ingestd.web.jobs import Job, Jobs

router = APIRouter(prefix="/api", responses=REFUSALS, dependencies=[Depends(TOKEN)])


@router.post("/place")
def place(request: Request, visitor: AnalystCalls, asked: Place) -> ApiDone:
    """Place a reading by hand, or move it."""
    context = context_of(request)
    with context.change(by=visitor.account) as change:
        place_reading(
            change,
            asked.reading,
            asked.run,
            asked.position,
            context.in_force_cache,
            context.config,
            reason=asked.reason,
        )
    return ApiDone(done=f"reading {asked.reading} is on tube {asked.position} of {asked.run}")


@router.post("/observe")
def note(request: Request, visitor: AnalystCalls, asked: Observe) -> ApiDone:
    """Note what was seen; keys and values as the command `observe` takes them."""
    context = context_of(request)
    pairs = [f"{key}={value}" for key, value in asked.noted.items()]
    with context.change(by=visitor.account) as change:
        count = observe(
            change, asked.run, asked.position, pairs, context.in_force_cache, context.config
        )
    return ApiDone(done=f"{count} noted")


@router.post("/release")
def let_go(request: Request, visitor: ReviewerCalls, asked: Decide) -> list[ApiDecision]:
    """Release what is accepted in a run, or one result."""
    context = context_of(request)
    with context.change(by=visitor.account) as change:
        in_force = context.in_force(change.conn)
        return _decisions(
            release(change, in_force, subject_of(asked.subject), reason=asked.reason)
        )


@router.post("/withdraw")
def take_back(request: Request, visitor: ReviewerCalls, asked: Decide) -> list[ApiDecision]:
    """Withdraw what is released of a run, or one result."""
    context = context_of(request)
    with context.change(by=visitor.account) as change:
        in_force = context.in_force(change.conn)
        return _decisions(
            withdraw(change, in_force, subject_of(asked.subject), reason=asked.reason)
        )


def _decisions(decided: list[Decided]) -> list[ApiDecision]:
    return [
        ApiDecision(result=one.result, sample=one.sample, text=one.text, what=one.what)
        for one in decided
    ]


@router.post("/report")
def report(request: Request, visitor: ReviewerCalls, asked: Report) -> ApiDone:
    """Say which released result is the reported value."""
    context = context_of(request)
    with context.change(by=visitor.account) as change:
        choose_reported(change, context.in_force(change.conn), asked.result, reason=asked.reason)
    return ApiDone(done=f"result {asked.result} is the reported value")


@router.post("/plan")
def load(request: Request, visitor: AnalystCalls, asked: LoadPlan) -> ApiDone:
    """Put a plan into force."""
    context = context_of(request)
    with context.writer() as ledger:
        loaded = load_file(
            ledger,
            asked.name,
            asked.text.encode(),
            context.in_force_cache,
            context.config,
            at=context.clock(),
            by=visitor.account,
        )
    return ApiDone(done=str(loaded))


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
        begin_replay(context_of(request), jobs, visitor.account, chosen, dry=not asked.really)
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
            "used": report.used,
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
