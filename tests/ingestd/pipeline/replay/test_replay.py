"""Captures read again: what changes, what stays, and that a second time changes nothing."""

import json
from pathlib import Path

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.ledger.captures import find_captures
from ingestd.ledger.results import versions_of
from ingestd.pipeline.decisions import place_reading, release
from ingestd.pipeline.replay.replay import ReplayReport, dry_replay, replay
from ingestd.sources.arrivals import Arrival
from ingestd.sources.serial.settings import LineArrival
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, PLAN, SHEET, Lab, row

OTHER_HEAD = EXPORT_HEAD.replace("Outcome", "Finding")  # what no shipped form knows


@pytest.fixture(autouse=True)
def proven(lab: Lab) -> object:
    yield
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []


def again(lab: Lab, *, dry: bool = False, reason: str = "mended", **which: object) -> ReplayReport:
    captures = find_captures(lab.ledger.conn, **which)  # type: ignore[arg-type]  # state, source
    return (dry_replay if dry else replay)(
        lab.ledger,
        lab.config,
        [c for c in captures if c.source != "forms"],
        reason=reason,
        by="ada",
        clock=lab.clock,
        log=lab.pipeline.log,
    )


def shipped_form(lab: Lab) -> str:
    body = lab.one("SELECT body FROM inputs WHERE kind = 'form' AND name = 'point_table'")
    return str(json.loads(str(body))["text"])


def size(lab: Lab) -> int:
    return int(str(lab.one("SELECT size FROM frontier")))


def tables(lab: Lab) -> list[object]:
    return [
        lab.ledger.conn.execute(query).fetchall()
        for query in (
            "SELECT * FROM readings",
            "SELECT * FROM result_versions",
            "SELECT * FROM capture_states",
            "SELECT size, nodes FROM frontier",
        )
    ]


@pytest.fixture
def unreadable(lab: Lab) -> Lab:
    """A run whose export no form fits."""
    lab.load("sheet.csv", SHEET)
    lab.arrive(OTHER_HEAD + "".join(GOOD_ROWS))
    assert find_captures(lab.ledger.conn, source="p1")[0].state == "failed"
    return lab


def mend(lab: Lab) -> None:
    lab.load("site_table.toml", shipped_form(lab).replace('"Outcome"', '"Finding"'))


def test_failed_capture_is_read_once_its_form_is_mended(unreadable: Lab) -> None:
    lab = unreadable
    assert again(lab, state="failed").failed, "nothing is mended yet"
    mend(lab)
    report = again(lab, state="failed", reason="column renamed by the maker's update")
    assert (report.captures, report.taken, report.retired, report.failed) == (1, 4, 0, [])
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    (capture,) = find_captures(lab.ledger.conn, source="p1")
    assert (capture.state, capture.form, capture.readings) == ("read", "site_table", 4)
    causes = {v.cause for v in versions_of(lab.ledger.conn, lab.results()["W-1"].id)}
    assert causes == {"replay: column renamed by the maker's update"}
    assert lab.one("SELECT count(*) FROM journal WHERE instr(body, ?)", b'"kind":"replayed"') == 1


def test_second_replay_changes_nothing(unreadable: Lab) -> None:
    lab = unreadable
    mend(lab)
    again(lab, state="failed")
    before = tables(lab)
    report = again(lab)
    assert report.is_empty
    assert report.captures >= 3
    assert tables(lab) == before


def test_replay_of_copies_and_growing_files_changes_nothing(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:2]), final=False)
    lab.arrive(GOOD_EXPORT)
    lab.arrive(GOOD_EXPORT, name="copy.csv")
    lab.arrive(EXPORT_HEAD + "".join(reversed(GOOD_ROWS)), name="sorted.csv")
    before = tables(lab)
    assert again(lab).is_empty
    assert tables(lab) == before


def test_dry_run_changes_nothing_and_shows_what_the_replay_then_does(unreadable: Lab) -> None:
    lab = unreadable
    mend(lab)
    before = tables(lab)
    shown = again(lab, dry=True, state="failed")
    assert shown.dry
    assert tables(lab) == before
    assert not list(Path(lab.folder).glob("dry-run-*"))
    done = again(lab, state="failed")
    assert shown.differences == done.differences
    assert (shown.taken, shown.retired) == (done.taken, done.retired)
    assert [(d.sample, d.before, d.after) for d in done.differences] == [
        ("W-1", "", "accepted 1280 mg/L"),
        ("W-2", "", "accepted 333 mg/L"),
    ]


def test_changed_value_retires_the_old_reading_and_the_new_one_takes_its_tube(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    comma = (EXPORT_HEAD + "".join(GOOD_ROWS)).replace(",640,", ",1280,")
    lab.arrive(comma)
    # The photometer had multiplied already: the form is mended to say so.
    lab.load(
        "point_table.toml",
        shipped_form(lab).replace("dilution_applied = false", "dilution_applied = true"),
    )
    report = again(lab, source="p1")
    assert report.retired > 0
    assert report.taken == report.retired
    assert lab.waiting() == {}
    retired = lab.one("SELECT count(*) FROM readings WHERE retired <> ''")
    assert retired == report.retired
    assert lab.states()["W-1"] == ("accepted", "1280")
    assert [d.why for d in report.differences if d.sample == "W-1"] != [""]
    before = tables(lab)
    assert again(lab, source="p1").is_empty
    assert tables(lab) == before


def test_reading_placed_by_hand_keeps_its_tube_when_it_is_read_anew(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-Z", "333"))
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        place_reading(
            change, 4, "R1", 4, lab.pipeline.in_force_cache, lab.config, reason="Z was typed for 2"
        )
    lab.load(
        "point_table.toml",
        shipped_form(lab).replace("dilution_applied = false", "dilution_applied = true"),
    )
    again(lab, source="p1")
    placed = lab.ledger.conn.execute(
        "SELECT d.sample, p.run, p.position FROM placements p JOIN readings d ON d.id = p.reading"
        " WHERE p.position = 4"
    ).fetchall()
    assert placed == [("W-Z", "R1", 4)]


def test_released_result_stays_in_force_and_the_replayed_one_is_proposed(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    with lab.ledger.change(at=lab.clock(), by="rita") as change:
        release(change, lab.pipeline.in_force_cache.current(lab.ledger.conn), "R1", reason="")
    lab.load("plan.toml", PLAN.replace("to = 10 }", "to = 100 }"))
    assert lab.states()["W-1"] == ("released", "1280"), "a settled run is not judged by itself"
    report = again(lab, source="p1", reason="rounding mended")
    result = lab.results()["W-1"]
    assert (result.state, result.text, result.version, result.proposed) == (
        "released",
        "1280",
        1,
        2,
    )
    (difference,) = [d for d in report.differences if d.sample == "W-1"]
    assert (difference.before, difference.after) == ("accepted 1280 mg/L", "accepted 1300 mg/L")
    assert difference.why == "method COD-HR"


def test_plan_in_force_is_not_put_over_its_successor(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.load("sheet.csv", SHEET.replace("1+1", "1+3"))
    before = size(lab)
    assert again(lab).is_empty
    assert size(lab) == before
    assert lab.one("SELECT version FROM runs WHERE name = 'R1'") == 2


def test_refused_plan_is_put_into_force_by_a_replay_once_its_cause_is_mended(lab: Lab) -> None:
    sheet = SHEET.replace("CS500", "CS900")
    with pytest.raises(ValueError, match="CS900"):
        lab.load("sheet.csv", sheet)
    lab.arrive(GOOD_EXPORT)
    (failure,) = again(lab, state="failed").failed
    assert "CS900" in failure[1]
    extra = PLAN[PLAN.index("[[control_standard]]") : PLAN.index("[[sampling_point]]")]
    lab.load("more.toml", extra.replace("CS500", "CS900"))
    report = again(lab, state="failed", reason="standard was missing")
    assert report.failed == []
    assert lab.states()["W-2"] == ("accepted", "333")


def test_capture_over_the_size_limit_is_passed_over(lab: Lab) -> None:
    lab.pipeline.arrive(
        Arrival(
            source="p1",
            name="huge.csv",
            pieces=(),
            size=10**9,
            sha256="ab" * 32,
            final=True,
            seen_at=lab.clock(),
            oversize=(10**9, "ab" * 32),
        )
    )
    assert again(lab, source="p1").is_empty


def test_interrupted_replay_goes_on_where_it_was(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    for number, line in enumerate(GOOD_ROWS):
        lab.arrive(OTHER_HEAD + line, name=f"{number}.csv")
    mend(lab)

    class Enough(Exception):
        pass

    def stop_after_two(count: int) -> None:
        if count == 2:
            raise Enough

    with pytest.raises(Enough):
        replay(
            lab.ledger,
            lab.config,
            find_captures(lab.ledger.conn, state="failed"),
            reason="mended",
            by="ada",
            clock=lab.clock,
            log=lab.pipeline.log,
            progress=stop_after_two,
        )
    assert lab.one("SELECT count(*) FROM readings") == 2
    again(lab, state="failed")
    assert lab.one("SELECT count(*) FROM readings") == 4
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}


def test_bytes_that_the_line_reported_as_damaged_never_become_a_reading(lab: Lab) -> None:
    """A whole frame may stand in them, and its check value may even fit."""
    frame = b"\x021|2026-03-02 10:50:00|W-2|COD-HR|333|mg/L|1||\x038B50\r"
    assert not lab.pipeline.arrive_line(
        LineArrival(
            source="p1",
            name="1-1",
            data=frame,
            seen_at=lab.now,
            is_frame=False,
            damaged=True,
            fault="the line reported 1 byte with wrong parity or framing",
        )
    )
    report = again(lab)
    assert (report.taken, report.failed) == (0, [])
    assert lab.one("SELECT count(*) FROM readings") == 0
    assert [c.state for c in find_captures(lab.ledger.conn, kinds=("line_noise",))] == ["failed"]
