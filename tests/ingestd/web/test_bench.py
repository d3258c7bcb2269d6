"""The bench: racks, runs, tubes, what is noted and what is decided there."""

import json
import re

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.ledger import work
from ingestd.pipeline.forms import shipped_forms
from ingestd.web.rack import view_run
from tests.conftest import EXPORT_HEAD, GOOD_ROWS, SHEET, SHEET_HEAD, Lab, row
from tests.ingestd.web.conftest import Page


def tubes(lab: Lab, run: str = "R1") -> dict[int, tuple[int | None, str, str]]:
    conn = lab.ledger.conn
    in_force = lab.pipeline.in_force_cache.current(conn)
    view = view_run(conn, work.get_run(conn, run), in_force, lab.config.site.policy)
    return {one.tube.position: (one.fill, one.beyond, one.standing) for one in view.tubes}


def test_rack_shows_fill_within_the_range_and_each_tubes_standing(page: Page) -> None:
    # 640 mg/L of 1500 is 42 %; the export states a dilution of 2 that it has not applied.
    assert tubes(page.lab) == {
        1: (0, "below", "passed"),
        2: (33, "", "passed"),
        3: (42, "", "passed"),
        4: (22, "", "passed"),
    }
    text = page.sign_in("vera").page("/bench?day=2026-03-02")
    assert text.count('class="tube t-passed"') == 4
    assert "4 of 4 tubes read" in text


def test_run_under_way_says_what_is_missing(lab: Lab, page: Page) -> None:
    lab.load("second.csv", SHEET.replace("R1", "R2").replace("B1", "B2").replace("W-", "V-"))
    lab.arrive(EXPORT_HEAD + row(9, "V-1", "high"), name="later.csv")
    assert tubes(lab, "R2")[3] == (100, "above", "held")
    text = page.sign_in("mara").page("/run?name=R2")
    assert "Still missing: the reading of tube 1 (B2)" in text
    assert "1 of 4 tubes read" in text


def test_night_run_belongs_to_the_day_it_started(lab: Lab, page: Page) -> None:
    lab.load(
        "night.csv",
        SHEET.replace("R1", "N1")
        .replace("03-02 08:15", "03-01 23:50")
        .replace("03-02 06:00", "03-01 22:00")
        .replace("W-", "N-"),
    )
    browser = page.sign_in("vera")
    assert "N1" in browser.page("/bench?day=2026-03-01")
    today = browser.page("/bench?day=2026-03-02")
    assert 'id="h1"><a href="/run?name=R1"' in today
    assert "Still open from earlier days" in today


@pytest.mark.parametrize(
    ("asked", "key", "value"),
    [
        ({"noted": "turbidity=turbid", "position": "3"}, "turbidity", "turbid"),
        ({"key": "chloride", "value": "350", "position": "3"}, "chloride", "350"),
        ({"key": "void", "value": "broken", "position": "3"}, "void", "broken"),
        ({"key": "digestion_end", "value": "2026-03-02 10:30"}, "digestion_end", "2026-03-02T"),
        ({"noted": "digestion_start=now"}, "digestion_start", "2026-03-02T12:00:00Z"),
    ],
    ids=lambda value: str(value)[:30],
)
def test_one_touch_notes_with_the_person_and_judges_anew(
    page: Page, asked: dict[str, str], key: str, value: str
) -> None:
    answer = page.sign_in("mara").post("/observe", {"run": "R1", **asked})
    assert "Done." in answer.text
    row = page.lab.ledger.conn.execute(
        "SELECT position, key, value, actor FROM observations ORDER BY id DESC LIMIT 1"
    ).fetchone()
    assert row[0] == (3 if "position" in asked else None)
    assert row[1] == key
    assert row[2].startswith(value)
    assert row[3] == "mara"


def test_turbid_tube_is_refused_on_the_spot(page: Page) -> None:
    page.sign_in("mara").post(
        "/observe", {"run": "R1", "position": "3", "noted": "turbidity=turbid"}
    )
    assert page.lab.states()["W-1"][0] in {"held", "refused"}
    assert tubes(page.lab)[3][2] in {"held", "refused"}


@pytest.mark.parametrize(
    "asked",
    [
        {"run": "R1", "noted": "turbidity=muddy"},
        {"run": "R1", "noted": "nonsense=1"},
        {"run": "R9", "noted": "turbidity=clear"},
        {"run": "R1", "position": "3x", "noted": "turbidity=clear"},
        {"run": "R1", "position": "77", "noted": "turbidity=clear"},
        {"run": "R1"},
    ],
    ids=str,
)
def test_wrong_observation_changes_nothing_and_says_why(page: Page, asked: dict[str, str]) -> None:
    size = page.lab.one("SELECT size FROM frontier")
    answer = page.sign_in("mara").post("/observe", {**asked, "back": "/run?name=R1"})
    assert "Not done." in answer.text
    assert page.lab.one("SELECT size FROM frontier") == size


def test_reviewer_releases_the_run_and_the_journal_says_who(page: Page) -> None:
    answer = page.sign_in("rita").post("/release", {"subject": "R1", "back": "/run?name=R1"})
    assert "released" in answer.text
    assert {state for state, _ in page.lab.states().values()} == {"released"}
    newest = "SELECT CAST(body AS TEXT) FROM journal ORDER BY idx DESC LIMIT 1"
    assert json.loads(str(page.lab.one(newest)))["by"] == "rita"
    assert verify_ledger(page.lab.ledger.conn, rebuild=True).faults == []


def test_nobody_releases_their_own_work(lab: Lab, page: Page) -> None:
    lab.load("own.csv", SHEET.replace("R1", "R2").replace("mara", "rita").replace("W-", "V-"))
    export = "".join(GOOD_ROWS).replace("W-", "V-").replace("1,2026", "21,2026", 1)
    lab.arrive(EXPORT_HEAD + re.sub(r"(?m)^(\d),", r"2\1,", export), name="own.csv")
    text = page.sign_in("rita").page("/run?name=R2")
    assert "another reviewer releases it" in text
    answer = page.sign_in("rita").post("/release", {"subject": "R2", "back": "/run?name=R2"})
    assert "Not done." in answer.text


def test_held_result_is_released_by_its_number_with_a_reason_that_is_printed(page: Page) -> None:
    page.sign_in("mara").post(
        "/observe", {"run": "R1", "position": "4", "key": "chloride", "value": "1500"}
    )
    held = page.lab.results()["W-2"]
    assert held.state == "held"
    rita = page.sign_in("rita")
    assert "Not done." in rita.post("/release", {"subject": str(held.id), "back": "/waiting"}).text
    answer = rita.post(
        "/release", {"subject": str(held.id), "reason": "chloride checked", "back": "/waiting"}
    )
    assert "Done." in answer.text
    assert page.lab.results()["W-2"].state == "released"
    assert "Reason given: chloride checked" in rita.page(f"/result?id={held.id}")
    assert "Reason given: chloride checked" in rita.page("/run?name=R1")


def test_released_result_is_withdrawn_with_a_reason(page: Page) -> None:
    rita = page.sign_in("rita")
    rita.post("/release", {"subject": "R1"})
    assert "Not done." in rita.post("/withdraw", {"subject": "R1", "back": "/run?name=R1"}).text
    rita.post("/withdraw", {"subject": "R1", "reason": "samples mixed up"})
    assert {state for state, _ in page.lab.states().values()} == {"withdrawn"}


def test_readings_without_name_are_placed_as_a_block_once_confirmed(lab: Lab, page: Page) -> None:
    lab.load(
        "order.csv",
        SHEET_HEAD.replace("program", "program,order")
        + "O1,COD-HR,2026-03-02 08:15,P1,mara,standard,in_sheet_order,1,blank,,,,,,,K1,,"
        "2026-03-02 08:25,2026-03-02 10:25,148,clear\n"
        + "O1,,,,,,,2,sample,X-1,,inlet,2026-03-02 06:00,200,,K1,,,,,\n",
    )
    form = shipped_forms()["point_table"].decode()
    nameless = form.replace('column = "Bottle"', 'column = "Bottle"\nrequired = "place"')
    lab.load("point_table.toml", nameless)
    lab.arrive(EXPORT_HEAD + row(31, "", "3") + row(32, "", "900"), name="nameless.csv")
    mara = page.sign_in("mara")
    assert "2 readings of P1 wait" in mara.page("/run?name=O1")
    answer = mara.post("/run/in-order", {"run": "O1", "reason": "read in the rack's order"})
    assert "2 readings placed" in answer.text
    assert tubes(lab, "O1")[2][0] == 60


def test_tube_page_shows_the_bytes_and_the_whole_derivation(page: Page) -> None:
    text = page.sign_in("vera").page("/tube?run=R1&position=3")
    assert "3,2026-03-02 10:50:00,W-1,COD-HR,2,,640,mg/L,K1" in text
    assert "The whole derivation" in text
    assert "Placed on tube 3 of run R1" in text


def test_run_page_keeps_forms_out_of_print_and_has_room_to_sign(page: Page) -> None:
    text = page.sign_in("rita").page("/run?name=R1")
    assert 'class="sign-off onlyprint"' in text
    css = page.client().get(text.split('rel="stylesheet" href="')[1].split('"')[0]).text
    assert "@media print" in css
