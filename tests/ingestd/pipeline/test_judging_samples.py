"""What one result of a sample makes doubtful about another, both of them say."""

import json

from ingestd.audit.verify import verify_ledger
from ingestd.pipeline.decisions import release
from ingestd.pipeline.inputs import observe
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, SHEET, SHEET_HEAD, Lab

FILTERED = """
[[method]]
name = "COD-F"
analyte = "COD"
fraction = "filtered"
basis = "O2"
range_low = 100
range_high = 1500
rounding = [{ to = 1 }]

[[kit_lot]]
lot = "F1"
method = "COD-F"
expires = 2027-01-01
"""
FILTERED_SHEET = SHEET_HEAD + (
    "R2,COD-F,2026-03-02 11:00,P1,mara,,1,sample,W-1,,inlet,2026-03-02 06:00,200,1+1,F1,,,,,\n"
)


def filtered(value: str) -> str:
    return f"{EXPORT_HEAD}9,2026-03-02 11:20:00,W-1,COD-F,,,{value},mg/L,F1\n"


def sums(lab: Lab, run: str, sample: str = "W-1") -> list[str]:
    """What the sum check says in the newest version of a result."""
    body = lab.one(
        "SELECT j.body FROM results r JOIN result_versions v ON v.result = r.id"
        " JOIN journal j ON j.idx = v.entry WHERE r.run = ? AND r.sample = ?"
        " ORDER BY v.version DESC",
        run,
        sample,
    )
    assert isinstance(body, bytes)
    return [f["verdict"] for f in json.loads(body)["findings"] if f["rule"] == "sum_check"]


def begin(lab: Lab) -> None:
    """A sample of 1280 mg/L COD, and the run of its filtered part planned with a factor of 2."""
    lab.load("filtered.toml", FILTERED)
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lab.load("filtered.csv", FILTERED_SHEET)
    assert sums(lab, "R1") == []


def test_parts_that_fit_leave_the_result_before_them_alone(lab: Lab) -> None:
    begin(lab)
    lab.arrive(filtered("400"), name="f.csv")
    assert sums(lab, "R2") == ["pass"]
    assert sums(lab, "R1") == []
    assert lab.one("SELECT max(version) FROM result_versions") == 1


def test_filtered_above_total_is_said_by_both_and_taken_back_by_both(lab: Lab) -> None:
    begin(lab)
    lab.arrive(filtered("950"), name="f.csv")
    assert sums(lab, "R2") == ["caution"]
    assert sums(lab, "R1") == ["caution"]
    assert sums(lab, "R1", "W-2") == []
    with lab.ledger.change(at=lab.clock(), by="mara") as change:  # it was not diluted after all
        observe(change, "R2", 1, ["dilution=1"], lab.pipeline.in_force_cache, lab.config)
    assert sums(lab, "R2") == ["pass"]
    assert sums(lab, "R1") == ["pass"]
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []


def test_released_result_stays_in_force_with_the_doubt_proposed_beside_it(lab: Lab) -> None:
    begin(lab)
    with lab.ledger.change(at=lab.clock(), by="rita") as change:
        release(change, lab.pipeline.in_force_cache.current(lab.ledger.conn), "R1", reason="")
    lab.arrive(filtered("950"), name="f.csv")
    found = lab.ledger.conn.execute(
        "SELECT state, version, proposed FROM results WHERE run = 'R1' AND sample = 'W-1'"
    ).fetchone()
    assert found == ("released", 1, 2)
    assert sums(lab, "R1") == ["caution"]
