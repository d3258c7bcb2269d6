"""The invented waterworks' day, every page of it, in a real browser, for everybody's eyes.

Each page is looked at on a desktop, on a phone and in the dark by an accessibility checker:
axe-core, with its rules for WCAG 2 levels A and AA and its best practices.
"""

import io
from collections.abc import Callable, Iterator
from contextlib import redirect_stdout
from datetime import UTC, datetime
from pathlib import Path

import pytest
import structlog
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from ingestd.config import Config, load_config
from ingestd.demo.day import run_demo
from ingestd.ledger.accounts import set_password
from ingestd.ledger.results import ResultRow, find_results
from ingestd.ledger.store import Ledger
from tests.ingestd.web.browser.conftest import Visit
from tests.ingestd.web.conftest import Served, hashed


def _drop(*_: object) -> str:
    raise structlog.DropEvent


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Config:
    """One day of the demonstration, worked through; everybody has the tests' password."""
    folder: Path = tmp_path_factory.mktemp("demo") / "lab"
    log = structlog.wrap_logger(structlog.PrintLogger(), processors=[_drop])
    with redirect_stdout(io.StringIO()):
        assert run_demo(folder, once=True, echo=lambda _text: None, log=log) == 0
    config = load_config(folder / "ingestd.toml")
    ledger = Ledger.open(config.ledger.path)
    with ledger.change(at=datetime.now(UTC), by="pell") as change:
        for account in ("meris", "orrin", "pell"):
            set_password(change, account, hashed())
    ledger.close()
    return config


@pytest.fixture
def served(demo: Config, serve_config: Callable[[Config], Served]) -> Served:
    return serve_config(demo)


@pytest.fixture
def results(demo: Config) -> Iterator[dict[tuple[str, str, str], ResultRow]]:
    ledger = Ledger.open_readonly(demo.ledger.path)
    yield {(one.sample, one.analyte, one.run): one for one in find_results(ledger.conn)}
    ledger.close()


def day_of_the_demo(results: dict[tuple[str, str, str], ResultRow]) -> str:
    """Its runs are named after their day."""
    return next(iter(results))[2][:10]


def test_every_run_and_result_of_the_day_is_seen(
    served: Served, visit: Visit, results: dict[tuple[str, str, str], ResultRow]
) -> None:
    tab = visit(served.url, "meris")
    tab.goto(f"/bench?day={day_of_the_demo(results)}")
    for run in {run for _, _, run in results}:
        expect(tab.get_by_role("heading", name=run, exact=True)).to_be_visible()
        tab.goto(f"/run?name={run}")
        for row in (one for one in results.values() if one.run == run):
            line = tab.locator("section", has=tab.get_by_role("heading", name="Results")).locator(
                "tbody tr", has=tab.get_by_role("link", name=row.sample, exact=True)
            )
            expect(line).to_contain_text(row.state)
            expect(line).to_contain_text(f"{row.text} {row.unit}" if row.text else "no value")
        tab.go_back()


def test_every_trouble_of_the_day_waits_with_its_reason(served: Served, visit: Visit) -> None:
    tab = visit(served.url, "orrin")
    tab.goto("/waiting")
    for words in (
        "shopping.txt",
        "is planned with a dilution factor of",
        "expired on",
        "shows more than it can state",
        "No comparison on record admits program fast",
        "min older than the end of its digestion",
    ):
        expect(tab.get_by_text(words).first).to_be_visible()


def test_charts_are_drawn_and_a_point_opens_its_run(served: Served, visit: Visit) -> None:
    tab = visit(served.url, "meris")
    tab.goto("/controls?method=COD high")
    points = tab.locator("#mean-CS-900-4 .scatterlayer .point")
    expect(points).to_have_count(3)
    box = points.first.bounding_box()
    assert box is not None
    tab.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    expect(tab.locator("#mean-CS-900-4 .hoverlayer")).to_contain_text("tube")
    tab.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    tab.wait_for_url("**/run?name=*")
    tab.goto("/point?code=outlet&analyte=COD")
    expect(tab.locator(".scatterlayer .point")).to_have_count(1)
    expect(tab.get_by_text("limit 90")).to_be_visible()


PAGES = (
    "/bench?day={day}",
    "/run?name={run}",
    "/tube?run={run}&position=5",
    "/waiting",
    "/results",
    "/result?id=1",
    "/points",
    "/point?code=outlet",
    "/controls",
    "/plan",
    "/input?kind=method&name=COD%20high",
    "/sources",
    "/captures",
    "/capture?id=27",
    "/reading?id=1",
    "/journal",
    "/entry?index=5",
    "/account",
)


@pytest.mark.parametrize(
    ("account", "phone", "dark"),
    [("meris", False, False), ("pell", True, False), ("orrin", False, True)],
    ids=["desktop", "phone", "dark"],
)
def test_no_page_bars_anybody(
    served: Served,
    visit: Visit,
    results: dict[tuple[str, str, str], ResultRow],
    account: str,
    *,
    phone: bool,
    dark: bool,
) -> None:
    tab = visit(served.url, account, phone=phone, dark=dark)
    day = day_of_the_demo(results)
    found = []
    for path in PAGES:
        tab.goto(path.format(day=day, run=f"{day} COD high 1"))
        expect(tab.locator("h1")).to_be_visible()
        # In the dark only the colours differ.
        answer = Axe().run(tab, options={"runOnly": ["color-contrast"]} if dark else None)
        found += [
            f"{path}: {one['id']}: {one['nodes'][0]['html'][:160]}"
            for one in answer.response["violations"]
        ]
        width = tab.evaluate("document.documentElement.scrollWidth - innerWidth")
        if width > 0:
            found.append(f"{path}: {width} px wider than the screen")
    assert found == []


def test_sign_in_page_bars_nobody(served: Served, visit: Visit) -> None:
    tab = visit(served.url, "meris", phone=True)
    tab.get_by_role("button", name="Sign out").click()
    assert Axe().run(tab).response["violations"] == []


def test_page_is_worked_by_keyboard_from_its_first_stop(served: Served, visit: Visit) -> None:
    tab = visit(served.url, "meris")
    tab.goto("/bench")
    tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.textContent") == "Skip to the page"
    tab.keyboard.press("Enter")
    assert tab.evaluate("document.activeElement.id") == "main"
    reached = set()
    for _ in range(40):
        tab.keyboard.press("Tab")
        reached.add(tab.evaluate("document.activeElement.tagName"))
    assert {"A", "INPUT", "BUTTON"} <= reached
