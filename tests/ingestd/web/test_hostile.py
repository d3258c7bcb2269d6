"""File names and cell contents made to break pages are shown, harmlessly, as what they are."""

import csv
import io
from html.parser import HTMLParser

import pytest
from openpyxl import load_workbook

from ingestd.ledger import work
from ingestd.web.pages import visible
from tests.conftest import EXPORT_HEAD, SHEET, Lab, row
from tests.ingestd.web.conftest import Page

SCRIPT = "<script>alert(1)</script>"
ATTRIBUTE = "\"onmouseover='alert(1)' x=\""
TEMPLATE = "{{ 7 * 7 }}{% raw %}"
TURNED = "abc\u202egpj.exe"
NAMES = (SCRIPT, ATTRIBUTE, TEMPLATE, TURNED, "a\x07b.csv", "../../etc/passwd", "=1+1")


class Elements(HTMLParser):
    """Collects what a browser would run: scripts, handlers, dangerous addresses."""

    def __init__(self) -> None:
        super().__init__()
        self.offences: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "script" and not (
            (given.get("src") or "").startswith("/static/")
            or given.get("type") == "application/json"
        ):
            self.offences.append(f"script {given}")
        if tag in {"iframe", "object", "embed", "base", "style"}:
            self.offences.append(tag)
        for name, value in attrs:
            if name.startswith("on") or name == "style":
                self.offences.append(f"{name} on {tag}")
            if name in {"href", "src", "action"} and not (value or "").startswith(("/", "#")):
                self.offences.append(f"{name}={value}")


def assert_harmless(text: str) -> None:
    elements = Elements()
    elements.feed(text)
    assert elements.offences == []
    assert "49{" not in text
    assert "\u202e" not in text
    assert "\x07" not in text


@pytest.fixture
def hostile(lab: Lab, page: Page) -> Page:
    """A laboratory whose names and cells all mean ill."""
    for name in NAMES:
        lab.arrive(f"{SCRIPT}\n{ATTRIBUTE}\x00\x1b[31m{name}\n", name=name)
    sheet = SHEET.replace("R1", f'"{SCRIPT}"').replace("W-1", f'"<b>{TEMPLATE}"')
    lab.load("hostile.csv", sheet.replace("W-2", "W-5").replace("B1", "B7"))
    lab.arrive(
        EXPORT_HEAD + row(61, "<img src=x onerror=alert(1)>", "5") + row(62, "=1+1", "500"),
        name="cells.csv",
    )
    lab.pipeline.clock()
    return page


PATHS = (
    "/bench?day=2026-03-02",
    "/waiting",
    "/results",
    "/plan",
    "/sources",
    "/captures",
    "/journal?who=all",
    "/journal",
    "/run?name=%3Cscript%3Ealert(1)%3C/script%3E",
    "/tube?run=%3Cscript%3Ealert(1)%3C/script%3E&position=4",
    "/bench?day=%3Cscript%3E",
    "/results?sample=%22%3E%3Cscript%3Ealert(1)%3C/script%3E",
    "/results?point=%22%3E%3Cscript%3E&analyte=%3Cb%3E&run=%3Ci%3E",
    "/controls?method=%3Cscript%3E&chart=%3Cb%3E",
    "/run?name=%22onload%3Dalert(1)",
    "/input?kind=%3Cb%3E&name=%3Cscript%3E",
    "/sign-in?next=%22%3E%3Cscript%3Ealert(1)%3C/script%3E",
    "/nothing/%3Cscript%3E",
)


@pytest.mark.parametrize("path", PATHS)
def test_page_shows_hostile_texts_harmlessly(hostile: Page, path: str) -> None:
    for account in ("vera", "rita", "ada"):
        answer = hostile.sign_in(account).get(path)
        assert answer.status_code in (200, 404), answer.text[:500]
        assert_harmless(answer.text)


def test_captures_and_readings_with_hostile_names_have_their_pages(hostile: Page) -> None:
    ada = hostile.sign_in("ada")
    conn = hostile.lab.ledger.conn
    for (ident,) in conn.execute("SELECT id FROM captures WHERE source = 'p1'").fetchall():
        text = ada.page(f"/capture?id={ident}")
        assert_harmless(text)
    assert "\\x1b[31m" in text or "cells.csv" in text
    for waiting in work.waiting_readings(conn):
        assert_harmless(ada.page(f"/reading?id={waiting.reading.id}"))
    for (index,) in conn.execute("SELECT idx FROM journal").fetchall():
        assert_harmless(ada.page(f"/entry?index={index}"))


def test_characters_that_do_not_show_are_written_as_codes() -> None:
    assert visible(TURNED) == "abc\\u202egpj.exe"
    assert visible("a\x00b") == "a\\x00b"
    assert visible("line\nline") == "line\nline"
    assert visible("Müller µg/L –") == "Müller µg/L –"


def test_refused_sheet_is_shown_harmlessly(page: Page) -> None:
    mara = page.sign_in("mara")
    text = f'run,method,started,position,role\n"{SCRIPT}",{TEMPLATE},"{ATTRIBUTE}",x,y\n'
    answer = mara.post("/plan/load", {"name": f"{TURNED}.csv", "text": text})
    assert answer.status_code == 422
    assert_harmless(answer.text)


def test_exports_hold_no_formula(hostile: Page) -> None:
    hostile.sign_in("rita").post("/release", {"subject": "R1", "reason": "=1+1"})
    vera = hostile.sign_in("vera")
    rows = list(csv.reader(io.StringIO(vera.get("/results/export.csv").text)))
    assert "'=1+1" in {cell for row in rows for cell in row}
    assert not any(cell.startswith("=") for row in rows for cell in row)
    in_force = load_workbook(io.BytesIO(vera.get("/results/export.xlsx").content))
    for cells in in_force.worksheets[0].iter_rows(values_only=True):
        assert not any(str(cell).startswith("=") for cell in cells)
