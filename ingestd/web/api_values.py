"""What the JSON API takes and gives, as its description shows it."""

from datetime import date, datetime
from typing import Annotated, Any

from fastapi import Query
from pydantic import BaseModel, Field

from ingestd.web.pages import HIGHEST_ID

MOST = 500

Id = Annotated[int, Field(ge=1, le=HIGHEST_ID)]
Limit = Annotated[int, Query(ge=1, le=MOST)]
Word = Annotated[str, Field(max_length=80)]
Reason = Annotated[str, Field(min_length=1, max_length=400)]


class Problem(BaseModel):
    """Why something was not done."""

    error: str
    hint: str = ""


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


class Place(BaseModel):
    """Put a reading on a tube."""

    reading: Id
    run: Word
    position: Annotated[int, Field(ge=1, le=100_000)]
    reason: Reason


class Observe(BaseModel):
    """Note something about a run, or about one of its tubes."""

    run: Word
    position: Annotated[int, Field(ge=1, le=100_000)] | None = None
    noted: dict[Word, Annotated[str, Field(max_length=400)]]


class Decide(BaseModel):
    """A run's name or a result's number, and why."""

    subject: Annotated[str, Field(min_length=1, max_length=80)]
    reason: Annotated[str, Field(max_length=400)] = ""


class Report(BaseModel):
    """A released result that is to be the reported value of its sample."""

    result: Id
    reason: Reason


class LoadPlan(BaseModel):
    """A bench sheet (.csv), plan file or form (.toml) as text."""

    name: Annotated[str, Field(min_length=5, max_length=200, pattern=r"^[^/\\]+$")]
    text: Annotated[str, Field(min_length=1, max_length=2_000_000)]


class Replay(BaseModel):
    """Which captures to read again, and why; a dry run unless `really`."""

    capture: Id | None = None
    source: Word = ""
    state: Word = ""
    reason: Reason
    really: bool = False
