"""An arrival, or a capture read again, costs the same in a ledger of any size: no question of its
way goes through a table.

That histories are bounded as well is measured by the benchmark of growth.
"""

from collections.abc import Callable

import pytest

from ingestd.ledger.captures import find_captures
from ingestd.ledger.store import Change
from ingestd.pipeline.decisions import place_reading, release, withdraw
from ingestd.pipeline.inputs import observe
from ingestd.pipeline.place import retry_waiting
from ingestd.pipeline.replay.replay import replay
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, Lab, row
from tests.ingestd.web.test_query_plans import whole_scans

CHANGES = ("SELECT", "UPDATE", "DELETE")
SECOND = SHEET.replace("R1", "R2").replace("W-", "V-").replace("B1", "B2").replace("C1", "C2")


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("complete.csv", GOOD_EXPORT.replace("W-", "V-").replace("B1", "B2").replace("C1", "C2")),
        ("part.csv", EXPORT_HEAD + row(11, "B2", "2")),
        ("stranger.csv", EXPORT_HEAD + row(12, "W-9", "333")),
        ("again.csv", EXPORT_HEAD + "".join(GOOD_ROWS[:2])),
        ("contradicts.csv", EXPORT_HEAD + row(4, "W-2", "444")),
        ("grown.csv", EXPORT_HEAD + row(5, "V-1", "640", dilution="2") + row(6, "V-2", "333")),
        ("notes.txt", "nothing to be read\n"),
    ],
)
def test_no_question_on_the_way_of_an_arrival_goes_through_a_table_that_grows(
    lab: Lab, name: str, text: str
) -> None:
    lab.load("sheet.csv", SHEET)
    lab.load("second.csv", SECOND)
    lab.arrive(GOOD_EXPORT)
    lab.arrive(EXPORT_HEAD + row(5, "V-1", "640", dilution="2"), name="grown.csv")
    asked: list[str] = []
    lab.ledger.conn.set_trace_callback(asked.append)
    lab.arrive(text, name=name)
    lab.ledger.conn.set_trace_callback(None)
    questions = [one for one in asked if one.lstrip().upper().startswith(CHANGES)]
    assert len(questions) > 5
    assert {scan for one in questions for scan in whole_scans(lab, one)} == set()


@pytest.mark.parametrize("which", ["day.csv", "again.csv", "grown.csv", "contradicts.csv"])
def test_no_question_on_the_way_of_a_capture_read_again_goes_through_a_table_that_grows(
    lab: Lab, which: str
) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:2]), name="again.csv")
    for rows in (GOOD_ROWS[2:3], GOOD_ROWS[2:]):
        lab.arrive(EXPORT_HEAD + "".join(rows), name="grown.csv")
    lab.arrive(EXPORT_HEAD + row(4, "W-2", "444"), name="contradicts.csv")
    found = find_captures(lab.ledger.conn, source="p1")
    chosen = [capture for capture in found if capture.name == which]
    lab.load("late.csv", SECOND)  # so that something is judged anew
    asked: list[str] = []
    lab.ledger.conn.set_trace_callback(asked.append)
    replay(
        lab.ledger, lab.config, chosen,
        reason="plans", by="ada", clock=lab.clock, log=lab.pipeline.log,
    )  # fmt: skip
    lab.ledger.conn.set_trace_callback(None)
    questions = [one for one in asked if one.lstrip().upper().startswith(CHANGES)]
    assert len(questions) > 5
    assert {scan for one in questions for scan in whole_scans(lab, one)} == set()


def _observe(lab: Lab, change: Change) -> None:
    observe(change, "R1", 3, ["homogenised=yes"], lab.pipeline.in_force_cache, lab.config)


def _place(lab: Lab, change: Change) -> None:
    waiting = int(str(lab.one("SELECT min(reading) FROM waiting")))
    place_reading(change, waiting, "R2", 3, lab.pipeline.in_force_cache, lab.config, reason="seen")


def _release(lab: Lab, change: Change) -> None:
    release(change, lab.pipeline.in_force_cache.current(change.conn), "R1", reason="")


def _withdraw(lab: Lab, change: Change) -> None:
    _release(lab, change)
    withdraw(change, lab.pipeline.in_force_cache.current(change.conn), "1", reason="seen")


def _retry(lab: Lab, change: Change) -> None:
    retry_waiting(change, {"w-9"}, lab.pipeline.in_force_cache, 14)


@pytest.mark.parametrize("act", [_observe, _place, _release, _withdraw, _retry])
def test_no_question_on_the_way_of_a_decision_goes_through_a_table_that_grows(
    lab: Lab, act: Callable[[Lab, Change], None]
) -> None:
    lab.load("sheet.csv", SHEET)
    lab.load("second.csv", SECOND)
    lab.arrive(GOOD_EXPORT)
    lab.arrive(EXPORT_HEAD + row(12, "W-9", "333"), name="stranger.csv")
    asked: list[str] = []
    with lab.ledger.change(
        at=lab.clock(), by="mara" if act in {_observe, _place} else "rita"
    ) as c:
        lab.ledger.conn.set_trace_callback(asked.append)
        act(lab, c)
        c.flush()
        lab.ledger.conn.set_trace_callback(None)
    questions = [one for one in asked if one.lstrip().upper().startswith(CHANGES)]
    assert questions
    assert {scan for one in questions for scan in whole_scans(lab, one)} == set()


def test_no_question_on_the_way_of_a_sheet_goes_through_a_table_that_grows(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    asked: list[str] = []
    lab.ledger.conn.set_trace_callback(asked.append)
    lab.load("second.csv", SECOND)
    lab.load("sheet.csv", SHEET.replace("06:00,200,1+1", "06:00,210,1+1"))
    lab.ledger.conn.set_trace_callback(None)
    questions = [one for one in asked if one.lstrip().upper().startswith(CHANGES)]
    assert len(questions) > 5
    assert {scan for one in questions for scan in whole_scans(lab, one)} == set()
