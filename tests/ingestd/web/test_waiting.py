"""The list of what waits, and the hand-work done from it."""

from datetime import timedelta

from ingestd.ledger.source_states import SourceState, keep_source_states
from tests.conftest import EXPORT_HEAD, PLAN, SHEET, Lab, row
from tests.ingestd.web.conftest import Page

STRAY = EXPORT_HEAD + row(7, "W-9", "333")


def test_empty_list_says_so(page: Page) -> None:
    assert "Nothing waits for a hand." in page.sign_in("vera").page("/waiting")


def test_unplaced_reading_waits_with_its_reason_and_is_placed_by_hand(
    lab: Lab, page: Page
) -> None:
    lab.load("more.csv", SHEET.replace("R1", "R2").replace("W-", "V-").replace("B1", "B2"))
    lab.arrive(STRAY, name="stray.csv")
    mara = page.sign_in("mara")
    text = mara.page("/waiting")
    assert "No open run has a tube labelled" in text
    (reading,) = lab.ledger.conn.execute("SELECT reading FROM waiting").fetchone()
    asked = {"reading": str(reading), "tube": "4 in R2", "reason": ""}
    assert "Not done." in mara.post("/place", asked).text
    answer = mara.post("/place", {**asked, "reason": "label was misread"})
    assert f"Reading {reading} placed on tube 4 of run R2." in answer.text
    assert lab.waiting() == {}
    assert "placed by mara" in mara.page(f"/reading?id={reading}")


def test_reading_is_not_placed_where_no_tube_is(lab: Lab, page: Page) -> None:
    lab.arrive(STRAY, name="stray.csv")
    mara = page.sign_in("mara")
    for tube in ("", "9 in R1", "x in R1", "1 in R9"):
        answer = mara.post("/place", {"reading": "5", "tube": tube, "reason": "r"})
        assert "Not done." in answer.text
    assert set(lab.waiting()) == {"W-9"}


def test_failed_capture_waits_and_the_badge_counts(lab: Lab, page: Page) -> None:
    lab.arrive("nothing that any form knows\n", name="notes.txt")
    lab.arrive(STRAY, name="stray.csv")
    text = page.sign_in("vera").page("/bench")
    assert ">2<" in text.split('id="badge"')[1].split("</a>")[0]
    assert "notes.txt" in page.sign_in("vera").page("/waiting")


def test_held_result_waits_with_the_finding_that_holds_it(lab: Lab, page: Page) -> None:
    mara = page.sign_in("mara")
    mara.post("/observe", {"run": "R1", "position": "4", "key": "chloride", "value": "1500"})
    text = mara.page("/waiting")
    assert "Held results" in text
    assert "Chloride in tube 4 is 1500 mg/L" in text
    assert "Release it" not in text
    assert "Release it" in page.sign_in("rita").page("/waiting")


def test_source_that_is_down_waits_while_the_service_says_so(lab: Lab, page: Page) -> None:
    line = SourceState(name="p1", kind="line", place="/dev/x", state="lost", detail="unplugged")
    with lab.ledger.change(at=lab.now, by="ingestd") as change:
        keep_source_states(change.conn, [line], at=lab.now)
    vera = page.sign_in("vera")
    assert "unplugged" in vera.page("/waiting")
    assert "unplugged" in vera.page("/sources")
    lab.now += timedelta(minutes=2)
    assert "unplugged" not in vera.page("/waiting")


def test_lot_about_to_expire_and_overbooked_lot_wait(lab: Lab, page: Page) -> None:
    plan = PLAN.replace(
        'lot = "K1"\nmethod = "COD-HR"\nexpires = 2027-01-01',
        ('lot = "K1"\nmethod = "COD-HR"\nexpires = 2027-01-01\ndeterminations = 2'),
    ).replace(
        'lot = "OLD"\nmethod = "COD-HR"\nexpires = 2026-02-01',
        ('lot = "OLD"\nmethod = "COD-HR"\nexpires = 2026-03-10'),
    )
    lab.load("plan.toml", plan)
    text = page.sign_in("vera").page("/waiting")
    assert "4 determinations are booked, 2 were bought" in text
    assert "Expires on 2026-03-10" in text


def test_run_without_its_control_waits(lab: Lab, page: Page) -> None:
    sheet = "\n".join(SHEET.splitlines()[:2] + SHEET.splitlines()[3:]) + "\n"
    lab.load("lacking.csv", sheet.replace("R1", "R3").replace("W-", "Q-").replace("B1", "B3"))
    lab.arrive(
        EXPORT_HEAD
        + row(41, "B3", "2")
        + row(42, "Q-1", "500", dilution="2")
        + row(43, "Q-2", "400"),
        name="lacking.csv",
    )
    text = page.sign_in("vera").page("/waiting")
    assert "Runs that lack something" in text
    assert "R3" in text
    assert "control standard" in text


def test_new_version_beside_a_released_one_waits_for_a_reviewer(lab: Lab, page: Page) -> None:
    rita = page.sign_in("rita")
    rita.post("/release", {"subject": "R1"})
    page.sign_in("mara").post(
        "/observe", {"run": "R1", "position": "4", "noted": "turbidity=turbid"}
    )
    assert lab.results()["W-2"].state == "released"
    text = rita.page("/waiting")
    assert "New versions proposed beside released ones" in text
