"""Today's program by the inputs of then: what changed since makes no difference, the program does.

The values are those of the laboratory in tests/conftest.py; what is compared is the ledger's own
record with what the program makes of it again.
"""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson
import pytest
import structlog

from ingestd import __version__
from ingestd.audit.archive import archive_captures
from ingestd.audit.verify import verify_ledger
from ingestd.config import load_config
from ingestd.demo.day import run_demo
from ingestd.ledger.captures import find_captures
from ingestd.ledger.store import Ledger
from ingestd.pipeline.decisions import place_in_order, place_reading, release, set_release_policy
from ingestd.pipeline.inputs import observe
from ingestd.pipeline.replay.as_of_then import retrace
from ingestd.pipeline.replay.replay import ReplayReport, dry_replay, replay
from ingestd.sources.serial.settings import LineArrival
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, PLAN, SHEET, Lab, row
from tests.ingestd.pipeline.test_decisions import NAMELESS, NAMELESS_FORM, ORDER
from tests.ingestd.pipeline.test_lines_to_results import NAMELESS as FRAME_FORM

Body = dict[str, Any]


def then(lab: Lab, **which: object) -> ReplayReport:
    """As of then, which changes not a byte of the ledger."""
    before = tables(lab)
    found = [c for c in find_captures(lab.ledger.conn, **which) if c.source != "forms"]  # type: ignore[arg-type]  # state, source
    report = retrace(lab.ledger, lab.config, found, clock=lab.clock, log=lab.pipeline.log)
    assert tables(lab) == before
    return report


def now(lab: Lab, *, dry: bool = True) -> ReplayReport:
    return (dry_replay if dry else replay)(
        lab.ledger,
        lab.config,
        find_captures(lab.ledger.conn, source="p1"),
        reason="mended",
        by="ada",
        clock=lab.clock,
        log=lab.pipeline.log,
    )


def tables(lab: Lab) -> list[object]:
    return [
        lab.ledger.conn.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608 - names below
        for table in ("frontier", "readings", "placements", "result_versions", "capture_states")
    ]


def release_run(lab: Lab, run: str = "R1") -> None:
    with lab.ledger.change(at=lab.clock(), by="rita") as change:
        release(change, lab.pipeline.in_force_cache.current(lab.ledger.conn), run, reason="")


def shipped_form(lab: Lab) -> str:
    body = lab.one("SELECT body FROM inputs WHERE kind = 'form' AND name = 'point_table'")
    return str(json.loads(str(body))["text"])


@pytest.fixture
def released(lab: Lab) -> Lab:
    """Two results in force: what is changed behind them is not judged by itself."""
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    release_run(lab)
    assert then(lab).compared == 2
    return lab


def test_unchanged_inputs_and_program_make_no_difference(released: Lab) -> None:
    report = then(released)
    assert report.is_empty
    assert (report.compared, report.made_by, report.failed) == (2, (__version__,), [])
    assert report.used == (
        "Inputs as in force when each standing version was made; program ingestd"
        f" {__version__}, the versions compared were made by {__version__}."
    )


def change_method(lab: Lab) -> None:
    lab.load("plan.toml", PLAN.replace("to = 10 }", "to = 100 }"))


def change_dilution(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET.replace("1+1", "1+3"))


def change_form(lab: Lab) -> None:
    lab.load(
        "point_table.toml",
        shipped_form(lab).replace("dilution_applied = false", "dilution_applied = true"),
    )


def change_lot(lab: Lab) -> None:
    lab.load("plan.toml", PLAN.replace("expires = 2027-01-01", "expires = 2026-02-01", 1))


def change_time_zone(lab: Lab) -> None:
    lab.load("plan.toml", PLAN.replace('"Etc/UTC"', '"Asia/Tokyo"'))


def change_observation(lab: Lab) -> None:
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        observe(change, "R1", 3, ["chloride=9000"], lab.pipeline.in_force_cache, lab.config)


@pytest.mark.parametrize(
    "change",
    [
        change_method, change_dilution, change_form, change_lot, change_time_zone,
        change_observation,
    ],
    ids=lambda change: change.__name__,
)  # fmt: skip
def test_input_changed_since_matters_now_and_not_then(
    released: Lab, change: Callable[[Lab], None]
) -> None:
    lab = released
    change(lab)
    proposed = lab.one("SELECT count(*) FROM results WHERE proposed IS NOT NULL")
    assert proposed or not now(lab).is_empty, "it matters"
    assert then(lab).is_empty
    now(lab, dry=False)
    report = then(lab)
    assert report.is_empty, "the released version is the one that stands, replayed or not"
    assert report.compared == 2


def test_version_that_a_replay_made_is_compared_by_the_inputs_of_the_replay(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    change_form(lab)
    assert now(lab, dry=False).retired > 0
    change_method(lab)
    now(lab, dry=False)
    change_dilution(lab)
    report = then(lab)
    assert report.is_empty
    assert report.compared == 2


def test_growing_copied_and_contradicting_files_make_no_difference(lab: Lab) -> None:
    lab.arrive(EXPORT_HEAD[:30], final=False)
    lab.arrive(EXPORT_HEAD + GOOD_ROWS[0] + GOOD_ROWS[1][:20], final=False)
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT, final=False)
    lab.arrive(GOOD_EXPORT, name="copy.csv")
    lab.arrive("no form\n", name="memo.txt")
    lab.arrive(EXPORT_HEAD + row(4, "W-2", "999") + row(5, "W-8", "3.3.3"), name="edited.csv")
    lab.arrive(EXPORT_HEAD + row(6, "W-1", "640") * 2, name="twice.csv")
    report = then(lab)
    assert report.readings == []
    assert report.differences == []
    assert report.compared > 0


def test_placing_by_hand_policy_and_late_sheets_make_no_difference(lab: Lab) -> None:
    with lab.ledger.change(at=lab.clock(), by="rita") as change:
        in_force = lab.pipeline.in_force_cache.current(lab.ledger.conn)
        set_release_policy(change, in_force, mode="automatic", by="rita", reason="validated")
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-Z", "333"))
    lab.load("sheet.csv", SHEET)
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        place_reading(
            change, 4, "R1", 4, lab.pipeline.in_force_cache, lab.config, reason="Z for 2"
        )
    assert lab.states()["W-2"] == ("released", "333")
    change_method(lab)
    report = then(lab)
    assert report.is_empty
    assert report.compared == 2


def test_frames_repeated_frames_and_noise_of_a_line_make_no_difference(
    make_lab: Callable[..., Lab],
) -> None:
    extra = (
        '[[source]]\nkind = "line"\nname = "wire"\nport = "/dev/none"\n'
        'form = "bare"\ninstrument = "P1"\n'
    )
    lab = make_lab(name="wired", extra=extra)
    lab.load("bare.toml", FRAME_FORM)
    lab.load("sheet.csv", SHEET)
    for data, name, is_frame, repeated in (
        (b"W-1 640\r\n", "w-1", True, False),
        (b"W-1 640\r\n", "w-2", True, True),
        (b"W-1 640\r\n", "w-3", True, False),
        (b"\xff\xfe\x00", "w-4", False, False),
        (b"W-2 3x3\r\n", "w-5", True, False),
    ):
        lab.pipeline.arrive_line(
            LineArrival(
                source="wire", name=name, data=data, seen_at=lab.clock(), is_frame=is_frame,
                again=repeated,
            )
        )  # fmt: skip
    assert lab.one("SELECT count(*) FROM readings") == 2
    assert then(lab).readings == []
    as_if_then(lab, "reading_taken", read_as_610)
    assert [r.after for r in then(lab).readings] == ["raw 640, value 640"] * 2


def test_sheet_order_confirmed_makes_no_difference(lab: Lab) -> None:
    lab.load("nameless.toml", NAMELESS_FORM)
    lab.load("sheet.csv", ORDER)
    lab.arrive(NAMELESS)
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        place_in_order(
            change, "R1", lab.pipeline.in_force_cache, lab.config, reason="left to right"
        )
    assert lab.states()["W-1"] == ("accepted", "1280")
    report = then(lab)
    assert (report.compared, report.is_empty) == (2, True)


def test_bench_sheet_stands_for_its_run(released: Lab) -> None:
    sheet = find_captures(released.ledger.conn, kinds=("plan",))[-1]
    report = then(released, idents=(sheet.id,))
    assert (report.captures, report.compared, report.is_empty) == (1, 2, True)


def as_if_then(
    lab: Lab, kind: str, change: Callable[[Body], None], *, sample: str | None = None
) -> None:
    """Have the journal say what another program would have written then; only its entries count.

    Args:
        change: of each entry of this kind, or of those about this sample.
    """
    conn = lab.ledger.conn
    conn.execute("DROP TRIGGER IF EXISTS journal_never_changes")
    for index, text in conn.execute("SELECT idx, body FROM journal").fetchall():
        body = orjson.loads(text)
        if body["kind"] == kind and sample in (None, body.get("sample")):
            change(body)
            new = orjson.dumps(body, option=orjson.OPT_SORT_KEYS)
            conn.execute("UPDATE journal SET body = ? WHERE idx = ?", (new, index))


def test_program_that_judged_otherwise_is_found_with_rule_and_version(released: Lab) -> None:
    def judged_by_an_older_one(body: Body) -> None:
        body["text"], body["digest"] = "1290", "00" * 16
        body["findings"][0]["version"] = 0

    lab = released
    change_method(lab)
    as_if_then(lab, "result_judged", judged_by_an_older_one, sample="W-1")
    lab.ledger.conn.execute("UPDATE pin_sets SET body = replace(body, ?, '0.0.1')", (__version__,))
    report = then(lab)
    (found,) = report.differences
    assert (found.sample, found.before, found.after) == (
        "W-1", "accepted 1290 mg/L", "accepted 1280 mg/L",
    )  # fmt: skip
    entry = lab.ledger.conn.execute(
        "SELECT j.body FROM journal j JOIN result_versions v ON v.entry = j.idx"
        " JOIN results r ON r.id = v.result WHERE r.sample = 'W-1'"
    ).fetchone()
    rule = orjson.loads(entry[0])["findings"][0]["rule"]
    assert found.why == f"rule {rule} 0 → 1, program 0.0.1 → {__version__}"
    assert report.made_by == ("0.0.1",)


def test_other_code_under_the_same_number_is_called_that(released: Lab) -> None:
    def judged_otherwise(body: Body) -> None:
        body["text"], body["digest"] = "1290", "00" * 16

    as_if_then(released, "result_judged", judged_otherwise, sample="W-1")
    (found,) = then(released).differences
    assert (
        found.why
        == f"the code of program {__version__}, or [site] where the ledger held none then"
    )


def read_as_610(body: Body) -> None:
    body["raw"] = body["value"] = "610"
    body["digits"] = "00" * 16


def judged_1220(body: Body) -> None:
    body["text"], body["digest"] = "1220", "00" * 16


def test_program_that_read_otherwise_is_found_with_the_results_made_of_it(released: Lab) -> None:
    change_form(released)
    as_if_then(released, "reading_taken", read_as_610, sample="W-1")
    as_if_then(released, "result_judged", judged_1220, sample="W-1")
    report = then(released)
    (reading,) = report.readings
    assert (reading.reading, reading.before, reading.after) == (
        3, "raw 610, value 610", "raw 640, value 640",
    )  # fmt: skip
    assert GOOD_EXPORT[reading.offset :].startswith(GOOD_ROWS[2])
    (result,) = report.differences
    assert (result.sample, result.before, result.after) == (
        "W-1", "accepted 1220 mg/L", "accepted 1280 mg/L",
    )  # fmt: skip


def test_copy_of_a_misread_file_repeats_it_and_is_no_second_difference(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lab.arrive(GOOD_EXPORT, name="copy.csv")
    as_if_then(lab, "reading_taken", read_as_610, sample="W-1")
    assert [r.after for r in then(lab).readings] == ["raw 640, value 640"]


def test_row_that_is_read_no_more_and_one_that_is_read_only_today_are_found(
    released: Lab,
) -> None:
    def began_elsewhere(body: Body) -> None:
        body["span_start"] -= 1

    as_if_then(released, "reading_taken", began_elsewhere, sample="W-1")
    report = then(released)
    assert [(r.reading, r.before, r.after) for r in report.readings] == [
        (3, "W-1 640 mg/L", "not read"),
        (None, "not read", "W-1 640 mg/L"),
    ]
    assert [(d.sample, d.after) for d in report.differences] == [
        ("W-1", "nothing"),
        ("W-2", "nothing"),
    ], "a tube has no reading, so the run would not have been complete"


def test_program_that_placed_otherwise_is_found(released: Lab) -> None:
    def on_another_tube(body: Body) -> None:
        body["placed"]["position"] = 4

    as_if_then(released, "reading_taken", on_another_tube, sample="W-1")
    (reading,) = then(released).readings
    assert (reading.before, reading.after) == ("run R1 tube 4", "run R1 tube 3")


def test_capture_that_could_not_be_read_then_is_tried_by_the_forms_of_then(lab: Lab) -> None:
    lab.arrive(EXPORT_HEAD.replace("Outcome", "Finding") + "".join(GOOD_ROWS))
    lab.load("site_table.toml", shipped_form(lab).replace('"Outcome"', '"Finding"'))
    assert not now(lab).is_empty, "by the form of today it is read"
    assert then(lab).is_empty, "by those of then it is not"


def test_capture_that_todays_program_could_have_read_then_is_found(lab: Lab) -> None:
    def failed(body: Body) -> None:
        if body["form"] == "point_table":
            body.update(state="failed", form="", form_sha256="")

    lab.arrive(GOOD_EXPORT)
    lab.ledger.conn.execute("UPDATE capture_states SET state = 'failed', form = ''")
    as_if_then(lab, "reading_taken", lambda body: body.update(kind="ledger_restored"))
    as_if_then(lab, "capture_read", failed)
    (found,) = then(lab).readings
    assert (found.before, found.after) == ("not read", "4 readings by form point_table")


def misread(lab: Lab) -> None:
    """Taken in as 610 by the program of then, and so it stands in journal and tables."""
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    as_if_then(lab, "reading_taken", read_as_610, sample="W-1")
    as_if_then(lab, "result_judged", judged_1220, sample="W-1")
    lab.ledger.conn.execute(
        "UPDATE readings SET value = '610', raw = '610', digits = x'00' WHERE sample = 'W-1'"
    )


def test_misreading_that_a_replay_has_mended_is_history(lab: Lab) -> None:
    misread(lab)
    assert [r.before for r in then(lab).readings] == ["raw 610, value 610"]
    assert now(lab, dry=False).retired == 1
    report = then(lab)
    assert report.is_empty
    assert report.compared == 2


def test_released_version_made_of_a_misreading_is_found_after_the_replay(lab: Lab) -> None:
    misread(lab)
    release_run(lab)
    assert now(lab, dry=False).retired == 1
    report = then(lab)
    assert [r.after for r in report.readings] == ["raw 640, value 640"]
    assert [(d.before, d.after) for d in report.differences] == [
        ("accepted 1220 mg/L", "accepted 1280 mg/L")
    ]


def lab_capture(lab: Lab, name: str) -> int:
    return int(str(lab.one("SELECT max(id) FROM captures WHERE name = ?", name)))


def test_archived_bytes_are_named_and_the_results_judged_all_the_same(released: Lab) -> None:
    lab = released
    archive_captures(
        lab.ledger, lab.folder / "old.zip", before=lab.clock(), reason="old", at=lab.clock(),
        by="ada",
    )  # fmt: skip
    report = then(lab, source="p1")
    ((ident, why),) = report.failed
    assert (ident, "old.zip" in why) == (lab_capture(lab, "day.csv"), True)
    assert (report.compared, report.differences) == (2, [])


def test_progress_goes_to_the_end(released: Lab) -> None:
    heard: list[tuple[int, int]] = []
    retrace(
        released.ledger,
        released.config,
        find_captures(released.ledger.conn, source="p1"),
        clock=released.clock,
        log=released.pipeline.log,
        progress=lambda done, of: heard.append((done, of)),
    )
    assert heard == sorted(heard)
    assert heard[-1][0] == heard[-1][1] > 0


def test_demonstrations_day_says_the_same(tmp_path: Path) -> None:
    quiet = structlog.wrap_logger(structlog.ReturnLogger(), processors=[])
    said: list[str] = []
    assert run_demo(tmp_path / "demo", once=True, echo=said.append, log=quiet) == 0, said
    config = load_config(tmp_path / "demo" / "ingestd.toml")
    ledger = Ledger.open_readonly(config.ledger.path)
    report = retrace(
        ledger,
        config,
        find_captures(ledger.conn),
        clock=lambda: datetime.now(UTC),
        log=quiet,
    )
    assert (report.readings, report.differences) == ([], [])
    assert report.compared >= 15
    assert verify_ledger(ledger.conn).faults == []
    ledger.close()
