"""The real page around a small laboratory's real ledger, and people signed in on it."""

import re
import secrets
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from functools import cache
from typing import Any

import pytest
import structlog
from fastapi import FastAPI
from starlette.testclient import TestClient

from ingestd.config import Config
from ingestd.config.operation import WebSection
from ingestd.ledger.accounts import add_token, begin_session, set_password
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import add_person
from ingestd.web.access import COOKIE, csrf_of
from ingestd.web.app import make_app
from ingestd.web.context import PageContext, utc_now
from ingestd.web.passwords import hash_password
from ingestd.web.serving import PageServer, listen_on
from tests.conftest import GOOD_EXPORT, SHEET, Lab

PASSWORD = "four unrelated words here"  # noqa: S105 - of invented people
PEOPLE = {
    "vera": PersonRole.VIEWER,
    "mara": PersonRole.ANALYST,
    "rita": PersonRole.REVIEWER,
    "ada": PersonRole.ADMIN,
}


@cache
def hashed() -> str:
    return hash_password(PASSWORD)


@dataclass
class Browser:
    """One person's browser: keeps cookies, and the secret that forms bring back."""

    client: TestClient
    csrf: str = ""

    def get(self, path: str, **how: Any) -> Any:
        return self.client.get(path, **how)

    def page(self, path: str) -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, f"{path}: {answer.status_code} {answer.text[:400]}"
        return str(answer.text)

    def post(self, path: str, data: dict[str, str] | None = None, **how: Any) -> Any:
        return self.client.post(path, data={"csrf": self.csrf, **(data or {})}, **how)


@dataclass
class Page:
    """The page of a laboratory."""

    lab: Lab
    context: PageContext
    app: FastAPI
    events: list[dict[str, Any]] = field(default_factory=list)

    def client(self, *, address: str = "127.0.0.1", **how: Any) -> TestClient:
        """A browser nobody is signed in with."""
        how = {"base_url": "http://localhost", "follow_redirects": False, **how}
        return TestClient(self.app, client=(address, 50_000), **how)

    def sign_in(self, account: str) -> Browser:
        """Somebody signed in, without the slow part; test_sign_in.py goes through the form."""
        secret = secrets.token_urlsafe(32)
        with self.lab.ledger.change(at=self.lab.clock(), by=account) as change:
            ends_at = self.lab.now + timedelta(hours=self.context.settings.session_hours)
            begin_session(change, secret, account, client="127.0.0.1", ends_at=ends_at)
        client = self.client(follow_redirects=True)
        client.cookies.set(COOKIE, secret)
        return Browser(client, csrf_of(secret))

    def token(self, account: str, *, may_change: bool = True, days: int = 90) -> str:
        return add_api_token(self.lab, account, may_change=may_change, days=days)


def sign_in(client: TestClient, account: str, password: str, goal: str = "/bench") -> Any:
    form = client.get("/sign-in").text
    secret = re.search(r'name="form_secret" value="([^"]+)"', form)
    assert secret is not None
    return client.post(
        "/sign-in",
        data={
            "account": account,
            "password": password,
            "next": goal,
            "form_secret": secret[1],
        },
        follow_redirects=False,
    )


def add_people(lab: Lab) -> None:
    """The viewer, and a password for everybody."""
    with lab.ledger.change(at=lab.clock(), by="ada") as change:
        in_force = lab.pipeline.in_force_cache.current(lab.ledger.conn)
        person = Person(account="vera", roles=(PersonRole.VIEWER,))
        add_person(change, in_force, person, by="ada")
        for account in PEOPLE:
            set_password(change, account, hashed())


def add_api_token(lab: Lab, account: str, *, may_change: bool = True, days: int = 90) -> str:
    """The secret of a new token."""
    secret = f"secret of {account} {may_change} {days}"
    with lab.ledger.change(at=lab.clock(), by=account) as change:
        ends_at = lab.now + timedelta(days=days)
        name = f"for tests {may_change} {days}"
        add_token(change, secret, account, name, may_change=may_change, ends_at=ends_at)
    return secret


@pytest.fixture
def open_page() -> Iterator[Callable[..., Page]]:
    """Opens the page of a laboratory; everybody of PEOPLE has the password PASSWORD."""
    stack: list[TestClient] = []

    def open_it(lab: Lab, settings: WebSection | None = None) -> Page:
        add_people(lab)
        events: list[dict[str, Any]] = []

        def keep(_logger: Any, _level: str, event: dict[str, Any]) -> Any:
            events.append(dict(event))
            raise structlog.DropEvent

        context = PageContext(
            lab.config,
            settings,
            log=structlog.wrap_logger(None, processors=[keep]),
            clock=lab.clock,
        )
        app = make_app(context)
        runner = TestClient(app, base_url="http://localhost")
        runner.__enter__()  # begins the application's life; ended below
        stack.append(runner)
        return Page(lab, context, app, events)

    yield open_it
    for runner in stack:
        runner.__exit__(None, None, None)


@dataclass
class Served:
    """The page under its real server."""

    url: str
    context: PageContext
    app: FastAPI


@pytest.fixture
def serve_config() -> Iterator[Callable[..., Served]]:
    """Serves the page of a configured ledger on a port of its own."""
    running: list[tuple[PageServer, threading.Thread]] = []

    def begin(config: Config, lab: Lab | None = None) -> Served:
        log = structlog.wrap_logger(None, processors=[_drop])
        context = PageContext(config, log=log, clock=lab.clock if lab else utc_now)
        app = make_app(context)
        server = PageServer(app)
        listener = listen_on("127.0.0.1", 0)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        running.append((server, thread))
        deadline = time.monotonic() + 20
        while not server.started:
            assert time.monotonic() < deadline, "the page did not start in time"
            time.sleep(0.01)
        url = f"http://127.0.0.1:{listener.getsockname()[1]}"
        return Served(url, context, app)

    yield begin
    for server, thread in running:
        server.end()
        thread.join(20)
        assert not thread.is_alive()


def _drop(*_: Any) -> Any:
    raise structlog.DropEvent


@pytest.fixture
def serve(serve_config: Callable[..., Served]) -> Callable[[Lab], Served]:
    """Serves the page of a laboratory; everybody of PEOPLE has the password PASSWORD."""

    def begin(lab: Lab) -> Served:
        add_people(lab)
        return serve_config(lab.config, lab)

    return begin


@pytest.fixture
def page(lab: Lab, open_page: Callable[..., Page]) -> Page:
    """The page of a laboratory with one complete run."""
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    return open_page(lab)
