"""Health and metrics for whoever watches the page from outside: counts and states, no contents."""

import time

from fastapi import APIRouter, Request
from prometheus_client import CollectorRegistry, Gauge, generate_latest
from pydantic import BaseModel
from starlette.responses import JSONResponse, Response

from ingestd.config.operation import LOOPBACK
from ingestd.errors import IngestError
from ingestd.ledger.connection import Connection
from ingestd.service.metrics import CONTENT_TYPE, render_metrics
from ingestd.service.status import Standing, standing
from ingestd.web.access import context_of, find_visitor
from ingestd.web.live import LiveFeed
from ingestd.web.source_rows import is_service_running

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
    context = context_of(request)
    kept: tuple[float, Standing] | None = getattr(request.app.state, "standing", None)
    tick = time.monotonic()
    if kept is None or tick - kept[0] > STANDING_S:
        kept = (tick, standing(conn, context.config, now=context.clock()))
        request.app.state.standing = kept
    return kept[1]


@router.get("/health", responses={503: {"model": Health, "description": "not ready"}})
def health(request: Request) -> Response:
    """Whether the page is alive and ready. Anybody may ask; nothing of the results is told."""
    context = context_of(request)
    feed: LiveFeed = request.app.state.live
    reasons = []
    try:
        with context.reading() as conn:
            conn.execute("SELECT size FROM frontier").fetchone()
    except IngestError as error:
        reasons.append(error.problem)
    if not feed.is_alive:
        reasons.append("open pages get no news")
    if context.failure is not None:
        reasons.append("it is not known whether the last change stands")
    if is_service_running(context.config.ledger.path) is False:
        reasons.append("the service does not run")
    is_ready = context.failure is None and feed.is_alive
    answer = Health(live=True, ready=is_ready, reasons=reasons)
    return JSONResponse(answer.model_dump(), 200 if is_ready else 503)


@router.get("/metrics", response_class=Response)
def metrics(request: Request) -> Response:
    """Metrics in the Prometheus text format: for this computer, else with a token.

    Raises:
        NotSignedIn: asked from elsewhere without one.
    """
    context = context_of(request)
    client = request.client.host if request.client else ""
    with context.reading() as conn:
        if client not in LOOPBACK or request.scope["state"]["is_proxied"]:
            find_visitor(request, conn)
        feed: LiveFeed = request.app.state.live
        text = render_metrics(recent_standing(request, conn))
    registry = CollectorRegistry()
    for name, words, value in (
        ("ingestd_pages_open", "Pages that listen for news.", feed.listeners),
        (
            "ingestd_service_up",
            "1: a service holds the ledger.",
            int(bool(is_service_running(context.config.ledger.path))),
        ),
    ):
        Gauge(name, words, registry=registry).set(value)
    return Response(text + generate_latest(registry), media_type=CONTENT_TYPE)
