"""The live page over a million results: every page and call, and a new result on screen.

The page is the real process, asked over HTTP on one connection that stays open. The ledger is a
generated one; checkpoints are signed for each of its runs, as the service would have. A new result
is seen by a real browser without a window, from the closing of the export to the text on screen,
with the real service beside.
"""

import http.client
import os
import secrets
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import quote

from fastapi.routing import APIRoute
from playwright.sync_api import sync_playwright

from ingestd.audit.checkpoints import leaves_of, origin_of, signing_key
from ingestd.config import Config
from ingestd.ledger.accounts import begin_session
from ingestd.ledger.journal.checkpoints import sign_checkpoint
from ingestd.ledger.journal.merkle import roots_at
from ingestd.ledger.store import Ledger
from ingestd.web.access import COOKIE
from ingestd.web.app import make_app
from ingestd.web.context import PageContext
from tests.bench.bulk_work import silent_log
from tests.bench.figures import Figure, quantile
from tests.bench.grown_ledger import SAMPLES, TUBES, grow
from tests.bench.grown_plan import UNCHECKED, make_place
from tests.bench.growth import Place, run_name

RESULTS = 1_000_000
SHORT_RESULTS = 50_000
PAGE_MS = 100
SCREEN_MS = 250
CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking")
TREE = Path(__file__).parents[2]
PATIENCE_S = 60.0
# What is no page: a stream without end, a file of the program itself, the answer to a job begun.
NO_PAGES = {"/live", "/static/{tag}/{name}", "/job", "/api/jobs/{ident}"}


def measure(*, short: bool) -> list[Figure]:
    """Every page and call, and a new result on screen."""
    results = SHORT_RESULTS if short else RESULTS
    readings = results // SAMPLES * TUBES
    until = datetime.now(UTC).replace(second=0, microsecond=0)
    with tempfile.TemporaryDirectory() as name:
        config = make_place(Path(name), extra=UNCHECKED)
        grow(config, readings=readings, until=until).close()
        return look(config, readings, until, asked=5 if short else 15, arrivals=20)


def look(
    config: Config, readings: int, until: datetime, *, asked: int, arrivals: int
) -> list[Figure]:
    """The figures of a ledger that was generated already.

    Args:
        asked: how often each page is asked for after its first time.
        arrivals: new results to be seen on screen.
    """
    runs = readings // TUBES
    keep_checkpoints(config, runs)
    place = Place.open(config, until, arrivals)
    try:
        with _served(config) as (port, process):
            secret = sign_in(config)
            figures = _pages(config, port, process, secret, runs, until, asked)
            figures.append(_screen(place, port, secret, arrivals, runs * SAMPLES))
    finally:
        place.close()
    return figures


def keep_checkpoints(config: Config, count: int) -> None:
    """As many signed checkpoints beside the ledger, evenly over its life."""
    ledger = Ledger.open_readonly(config.ledger.path)
    try:
        (size,) = ledger.conn.execute("SELECT size FROM frontier").fetchone()
        leaves = leaves_of(ledger.conn)
        source = (leaf for at in range(0, size, 10_000) for leaf in leaves(at, at + 10_000))
        roots = roots_at(source, [size * n // count for n in range(1, count + 1)])
    finally:
        ledger.close()
    folder = config.ledger.checkpoints
    if folder is None:
        raise AssertionError("the configuration names no folder for checkpoints")
    folder.mkdir(parents=True, exist_ok=True)
    key, origin = signing_key(config), origin_of(config.site.name)
    for size, root in roots.items():
        checkpoint = sign_checkpoint(key, origin, size, root)
        (folder / f"checkpoint-{size:016d}.txt").write_text(checkpoint.text)


def sign_in(config: Config) -> str:
    """The secret of a session of the reviewer."""
    secret = secrets.token_urlsafe(32)
    ledger = Ledger.open(config.ledger.path)
    now = datetime.now(UTC)
    with ledger.change(at=now, by="rita") as change:
        begin_session(change, secret, "rita", client="127.0.0.1", ends_at=now + timedelta(hours=8))
    ledger.close()
    return secret


@contextmanager
def _served(config: Config) -> Iterator[tuple[int, int]]:
    """`ingestd web` as a process of its own; the port it answers on, and its number."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    folder = config.ledger.path.parent
    with (folder / "web.log").open("wb") as log:
        process = subprocess.Popen(
            [
                sys.executable, "-m", "ingestd", "--config", str(folder / "ingestd.toml"),
                "web", "--port", str(port),
            ],
            env={**os.environ, "PYTHONPATH": str(TREE)},
            stdout=log,
            stderr=subprocess.STDOUT,
        )  # fmt: skip
    try:
        begun = time.perf_counter()
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                if process.poll() is not None or time.perf_counter() - begun > PATIENCE_S:
                    raise AssertionError((folder / "web.log").read_text()[-800:]) from None
                time.sleep(0.05)
        yield port, process.pid
    finally:
        process.terminate()
        process.wait()


def addresses(runs: int, until: datetime) -> dict[str, list[str]]:
    """For each route, the addresses to be asked for: rows of the ledger's middle and end."""
    middle, last = runs // 2, runs - 1
    run = f"R{middle:07}"
    result = middle * SAMPLES + 1
    code = f"W{middle * SAMPLES:08}"
    point = quote("point 07")
    day = f"{until:%Y-%m-%d}"
    early = f"{until - timedelta(minutes=21 * (runs - middle)):%Y-%m-%d}"
    capture = 1000 + middle
    period = f"since={early}&until={early}"
    entry = 50_000
    return {
        "/": ["/"],
        "/bench": ["/bench", f"/bench?day={early}"],
        "/run": [f"/run?name={run}", f"/run?name=R{last:07}"],
        "/tube": [f"/tube?run={run}&position=4"],
        "/waiting": ["/waiting"],
        "/reading": [f"/reading?id={middle * TUBES + 3}"],
        "/results": [
            "/results",
            f"/results?sample={code}",
            f"/results?sample={code[:4]}",
            f"/results?point={point}",
            "/results?analyte=COD",
            "/results?analyte=chlorine",
            "/results?state=held",
            "/results?state=refused",
            "/results?analyte=COD&state=held",
            f"/results?point={point}&state=refused",
            f"/results?point={point}&state=released",
            f"/results?point={point}&analyte=BOD5&state=withdrawn",
            f"/results?analyte=COD&state=refused&{period}",
            f"/results?{period}",
            f"/results?run={run}",
            f"/results?after={early}T00:00:00.000000Z_{result}",
        ],
        "/results/export.{kind}": [f"/results/export.csv?{period}"],
        "/result": [f"/result?id={result}"],
        "/result/receipt": [f"/result/receipt?id={result}"],
        "/points": ["/points"],
        "/point": [f"/point?code={point}", f"/point?code={point}&analyte=COD"],
        "/controls": [
            "/controls", "/controls?method=TNB", "/controls?method=COD-HR&instrument=P3"
        ],
        "/plan": ["/plan"],
        "/input": ["/input?kind=method&name=COD-HR", f"/input?kind=sample&name={code}"],
        "/sources": ["/sources"],
        "/captures": [
            "/captures",
            "/captures?state=failed",
            "/captures?source=p2",
            "/captures?source=p2&state=failed",
            f"/captures?source=p2&state=read&before={capture}",
        ],
        "/capture": [f"/capture?id={capture}"],
        "/journal": ["/journal", "/journal?who=all", f"/journal?before={entry}"],
        "/entry": [f"/entry?index={entry}"],
        "/entry/receipt": [f"/entry/receipt?index={entry}"],
        "/journal/checkpoint.txt": ["/journal/checkpoint.txt"],
        "/account": ["/account"],
        "/sign-in": ["/sign-in"],
        "/health": ["/health"],
        "/metrics": ["/metrics"],
        "/api/status": ["/api/status"],
        "/api/results": [
            "/api/results?limit=100", f"/api/results?point={point}&state=released&limit=100"
        ],
        "/api/results/{ident}": [f"/api/results/{result}"],
        "/api/results/{ident}/receipt": [f"/api/results/{result}/receipt"],
        "/api/runs": [f"/api/runs?day={day}", f"/api/runs?day={early}"],
        "/api/run": [f"/api/run?name={run}"],
        "/api/waiting": ["/api/waiting"],
        "/api/captures": ["/api/captures", "/api/captures?source=p2&state=failed"],
        "/api/captures/{ident}": [f"/api/captures/{capture}"],
        "/api/journal": ["/api/journal", f"/api/journal?before={entry}&people=true"],
        "/api/sources": ["/api/sources"],
    }  # fmt: skip


def _pages(
    config: Config, port: int, process: int, secret: str, runs: int, until: datetime, asked: int
) -> list[Figure]:
    found = addresses(runs, until)
    context = PageContext(config, log=silent_log())
    routes = {
        route.path
        for route in make_app(context).routes
        if isinstance(route, APIRoute) and "GET" in route.methods
    }
    if missing := routes - set(found) - NO_PAGES:
        raise AssertionError(f"pages that are not measured: {sorted(missing)}")
    conn = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    _ask(conn, "/health", secret)  # the connection, and the first import of everything
    figures = []
    for paths in found.values():
        for path in paths:
            first = _ask(conn, path, secret)
            before = _worked(process)
            rest = [_ask(conn, path, secret) for _ in range(asked)]
            worked = (_worked(process) - before) / asked
            median = quantile(rest, 0.5)
            figures.append(
                Figure(
                    name=f"GET {path}, {runs * SAMPLES:,} results",
                    unit="ms",
                    floor=None,
                    figure=median,
                    target=f"≤ {PAGE_MS} ms",
                    met=median <= PAGE_MS,
                    spread=f"first {first:.1f}, {min(rest):.1f} to {max(rest):.1f};"
                    f" {worked:.1f} of processor time",
                )
            )
    conn.close()
    return figures


def _worked(process: int) -> float:
    """Milliseconds of processor time that all threads of a process have had."""
    threads = Path(f"/proc/{process}/task").iterdir()
    return sum(int((one / "schedstat").read_text().split()[0]) for one in threads) / 1e6


def _ask(conn: http.client.HTTPConnection, path: str, secret: str) -> float:
    """Milliseconds until the whole answer is there."""
    begun = time.perf_counter()
    conn.request("GET", path, headers={"cookie": f"{COOKIE}={secret}"})
    answer = conn.getresponse()
    body = answer.read()
    took = (time.perf_counter() - begun) * 1000
    if answer.status != 200:
        raise AssertionError(f"{path}: {answer.status} {body[:400]!r}")
    return took


def _screen(place: Place, port: int, secret: str, arrivals: int, results: int) -> Figure:
    """From the closing of an export to its result on the page of its run."""
    shown = []
    url = f"http://127.0.0.1:{port}"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        context = browser.new_context(base_url=url)
        context.add_cookies([{"name": COOKIE, "value": secret, "url": url}])
        tab = context.new_page()
        for number in range(arrivals):
            # Functions, not expressions: the page forbids texts to be run as programs.
            tab.goto(f"/run?name={quote(run_name(number, place.until))}")
            tab.wait_for_function(
                "() => document.querySelector('#pulse').dataset.state === 'on'"
                " && document.body.textContent.includes('0 of 3 tubes read')"
            )
            place.drop(number)
            closed = time.perf_counter()
            tab.wait_for_function(
                "() => document.body.textContent.includes('3 of 3 tubes read')", polling=5
            )
            shown.append((time.perf_counter() - closed) * 1000)
        browser.close()
    median = quantile(shown, 0.5)
    return Figure(
        name=f"file closed to result on screen, p50, {results:,} results",
        unit="ms",
        floor=None,
        figure=median,
        target=f"≤ {SCREEN_MS} ms",
        met=median <= SCREEN_MS,
        spread=f"{min(shown):.0f} to {max(shown):.0f} over {arrivals} files;"
        f" {sum(1 for one in shown if one <= SCREEN_MS)} within the target",
    )
