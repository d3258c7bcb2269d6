"""Health and metrics for whoever watches the page from outside: counts and states, no contents."""

import time
from collections.abc import Iterator

from fastapi import APIRouter, Request
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from pydantic import BaseModel
from starlette.responses import JSONResponse, Response

from ingestd.errors import IngestError
from ingestd.ledger.connection import Connection
from ingestd.service_sections import LOOPBACK
from ingestd.standing import Standing, standing
from ingestd.web.counts import waiting_counts
from ingestd.web.doors import find_visitor, office_of
from ingestd.web.live import LiveFeed
from ingestd.web.source_rows import is_service_running, source_rows

STANDING_S = 5.0

router = APIRouter(tags=["watching"])


class Health(BaseModel):
    """`live`: this process answers; `ready`: it can do its work, else `reasons` say why not."""

    live: bool
    ready: bool
    reasons: list[str]


def recent_standing(request: Request, conn: Connection) -> Standing:
    """What stands and waits, counted anew at most every STANDING_S seconds.

    The counts go through whole tables; asking often must not weigh on the service.
    """
    office = office_of(request)
    kept: tuple[float, Standing] | None = getattr(request.app.state, "standing", None)
    tick = time.monotonic()
    if kept is None or tick - kept[0] > STANDING_S:
        kept = (tick, standing(conn, office.config, now=office.clock()))
        request.app.state.standing = kept
    return kept[1]


@router.get("/health", responses={503: {"model": Health, "description": "not ready"}})
def health(request: Request) -> Response:
    """Whether the page is alive and ready. Anybody may ask; nothing of the results is told."""
    office = office_of(request)
    feed: LiveFeed = request.app.state.live
    reasons = []
    try:
        with office.reading() as conn:
            conn.execute("SELECT size FROM frontier").fetchone()
    except IngestError as error:
        reasons.append(error.problem)
    if not feed.is_alive:
        reasons.append("open pages get no news")
    if office.failure is not None:
        reasons.append("it is not known whether the last change stands")
    if is_service_running(office.config.ledger.path) is False:
        reasons.append("the service does not run")
    is_ready = office.failure is None and feed.is_alive
    answer = Health(live=True, ready=is_ready, reasons=reasons)
    return JSONResponse(answer.model_dump(), 200 if is_ready else 503)


@router.get("/metrics", response_class=Response)
def metrics(request: Request) -> Response:
    """Metrics in the Prometheus text format: for this computer, else with a token.

    Raises:
        NotSignedIn: asked from elsewhere without one.
    """
    office = office_of(request)
    client = request.client.host if request.client else ""
    with office.reading() as conn:
        if client not in LOOPBACK or request.scope["state"]["is_proxied"]:
            find_visitor(request, conn)
        feed: LiveFeed = request.app.state.live
        registry = CollectorRegistry()
        now = recent_standing(request, conn)
        registry.register(_Figures(conn, now, request, feed))
        text = generate_latest(registry)
    return Response(text, media_type="text/plain; version=0.0.4; charset=utf-8")


class _Figures(Collector):
    """The figures of one moment."""

    def __init__(self, conn: Connection, now: Standing, request: Request, feed: LiveFeed) -> None:
        self._conn = conn
        self._now = now
        self._request = request
        self._feed = feed

    def collect(self) -> Iterator[Metric]:
        """Each figure once."""
        now, waits = self._now, waiting_counts(self._conn)
        yield _by_label("ingestd_captures", "Captures by state.", "state", now.captures)
        yield _by_label("ingestd_results", "Results by state.", "state", now.results)
        yield _one("ingestd_readings_waiting", "Readings that wait for a tube.", waits.readings)
        yield _one("ingestd_results_proposed", "New versions beside released ones.", now.proposed)
        yield _one("ingestd_runs_open", "Runs neither complete nor closed.", now.runs_open)
        yield _one("ingestd_journal_entries", "Entries of the journal.", now.journal_entries)
        yield _one(
            "ingestd_disk_free_bytes", "Free on the ledger's disk.", now.disk_free_mib << 20
        )
        yield _one("ingestd_pages_open", "Pages that listen for news.", self._feed.listeners)
        office = office_of(self._request)
        states = {row.name: int(not row.is_down) for row in source_rows(self._conn, office)}
        yield _by_label(
            "ingestd_source_up", "1: the source is well or says nothing.", "source", states
        )
        running = is_service_running(office.config.ledger.path)
        yield _one("ingestd_service_up", "1: a service holds the ledger.", int(bool(running)))


def _one(name: str, words: str, value: int) -> Metric:
    return GaugeMetricFamily(name, words, value=value)


def _by_label(name: str, words: str, label: str, values: dict[str, int]) -> Metric:
    family = GaugeMetricFamily(name, words, labels=[label])
    for key, value in values.items():
        family.add_metric([key], value)
    return family
