"""The application: every page and API route around one Office, and what errors look like."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import anyio.to_thread
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse, Response

from ingestd import __version__, events
from ingestd.errors import IngestError, Refused
from ingestd.plan.faults import PlanError
from ingestd.web import (
    api_changes,
    api_queries,
    bench,
    captures,
    controls,
    health,
    journal,
    live,
    plan,
    points,
    results,
    signing_in,
    static_files,
    waiting,
)
from ingestd.web.access import Forbidden, ForgedForm, NotSignedIn, context_of
from ingestd.web.context import READERS, PageContext
from ingestd.web.guard import Guard
from ingestd.web.jobs import Jobs
from ingestd.web.live import LiveFeed
from ingestd.web.pages import Messages, Templates, bare_page, to
from ingestd.web.passwords import Throttle
from parsers import FormError

_ROUTERS = (
    static_files.router,
    live.router,
    signing_in.router,
    bench.router,
    waiting.router,
    results.router,
    points.router,
    controls.router,
    plan.router,
    captures.router,
    journal.router,
    health.router,
    api_queries.router,
    api_changes.router,
)


def make_app(context: PageContext) -> FastAPI:
    """The application; it opens the office when it starts and closes it when it ends."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        anyio.to_thread.current_default_thread_limiter().total_tokens = READERS
        context.open()
        feed: LiveFeed = app.state.live
        feed.start(asyncio.get_running_loop())
        context.log.info(events.PAGE_STARTED, site=context.config.site.name)
        try:
            yield
        finally:
            feed.stop()
            context.close()
            context.log.info(events.PAGE_STOPPED)

    app = FastAPI(
        title="ingestd",
        summary="Results of a water laboratory, with the reason for each verdict",
        version=__version__,
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.context = context
    app.state.live = LiveFeed(context)
    app.state.jobs = Jobs(context)
    app.state.messages = Messages()
    app.state.throttle = Throttle()
    app.state.templates = Templates(context.zone)
    for router in _ROUTERS:
        app.include_router(router)
    app.add_middleware(Guard, context=context)
    _tell_errors(app)
    return app


def _tell_errors(app: FastAPI) -> None:
    """One answer for each kind of error, as a page or as JSON, and nothing of our insides."""

    @app.exception_handler(NotSignedIn)
    def not_signed_in(request: Request, _error: Exception) -> Response:
        if _is_for_program(request):
            return JSONResponse(
                {"error": "nobody is signed in", "hint": "send a token that still counts"},
                401,
                headers={"www-authenticate": "Bearer"},
            )
        goal = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(to("/sign-in", next=goal if request.method == "GET" else ""), 303)

    @app.exception_handler(Forbidden)
    def forbidden(request: Request, error: Exception) -> Response:
        return _refusal(request, 403, "Not for this account", str(error), "ask one who may")

    @app.exception_handler(ForgedForm)
    def forged(request: Request, _error: Exception) -> Response:
        return _refusal(
            request, 403, "This form has grown old", "Nothing was done.", "open the page again"
        )

    @app.exception_handler(IngestError)
    def refused(request: Request, error: IngestError) -> Response:
        if isinstance(error, Refused):
            is_missing = "there is none" in error.problem
            return _refusal(
                request,
                404 if is_missing else 409,
                "There is none" if is_missing else "This cannot be done",
                f"{error.subject}: {error.problem}",
                error.hint,
            )
        context_of(request).log.error(
            events.REQUEST_FAILED, path=request.url.path, problem=str(error)
        )
        return _refusal(
            request, 503, "Not at the moment", f"{error.subject}: {error.problem}", error.hint
        )

    @app.exception_handler(PlanError)
    @app.exception_handler(FormError)
    def wrong_plan(request: Request, error: Exception) -> Response:
        return _refusal(request, 422, "The plan is wrong", str(error), "mend it and load it again")

    @app.exception_handler(RequestValidationError)
    def wrong_request(request: Request, error: RequestValidationError) -> Response:
        faults = "; ".join(
            f"{'.'.join(str(part) for part in fault['loc'][1:])}: {fault['msg']}"
            for fault in error.errors()[:8]
        )
        return _refusal(request, 422, "The request is wrong", faults, "go back and correct it")

    @app.exception_handler(HTTPException)
    def plain_error(request: Request, error: HTTPException) -> Response:
        titles = {404: "There is no such page", 405: "This cannot be asked that way"}
        response = _refusal(
            request, error.status_code, titles.get(error.status_code, "Not done"), "", ""
        )
        for name, value in (error.headers or {}).items():
            response.headers[name] = value
        return response

    @app.exception_handler(Exception)
    def our_bug(request: Request, error: Exception) -> Response:
        context_of(request).log.error(
            events.REQUEST_FAILED,
            path=request.url.path,
            kind=type(error).__name__,
            exc_info=error,
        )
        return _refusal(
            request, 500, "Something went wrong here", "Nothing was changed by it.", "see the log"
        )


def _is_for_program(request: Request) -> bool:
    return request.url.path.startswith("/api/") or request.url.path in ("/live", "/metrics")


def _refusal(request: Request, status: int, title: str, problem: str, hint: str) -> Response:
    if _is_for_program(request):
        return JSONResponse({"error": problem or title, "hint": hint}, status)
    return bare_page(
        request, "refusal.html", status=status, title=title, problem=problem, hint=hint
    )
