"""No page and no call reads a whole table that grows: proved from SQLite's own query plans.

Times on a full ledger depend on the machine; that a question goes along an index does not.
"""

import re
from collections.abc import Callable

import pytest

from ingestd.ledger.store import Ledger
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, SHEET, Lab, row
from tests.ingestd.web.conftest import Page

GROWING = {
    "captures", "capture_states", "journal", "runs", "tubes", "observations", "readings",
    "sightings", "placements", "pin_sets", "results", "result_versions", "control_values",
    "reported",
}  # fmt: skip
PATHS = (
    "/bench", "/bench?day=2026-03-02", "/run?name=R1", "/tube?run=R1&position=3", "/waiting",
    "/results", "/results?state=held", "/results?analyte=COD", "/results?point=inlet",
    "/results?point=inlet&analyte=COD&state=released", "/results?sample=W-1", "/results?sample=W",
    "/results?run=R1", "/results?since=2026-01-01&until=2026-12-31", "/result?id=1", "/points",
    "/point?code=inlet", "/controls", "/plan", "/sources", "/captures", "/captures?state=failed",
    "/captures?source=p1&state=read", "/capture?id=8", "/journal", "/journal?who=all",
    "/entry?index=5", "/reading?id=1", "/input?kind=method&name=COD-HR", "/account",
    "/results/export.csv?sample=W-1", "/api/results", "/api/results/1", "/api/run?name=R1",
    "/api/runs?day=2026-03-02", "/api/waiting", "/api/captures", "/api/journal", "/api/sources",
)  # fmt: skip


@pytest.fixture
def busy(lab: Lab) -> Lab:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lab.load("second.csv", SHEET.replace("R1", "R2").replace("W-", "V-").replace("B1", "B2"))
    lab.arrive(EXPORT_HEAD + row(7, "W-9", "333") + row(8, "V-1", "high"), name="stray.csv")
    lab.arrive("nothing\n", name="notes.txt")
    return lab


def test_every_question_of_every_page_goes_along_an_index(
    busy: Lab, open_page: Callable[..., Page]
) -> None:
    asked: set[str] = set()
    page = open_page(busy)
    open_reader = page.context.open_reader

    def listening() -> Ledger:
        ledger = open_reader()
        ledger.conn.set_trace_callback(lambda text: asked.add(str(text)))
        return ledger

    page.context.open_reader = listening  # type: ignore[method-assign]  # to hear, not to change
    browser = page.sign_in("rita")
    for path in PATHS:
        assert browser.get(path).status_code == 200, path
    questions = [text for text in asked if text.lstrip().upper().startswith("SELECT")]
    assert len(questions) > 100
    offences = {one for text in questions for one in whole_scans(busy, text)}
    assert offences == set()


@pytest.mark.parametrize(
    ("text", "is_whole"),
    [
        ("SELECT state, count(*) FROM results GROUP BY state", True),
        ("SELECT id FROM results r WHERE r.method = 'x'", True),
        ("SELECT id FROM results r WHERE r.method = 'x' ORDER BY r.sample LIMIT 5", False),
        ("SELECT raw FROM readings WHERE raw = 'x' ORDER BY raw LIMIT 5", True),
        ("SELECT raw FROM readings ORDER BY id DESC LIMIT 5", False),
        ("SELECT id FROM results r WHERE r.sample = 'x'", False),
        ("SELECT name FROM inputs", False),
        ("SELECT count(*) FROM results WHERE proposed IS NOT NULL", False),
        ("SELECT capture FROM capture_states WHERE state = 'failed'", True),
    ],
)
def test_reading_a_whole_table_is_told_from_going_along_an_index(
    busy: Lab, text: str, *, is_whole: bool
) -> None:
    assert bool(whole_scans(busy, text)) is is_whole


def whole_scans(lab: Lab, text: str) -> list[str]:
    """The steps of a question that go through a whole table that grows."""
    found = []
    for *_, step in lab.ledger.conn.execute(f"EXPLAIN QUERY PLAN {text}"):
        scan = re.match(r"SCAN (\w+)(.*)", step)
        if scan is None or _table(scan[1], text) not in GROWING:
            continue
        if _is_partial(lab, scan[2]):
            continue
        has_limit = bool(re.search(r"\bLIMIT\b", text))
        from_newest = re.search(r"ORDER BY (?:\w+\.)?(?:id|idx|capture) DESC\s+LIMIT", text)
        if not (has_limit and ("USING" in scan[2] or from_newest)):
            found.append(f"{step}: {' '.join(text.split())[:300]}")
    return found


def _is_partial(lab: Lab, how: str) -> bool:
    """Whether it goes along an index that holds few rows of its table."""
    index = re.search(r"INDEX (\w+)", how)
    sql = lab.one("SELECT sql FROM sqlite_master WHERE name = ?", index[1]) if index else None
    return sql is not None and " WHERE " in " ".join(str(sql).split())


def _table(name: str, text: str) -> str:
    """The table behind an alias."""
    found = re.search(rf"(?:FROM|JOIN|,)\s+(\w+)\s+(?:AS\s+)?{name}\b", text)
    return found[1] if found else name
