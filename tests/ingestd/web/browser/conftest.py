"""A real browser without a window, and people signed in with it."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.ingestd.web.conftest import PASSWORD

CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = (
    "--no-sandbox",  # the tests may run as root
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
DESKTOP = {"width": 1280, "height": 800}
PHONE = {"width": 390, "height": 844}
PATIENCE_MS = 10_000


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One browser for the tests of a file."""
    if not CHROMIUM.exists():
        pytest.fail(f"there is no {CHROMIUM}: install it with `apt-get install chromium`")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield browser
        browser.close()


Visit = Callable[..., Page]


@pytest.fixture
def visit(chromium: Browser) -> Iterator[Visit]:
    """Signs somebody in through the form and gives the tab; complaints of the browser fail."""
    complaints: list[str] = []
    contexts = []

    def begin(url: str, account: str, *, phone: bool = False, dark: bool = False) -> Page:
        context = chromium.new_context(
            viewport=PHONE if phone else DESKTOP,
            color_scheme="dark" if dark else "light",
            base_url=url,
            has_touch=phone,
        )
        contexts.append(context)
        tab = context.new_page()
        tab.set_default_timeout(PATIENCE_MS)
        tab.on("pageerror", lambda error: complaints.append(f"script: {error}"))
        tab.on(
            "console",
            lambda said: (
                complaints.append(f"{said.type}: {said.text}")
                if said.type in ("error", "warning") and not _is_expected(said.text)
                else None
            ),
        )
        tab.goto("/sign-in")
        tab.get_by_label("Account").fill(account)
        tab.get_by_label("Password").fill(PASSWORD)
        tab.get_by_role("button", name="Sign in").click()
        tab.wait_for_url(re.compile(r"/bench"))
        return tab

    yield begin
    for context in contexts:
        context.close()
    assert complaints == []


def _is_expected(text: str) -> bool:
    """A refused plan answers 422, which the browser reports as a failed load."""
    return "status of 422" in text
