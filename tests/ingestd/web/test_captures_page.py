"""Captures with their faults marked, and replay with the table first."""

import re
import time

from ingestd import __version__
from ingestd.ledger.captures import get_capture
from ingestd.web.captures import BYTES_SHOWN, show_bytes
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, SHEET, Lab, row
from tests.ingestd.web.conftest import Browser, Page

# The photometer's settings were changed: another title for one column.
CHANGED = re.sub(
    r"(?m)^(\d),", r"8\1,", GOOD_EXPORT.replace("Outcome", "Result").replace("W-", "V-")
)
SHEET_2 = SHEET.replace("R1", "R2").replace("W-", "V-")


def newest(lab: Lab) -> int:
    return int(str(lab.one("SELECT max(id) FROM captures WHERE source = 'p1'")))


def finished(browser: Browser, answer: object) -> str:
    """The page of a job once it is done."""
    address = str(answer.url)  # type: ignore[attr-defined]  # an answer of the client's
    assert "/job" in address
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        text = browser.page(address)
        if "This page renews itself" not in text:
            return text
    raise AssertionError("the job did not end in time")


def test_bad_cell_is_marked_where_it_stands(lab: Lab, page: Page) -> None:
    lab.arrive(EXPORT_HEAD + row(5, "W-7", "12.3.4") + row(6, "W-8", "300"), name="bad.csv")
    text = page.sign_in("vera").page(f"/capture?id={newest(lab)}")
    assert "<mark>12.3.4</mark>" in text
    assert "partly read" in text
    assert "W-8" in text


def test_fault_deep_in_a_large_capture_is_shown_in_its_surroundings(lab: Lab, page: Page) -> None:
    good = "".join(row(n, f"L-{n}", "300") for n in range(100, 1000))
    lab.arrive(EXPORT_HEAD + good + row(5, "W-7", "12.3.4"), name="large.csv")
    with page.context.reading() as conn:
        shown = show_bytes(conn, get_capture(conn, newest(lab)))
    assert shown.start > 0
    assert shown.end - shown.start <= BYTES_SHOWN
    assert "<mark>12.3.4</mark>" in shown.text


def test_failed_capture_is_replayed_after_the_form_was_mended(lab: Lab, page: Page) -> None:
    lab.load("second.csv", SHEET_2)
    lab.arrive(CHANGED, name="changed.csv")
    ident = newest(lab)
    ada = page.sign_in("ada")
    assert "failed" in ada.page(f"/capture?id={ident}")
    asked = {"capture": str(ident), "reason": "the column has another title now"}
    still = finished(ada, ada.post("/replay", asked))
    assert "Still cannot be read" in still
    form = str(
        lab.one("SELECT json_extract(body, '$.text') FROM inputs WHERE name = 'point_table'")
    )
    page.sign_in("mara").post(
        "/plan/load", {"name": "point_table.toml", "text": form.replace("Outcome", "Result")}
    )
    size = lab.one("SELECT size FROM frontier")
    table = finished(ada, ada.post("/replay", asked))
    assert "This would change." in table
    assert "V-1" in table
    assert "Replay now" in table
    assert lab.one("SELECT size FROM frontier") == size
    done = finished(ada, ada.post("/replay", {**asked, "really": "yes"}))
    assert "Done." in done
    for shown in (table, done):
        assert f"Inputs as in force now; program ingestd {__version__}." in shown
    assert lab.states()["V-2"] == ("accepted", "333")
    assert lab.one("SELECT state FROM capture_states WHERE capture = ?", ident) == "read"


def test_replay_needs_a_reason_and_something_to_replay(lab: Lab, page: Page) -> None:
    ada = page.sign_in("ada")
    for (capture, source, reason), words in {
        ("", "p1", ""): "a reason is needed",
        ("", "", "mended"): "no capture is chosen",
        ("x", "", "mended"): "this is not a number",
        ("", "nowhere", "mended"): "no capture is chosen by that",
    }.items():
        ada.client.follow_redirects = False
        asked = {"capture": capture, "source": source, "reason": reason}
        assert ada.post("/replay", asked).status_code == 303
        ada.client.follow_redirects = True
        assert words in ada.page("/sources")
    assert lab.states()["W-1"][0] == "accepted"


def test_sources_show_last_arrival_and_that_no_service_runs(page: Page) -> None:
    text = page.sign_in("vera").page("/sources")
    assert "day.csv" in text
    assert "The service does not run" in text
    assert "Replay" not in text


def test_captures_are_found_by_source_and_state(lab: Lab, page: Page) -> None:
    lab.arrive("nothing\n", name="notes.txt")
    vera = page.sign_in("vera")
    assert "notes.txt" in vera.page("/captures?state=failed")
    assert "day.csv" not in vera.page("/captures?state=failed")
    assert "day.csv" in vera.page("/captures?source=p1&state=read")
    assert "sheet.csv" in vera.page("/captures?source=plan")
