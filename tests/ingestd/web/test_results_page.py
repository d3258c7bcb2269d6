"""Results found, exported and explained; points, controls, journal and proof."""

import json
import re
from datetime import UTC, datetime, timedelta

import pytest

from ingestd.ledger.journal.receipts import verify_receipt
from ingestd.ledger.result_search import ResultQuestion, count_results, search_results
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, SHEET, Lab, row
from tests.ingestd.web.conftest import Page
from tests.ingestd.web.test_captures_page import finished


def many_runs(lab: Lab, count: int) -> None:
    """Runs on successive days, the control standard scattering about 500 by -3, 0, +3, …"""
    for number in range(count):
        start = datetime(2026, 1, 1, 8, 0, tzinfo=UTC) + timedelta(days=number)
        day = start.strftime("%Y-%m-%d")
        sheet = SHEET.replace("2026-03-02", day).replace("W-", f"S{number}-")
        lab.load(f"{number}.csv", sheet.replace("R1", f"D{number:02}"))
        standard = ("497", "500", "503")[number % 3]
        export = EXPORT_HEAD + "".join(
            line.replace("2026-03-02", day)
            for line in (
                row(10 * number + 101, "B1", "2"),
                row(10 * number + 102, "C1", standard),
                row(10 * number + 103, f"S{number}-1", "640", dilution="2"),
                row(10 * number + 104, f"S{number}-2", "99"),
            )
        )
        lab.arrive(export, name=f"{number}.csv")


def test_results_are_found_by_each_question(lab: Lab, page: Page) -> None:
    vera = page.sign_in("vera")
    for query, found in {
        "sample=W-1": {"W-1"},
        "sample=W": {"W-1", "W-2"},
        "sample=X": set(),
        "point=inlet&analyte=COD": {"W-1", "W-2"},
        "point=outlet": set(),
        "state=accepted": {"W-1", "W-2"},
        "state=held": set(),
        "since=2026-03-02&until=2026-03-02": {"W-1", "W-2"},
        "since=2026-03-03": set(),
        "run=R1&sample=W-2": {"W-2"},
    }.items():
        text = vera.page(f"/results?{query}")
        assert set(re.findall(r">(W-\d)</a></th>", text)) == found, query


def test_pages_of_results_give_every_result_once(lab: Lab) -> None:
    many_runs(lab, 6)
    conn = lab.ledger.conn
    seen, after = [], ""
    while True:
        found = search_results(conn, ResultQuestion(analyte="COD"), after=after, limit=5)
        seen += [one.id for one in found.rows]
        after = found.next
        if not after:
            break
    assert sorted(seen) == [ident for (ident,) in conn.execute("SELECT id FROM results")]
    assert len(seen) == count_results(conn, ResultQuestion(), most=1000) == 12


@pytest.mark.parametrize("kind", ["csv", "xlsx", "json"])
def test_export_holds_what_was_found_with_every_digit(page: Page, kind: str) -> None:
    answer = page.sign_in("vera").get(f"/results/export.{kind}?sample=W-1")
    assert answer.status_code == 200
    assert f".{kind}" in answer.headers["content-disposition"]
    if kind == "json":
        (one,) = json.loads(answer.text)
        assert (one["sample"], one["statement"], one["value"]) == ("W-1", "1280", "1280")
    elif kind == "csv":
        assert "W-1,inlet,COD,total,O2,1280,1280" in answer.text
    else:
        assert answer.content.startswith(b"PK")


def test_result_page_shows_derivation_versions_and_pins(page: Page) -> None:
    ident = page.lab.results()["W-1"].id
    text = page.sign_in("vera").page(f"/result?id={ident}")
    for words in ("bytes", "rules passed", "Versions", "capture", "Receipt", "method COD-HR"):
        assert words in text
    assert ">Decide<" not in text


def test_receipt_proves_the_result_to_anybody_with_the_key(page: Page) -> None:
    rita = page.sign_in("rita")
    ident = page.lab.results()["W-1"].id
    assert rita.get(f"/result/receipt?id={ident}").status_code == 409
    assert "is signed" in rita.post("/journal/checkpoint").text
    key = re.search(r"Public key <code>([^<]+)</code>", rita.page("/journal"))
    assert key is not None
    receipt = rita.get(f"/result/receipt?id={ident}").content
    checked = verify_receipt(receipt, key[1])
    assert checked.body["sample"] == "W-1"
    with pytest.raises(Exception, match="receipt"):
        verify_receipt(receipt.replace(b"W-1", b"W-2"), key[1])
    assert "checkpoint" in rita.get("/journal/checkpoint.txt").headers["content-disposition"]


def test_chosen_result_is_the_reported_value(lab: Lab, page: Page) -> None:
    rita = page.sign_in("rita")
    rita.post("/release", {"subject": "R1"})
    lab.load(
        "again.csv", SHEET.replace("R1", "R2").replace("B1", "B2").replace(",K1,,\n", ",K1,,\n")
    )
    lab.arrive(
        GOOD_EXPORT.replace("B1", "B2")
        .replace("\n1,", "\n91,")
        .replace("\n2,", "\n92,")
        .replace("\n3,", "\n93,")
        .replace("\n4,", "\n94,")
        .replace(":50:00", ":58:00"),
        name="again.csv",
    )
    rita.post("/release", {"subject": "R2"})
    both = search_results(lab.ledger.conn, ResultQuestion(sample="W-1")).rows
    assert [one.state for one in both] == ["released", "released"]
    assert not any(one.reported for one in both)
    chosen = both[0].id
    text = rita.page(f"/result?id={chosen}")
    assert "Make it the reported value" in text
    rita.post("/result/report", {"result": str(chosen), "reason": "the repeat was undisturbed"})
    assert "the reported value" in rita.page(f"/result?id={chosen}")


def test_point_draws_released_values_with_censored_ones_as_such(lab: Lab, page: Page) -> None:
    many_runs(lab, 3)
    rita = page.sign_in("rita")
    for number in range(3):
        rita.post("/release", {"subject": f"D{number:02}"})
    text = page.sign_in("vera").page("/point?code=inlet")
    data = json.loads(text.split('type="application/json" id="c1">')[1].split("</script>")[0])
    drawn = {(one["censored"], one["value"]) for one in data["points"]}
    assert drawn == {("", "1280"), ("<", "100")}
    assert data["unit"] == "mg/L"
    assert all(one["href"].startswith("/result?id=") for one in data["points"])
    assert "&lt; 100" in text


def test_limits_are_proposed_from_a_period_and_frozen_by_a_reviewer(lab: Lab, page: Page) -> None:
    many_runs(lab, 21)
    rita = page.sign_in("rita")
    asked = {
        "method": "COD-HR",
        "chart": "mean-CS500",
        "since": "2026-01-01",
        "until": "2026-01-21",
    }
    few = rita.get("/controls", params={**asked, "until": "2026-01-05"}).text
    assert "at least 20 are needed" in few
    text = rita.get("/controls", params=asked).text
    # 21 values -3, 0, 3 about 500: s = sqrt(126 / 20) = 2.50998 (computed by hand)
    assert "centre <strong>500</strong>" in text
    assert "495 and 505" in text
    assert "492.5 and 507.5" in text
    assert "Freeze these limits" not in page.sign_in("mara").get("/controls", params=asked).text
    assert "The limits are in force" in rita.post("/controls/freeze", asked).text
    kept = lab.one("SELECT body FROM inputs WHERE kind = 'chart_limits'")
    assert json.loads(str(kept))["action_high"] == "507.5"
    assert "the very same are in force" in rita.post("/controls/freeze", asked).text
    assert "Limits frozen from 2026-01-01 to 2026-01-21, 21 values" in rita.page(
        "/controls?method=COD-HR"
    )


def test_journal_tells_what_people_did_and_verifies(page: Page) -> None:
    rita = page.sign_in("rita")
    rita.post("/release", {"subject": "R1", "reason": "day is complete"})
    text = rita.page("/journal")
    assert "day is complete" in text
    assert "result 1, version 1 released" in text
    assert "pins kept" not in text
    assert "pins kept" in rita.page("/journal?who=all")
    assert "It holds." in finished(rita, rita.post("/journal/verify", {"rebuild": "yes"}))


def test_altered_ledger_does_not_hold(lab: Lab, page: Page) -> None:
    conn = lab.ledger.conn
    conn.execute("DROP TRIGGER journal_never_changes")
    conn.execute(
        "UPDATE journal SET body = CAST(replace(CAST(body AS TEXT), 'W-1', 'W-3') AS BLOB)"
    )
    rita = page.sign_in("rita")
    text = finished(rita, rita.post("/journal/verify"))
    assert "It does not hold." in text
    assert "was altered" in text
