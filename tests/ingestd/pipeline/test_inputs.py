"""Inputs into force: what a new or changed plan does to readings and results that are there."""

from collections.abc import Callable

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.errors import Refused
from ingestd.ledger import work
from ingestd.ledger.captures import find_captures
from ingestd.ledger.results import versions_of
from ingestd.pipeline.inputs import observe, take_configured
from parsers import FormError
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, PLAN, SHEET, Lab, row


@pytest.fixture(autouse=True)
def proven(lab: Lab) -> object:
    yield
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []


def note(lab: Lab, position: int | None, *pairs: str, run: str = "R1") -> None:
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        observe(change, run, position, pairs, lab.pipeline.in_force_cache, lab.config)


def size(lab: Lab) -> object:
    return lab.one("SELECT size FROM frontier")


def test_same_sheet_again_changes_nothing(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    before = size(lab)
    assert str(lab.load("sheet.csv", SHEET)) == "nothing new"
    runs = [(r.run.name, r.version) for r in work.find_runs(lab.ledger.conn)]
    assert runs == [("R1", 1)]
    assert int(str(size(lab))) - int(str(before)) <= 1, "at most that the capture was read"


def test_changed_dilution_on_the_sheet_changes_the_result(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    assert lab.states()["W-1"] == ("accepted", "1280")
    lab.load("sheet.csv", SHEET.replace("1+1", "1+3"))
    result = lab.results()["W-1"]
    assert result.state == "held", "planned 4, instrument says 2"
    assert work.get_run(lab.ledger.conn, "R1").version == 2


def test_sheet_that_gives_a_position_to_another_sample_unplaces_its_reading(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lab.load("sheet.csv", SHEET.replace("3,sample,W-1", "3,sample,W-7"))
    assert set(lab.waiting()) == {"W-1"}
    assert lab.results()["W-1"].state == "refused", "its sample is no longer on the sheet"
    assert lab.results()["W-2"].text == "333"
    lab.load("sheet.csv", SHEET)
    assert lab.waiting() == {}
    assert lab.states()["W-1"] == ("accepted", "1280")


def test_moved_tube_takes_its_reading_with_it(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    swapped = SHEET.replace("3,sample,W-1", "9,sample,W-1")
    lab.load("sheet.csv", swapped)
    assert lab.waiting() == {}
    assert lab.states()["W-1"] == ("accepted", "1280")
    assert lab.one("SELECT position FROM placements WHERE reading = 3") == 9


def test_reading_before_the_end_of_digestion_waits_until_the_observation_corrects_it(
    lab: Lab,
) -> None:
    lab.load("sheet.csv", SHEET.replace("2026-03-02 10:25", "2026-03-02 11:25"))
    lab.arrive(GOOD_EXPORT)
    assert set(lab.waiting()) == {"B1", "C1", "W-1", "W-2"}
    note(lab, None, "digestion_end=2026-03-02 10:25")
    assert lab.waiting() == {}
    assert lab.states()["W-2"] == ("accepted", "333")


def test_observation_supersedes_the_earlier_one_and_both_stay(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    note(lab, 3, "turbidity=turbid")
    spoiled = lab.states()["W-1"]
    assert spoiled[0] in ("held", "refused")
    note(lab, 3, "turbidity=clear")
    assert lab.states()["W-1"] == ("accepted", "1280")
    kept = lab.ledger.conn.execute(
        "SELECT value, actor FROM observations WHERE run = 'R1' AND position = 3"
        " AND key = 'turbidity' ORDER BY id"
    ).fetchall()
    assert kept[-2:] == [("turbid", "mara"), ("clear", "mara")]
    verdicts = [v.verdict for v in versions_of(lab.ledger.conn, lab.results()["W-1"].id)]
    assert verdicts == ["accepted", spoiled[0], "accepted"]


def test_voided_tube_no_longer_counts_and_says_why(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]))
    assert lab.states() == {}, "the run is not complete"
    note(lab, 4, "void=bottle broke")
    assert lab.states()["W-1"] == ("accepted", "1280")


def test_run_closed_by_a_person_takes_no_more_readings(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]))
    note(lab, None, "closed=end of shift")
    lab.arrive(EXPORT_HEAD + GOOD_ROWS[3], name="late.csv")
    assert set(lab.waiting()) == {"W-2"}


def test_observation_of_a_run_that_is_not_planned_is_refused(lab: Lab) -> None:
    with pytest.raises(Refused, match="R9"):
        note(lab, 3, "turbidity=clear", run="R9")


def test_mended_method_judges_the_runs_it_touches_in_the_same_transaction(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    loaded = lab.load("plan.toml", PLAN.replace("range_high = 1500", "range_high = 600"))
    assert loaded.judged == ("R1",)
    assert lab.results()["W-1"].state != "accepted", "640 is above 600"
    assert lab.states()["W-2"] == ("accepted", "333")


def test_method_loaded_after_the_sheet_failed_lets_the_sheet_in(
    make_lab: Callable[..., Lab],
) -> None:
    late = make_lab(name="late", plan=None)
    with pytest.raises(ValueError, match="COD-HR"):
        late.load("sheet.csv", SHEET)
    late.load("plan.toml", PLAN)
    assert late.load("sheet.csv", SHEET).runs == ("R1",)


def test_plan_dropped_as_an_unknown_kind_of_file_is_refused_and_kept(lab: Lab) -> None:
    with pytest.raises(Refused, match=r"cannot be a \.pdf"):
        lab.load("sheet.pdf", b"%PDF-1.7")
    (capture,) = find_captures(lab.ledger.conn, state="failed")
    assert (capture.name, capture.size) == ("sheet.pdf", 8)


def test_wrong_form_is_refused_and_the_one_in_force_stays(lab: Lab) -> None:
    before = lab.one("SELECT count(*) FROM inputs WHERE name = 'point_table'")
    with pytest.raises(FormError, match="shape"):
        lab.load("point_table.toml", 'shape = "cube"\n')
    assert lab.one("SELECT count(*) FROM inputs WHERE name = 'point_table'") == before


def test_forms_taken_twice_change_nothing_and_a_changed_one_is_named(lab: Lab) -> None:
    assert take_configured(lab.ledger, lab.config, at=lab.clock(), by="ingestd") == []
    assert lab.config.plan.forms is not None
    (lab.config.plan.forms / "own.toml").write_text(
        'shape = "table"\n[table]\ndelimiter = ","\n[numbers]\ndecimal = "."\n'
        '[fields.value]\ncolumn = "V"\n[fields.sample]\ncolumn = "S"\n'
    )
    assert take_configured(lab.ledger, lab.config, at=lab.clock(), by="ingestd") == ["own"]


def test_label_with_other_case_and_blanks_is_the_same_bottle(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, " w-2 ", "333"))
    assert lab.states()["W-2"] == ("accepted", "333")


def test_sheet_handed_in_again_with_its_digestion_noted_judges_the_run(lab: Lab) -> None:
    unfinished = SHEET.replace("2026-03-02 10:25", "")
    lab.load("sheet.csv", unfinished)
    lab.arrive(GOOD_EXPORT)
    assert {state for state, _ in lab.states().values()} == {"held"}
    lab.load("sheet.csv", SHEET)
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}


def test_sheet_handed_in_again_with_a_time_corrected_notes_it(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET.replace("2026-03-02 10:25", "2026-03-02 10:45"))
    lab.arrive(GOOD_EXPORT)
    assert {state for state, _ in lab.states().values()} == {"held"}, "digested too long"
    lab.load("sheet.csv", SHEET)
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}


def test_same_sheet_again_does_not_undo_what_was_noted_after_it(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    note(lab, None, "turbidity=turbid")
    assert {state for state, _ in lab.states().values()} == {"refused"}
    lab.load("copy.csv", SHEET)
    assert {state for state, _ in lab.states().values()} == {"refused"}
