import io
import json
import logging
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pysqlite3
import pytest

import parsers
from ingestd.audit.verify import verify_ledger
from ingestd.config import load_config
from ingestd.demo.benchwork import Waters
from ingestd.demo.closing import proof_of
from ingestd.demo.day import run_demo
from ingestd.demo.day_runs import runs_of
from ingestd.demo.laboratory import Laboratory, Stopped
from ingestd.demo.premises import MARKER, lay_out, walk_form
from ingestd.demo.script import Sightings, judge_script
from ingestd.demo.working_day import working_day_before
from ingestd.ledger.captures import content_from, find_captures
from ingestd.ledger.results import ResultRow, entry_body, find_results
from ingestd.ledger.store import Ledger
from ingestd.ledger.work import waiting_readings
from ingestd.pipeline.forms import shipped_forms
from ingestd.service.logs import make_log

NOW = datetime(2026, 3, 10, 2, 30, tzinfo=UTC)  # a Tuesday, early: the day worked is Monday
DAY = "2026-03-09"


@dataclass(frozen=True)
class Worked:
    """A day worked through once for all tests of this file."""

    directory: Path
    code: int
    lines: list[str]
    log: str
    took_s: float
    ledger: Ledger

    def result(self, run: str, sample: str) -> ResultRow:
        (row,) = find_results(self.ledger.conn, run=f"{DAY} {run}", sample=sample)
        return row

    def deciding(self, row: ResultRow) -> dict[str, str]:
        finding: dict[str, str] = entry_body(self.ledger.conn, row.entry)["findings"][0]
        return finding

    def placed(self, run: str) -> list[tuple[int, str]]:
        rows = self.ledger.conn.execute(
            "SELECT position, how FROM placements WHERE run = ? ORDER BY position",
            (f"{DAY} {run}",),
        )
        return list(rows)

    def waited_at_arrival(self, sample: str) -> bool:
        bodies = self.ledger.conn.execute("SELECT body FROM journal ORDER BY idx")
        taken = [
            entry
            for (body,) in bodies
            if (entry := json.loads(body))["kind"] == "reading_taken" and entry["sample"] == sample
        ]
        return bool(taken) and all(entry["waits"] is not None for entry in taken)


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Worked]:
    directory = tmp_path_factory.mktemp("demo") / "lab"
    lines: list[str] = []
    stream = io.StringIO()
    begun = datetime.now(UTC)
    code = run_demo(
        directory,
        once=True,
        echo=lines.append,
        log=make_log(stream),
        clock=lambda: NOW + (datetime.now(UTC) - begun),
    )
    took_s = (datetime.now(UTC) - begun).total_seconds()
    ledger = Ledger.open_readonly(directory / "ledger.db")
    yield Worked(directory, code, lines, stream.getvalue(), took_s, ledger)
    ledger.close()


def quiet() -> object:
    return make_log(io.StringIO(), level=logging.CRITICAL)


# --- the day ----------------------------------------------------------------------------------


def test_day_ends_as_scripted_within_its_time(worked: Worked) -> None:
    assert [line for line in worked.lines if line.startswith("Not as scripted")] == []
    assert worked.code == 0
    assert worked.took_s < 15


def test_other_dilution_than_planned_is_held_without_a_value(worked: Worked) -> None:
    row = worked.result("COD high 1", "S-0415")

    assert (row.state, row.text, row.value) == ("held", "", None)
    assert worked.deciding(row)["rule"] == "dilution_once"
    assert (worked.deciding(row)["observed"], worked.deciding(row)["limit"]) == (
        "factor 10",
        "factor 5",
    )


def test_tube_above_the_range_is_held_with_the_least_dilution(worked: Worked) -> None:
    row = worked.result("COD high 1", "S-0414")

    assert (row.state, row.text) == ("held", "> 1650")
    assert "Repeat at a factor of at least 2 (1+1)" in worked.deciding(row)["sentence"]


def test_repeat_names_what_it_repeats_and_is_the_reported_value(worked: Worked) -> None:
    row = worked.result("COD high 2", "S-0414")

    assert (row.state, row.reported) == ("released", True)
    assert entry_body(worked.ledger.conn, row.entry)["repeats"] == (
        f"{DAY} COD high 1, above the range"
    )


def test_dilution_is_applied_once_whoever_applies_it(worked: Worked) -> None:
    # Bench A shows the tube's own value, Bench B one already multiplied. The rows are read here
    # from the files, not from the ledger, and multiplied by hand.
    table = (worked.directory / "exports/bench-a" / f"readings-{DAY}.csv").read_text()
    shown = [line.split(",") for line in table.splitlines()]
    (repeat,) = [c for c in shown if c[2] == "S-0414" and c[1] >= f"{DAY} 15:00"]
    assert repeat[4] == "5"
    tens = Decimal(repeat[6]) * 5
    assert worked.result("COD high 2", "S-0414").value == tens.quantize(Decimal("1E1"))

    table = (worked.directory / "exports/bench-b" / f"cod-low-{DAY}.csv").read_text()
    (settled,) = [c for c in (line.split(";") for line in table.splitlines()) if c[3] == "S-0412"]
    assert settled[5] == "5"
    printed = Decimal(settled[6].replace(",", "."))
    assert worked.result("COD low 1", "S-0412").value == printed.quantize(Decimal(1))


def test_turbid_tube_is_refused_and_its_clear_repeat_released(worked: Worked) -> None:
    first = worked.result("COD high 1", "S-0416")

    assert first.state == "refused"
    assert worked.deciding(first)["rule"] == "tube_clear"
    assert worked.result("COD high 2", "S-0416").state == "released"


def test_tube_of_an_expired_lot_is_held_and_its_neighbours_are_not(worked: Worked) -> None:
    row = worked.result("NH4 1", "S-0412")

    assert row.state == "held"
    assert worked.deciding(row)["rule"] == "kit_lot_in_date"
    assert worked.result("NH4 1", "S-0411").state == "released"


def test_fast_digestion_counts_only_where_a_comparison_covers_the_matrix(worked: Worked) -> None:
    barred = worked.result("COD high 3", "S-0420")

    assert (barred.state, worked.deciding(barred)["rule"]) == ("held", "fast_digestion")
    assert worked.result("COD high 3", "S-0419").state == "released"


def test_tube_below_the_range_is_stated_as_less_than_its_limit(worked: Worked) -> None:
    row = worked.result("NH4 walk", "S-0422")

    assert (row.state, row.text, row.censored) == ("released", "< 0.07", "<")


def test_readings_before_their_plan_wait_and_are_placed_by_it(worked: Worked) -> None:
    assert worked.waited_at_arrival("control P 1")
    assert [position for position, _ in worked.placed("PO4 1")] == [1, 2, 3, 4]


def test_unknown_sample_waits_and_a_late_sheet_places_it(worked: Worked) -> None:
    assert worked.waited_at_arrival("S-0418")
    assert worked.result("NH4 2", "S-0418").state == "released"


def test_mistyped_sample_waits_and_is_placed_by_hand(worked: Worked) -> None:
    assert worked.waited_at_arrival("S-0471")
    assert (6, "placed by hand") in worked.placed("COD low 1")
    assert worked.result("COD low 1", "S-0417").state == "released"


def test_tube_read_in_the_block_still_waits_with_its_candidate(worked: Worked) -> None:
    (waiting,) = waiting_readings(worked.ledger.conn)

    assert waiting.reading.sample == "S-0423"
    (candidate,) = waiting.candidates
    assert (candidate["run"], candidate["position"]) == (f"{DAY} COD low 2", 1)
    # Read at 15:05; started at 13:30 by a program of 120 minutes: ready at 15:30.
    assert candidate["reason"].startswith("The reading is 25 min older")


def test_growing_file_gives_every_row_once(worked: Worked) -> None:
    conn = worked.ledger.conn
    path = worked.directory / "exports/bench-a" / f"readings-{DAY}.csv"
    captures = find_captures(conn, source="bench-a")

    assert len(captures) > 1
    assert {capture.lineage for capture in captures} == {captures[0].id}
    assert content_from(conn, captures[-1]) == path.read_bytes()
    numbers = [line.split(",")[0] for line in path.read_text().splitlines()[1:]]
    counted = conn.execute("SELECT count(*) FROM readings WHERE instrument = 'Bench A'")
    assert len(numbers) == len(set(numbers)) == counted.fetchone()[0]


def test_file_whose_form_was_mended_is_read_by_replay(worked: Worked) -> None:
    captures = find_captures(worked.ledger.conn, source="portable")
    states = {capture.name: capture.state for capture in captures}

    assert states == {f"walk-{DAY}.tsv": "read", "shopping.txt": "failed"}
    assert [json.loads(line)["event"] for line in worked.log.splitlines()].count(
        "capture_failed"
    ) == 2
    versions = worked.ledger.conn.execute(
        "SELECT count(*) FROM inputs WHERE kind = 'form' AND name = 'walk_table'"
    )
    assert versions.fetchone()[0] == 2


def test_every_instrument_clock_is_its_own(worked: Worked) -> None:
    # Bench B prints UTC: COD low is read at 10:40 in Vienna, in winter one hour ahead of UTC.
    printed = (worked.directory / "exports/bench-b" / f"cod-low-{DAY}.csv").read_text()
    assert "B-0311;09.03.2026;09:40:00;blank low 1;" in printed
    (measured,) = worked.ledger.conn.execute(
        "SELECT measured_at FROM readings WHERE sample = 'blank low 1'"
    ).fetchone()
    assert measured.startswith(f"{DAY}T09:40:00")


def test_ledger_verifies_and_the_last_lines_say_so(worked: Worked) -> None:
    report = verify_ledger(worked.ledger.conn, rebuild=True)

    assert report.faults == []
    assert report.rebuilt
    assert f"journal verified: {report.size} entries, root {report.root[:24]}…" in worked.lines
    assert worked.lines[-1] == f"Full root: {report.root}"


def test_every_line_fits_a_terminal_and_the_safety_line_is_there(worked: Worked) -> None:
    assert [
        line for line in worked.lines if len(line) > 80 and not line.startswith("Folder: ")
    ] == []
    text = " ".join(worked.lines)
    assert "is no working instruction" in text
    assert "see the safety data sheets and your local rules" in text


def test_table_shows_each_result_with_point_statement_state_and_why(worked: Worked) -> None:
    rows = find_results(worked.ledger.conn)
    table = worked.lines[worked.lines.index("Results") + 3 :][: len(rows)]

    for row, line in zip(rows, table, strict=True):
        cells = line.split()
        assert cells[:3] == [row.sample, row.point, row.analyte]
        assert row.state in cells
        assert (row.text or "no value") in line
    assert any("hold: dilution_once" in line for line in table)


def test_script_that_is_not_kept_is_said(worked: Worked) -> None:
    # Judged with sightings of another day: what depends on them must be named, the rest stands.
    day = working_day_before(NOW, ZoneInfo("Europe/Vienna"))
    runs = runs_of(day, Waters(random.Random(1)))
    lines: list[str] = []

    deviations = judge_script(
        worked.ledger.conn, runs, Sightings(waited=frozenset(), failed=0), lines.append
    )

    assert len(deviations) == 4
    assert sum(line.startswith("  no ") for line in lines) == 4
    assert sum(line.startswith("  yes") for line in lines) == len(lines) - 2 - 4


def test_proof_fails_where_a_capture_was_altered(worked: Worked, tmp_path: Path) -> None:
    lab = tmp_path / "lab"
    shutil.copytree(worked.directory, lab)
    conn = pysqlite3.connect(lab / "ledger.db", isolation_level=None)
    for (name,) in conn.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'captures'"
    ).fetchall():
        conn.execute(f"DROP TRIGGER {name}")
    conn.execute("UPDATE captures SET bytes = zeroblob(length(bytes)) WHERE source = 'bench-b'")
    lines: list[str] = []

    assert not proof_of(conn, load_config(lab / "ingestd.toml"), lines.append)

    assert lines[0].startswith("not verified: capture ")
    assert not any("journal verified" in line for line in lines)
    conn.close()


# --- the folder -------------------------------------------------------------------------------


def test_folder_with_something_else_in_it_is_refused_untouched(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("five years of work")
    lines: list[str] = []

    code = run_demo(tmp_path, once=True, echo=lines.append, log=quiet())

    assert code == 2
    assert "holds no demonstration" in lines[0]
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_folder_with_a_marker_of_other_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / MARKER).write_text("notes for my demonstration")
    lines: list[str] = []

    assert run_demo(tmp_path, once=True, echo=lines.append, log=quiet()) == 2
    assert (tmp_path / MARKER).read_text() == "notes for my demonstration"


def test_name_of_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "lab").write_text("")
    lines: list[str] = []

    assert run_demo(tmp_path / "lab", once=True, echo=lines.append, log=quiet()) == 2
    assert "is a file" in lines[0]


def test_earlier_demonstration_is_cleared_and_other_files_stay(tmp_path: Path) -> None:
    lay_out(tmp_path)
    (tmp_path / "ledger.db").write_bytes(b"old")
    (tmp_path / "plan" / "old.csv").write_text("old")
    (tmp_path / "mine.txt").write_text("kept")

    _, cleared = lay_out(tmp_path)

    assert cleared
    assert not (tmp_path / "ledger.db").exists()
    assert not (tmp_path / "plan" / "old.csv").exists()
    assert (tmp_path / "mine.txt").read_text() == "kept"


def test_running_demonstration_is_not_cleared(tmp_path: Path) -> None:
    config, _ = lay_out(tmp_path)
    laboratory = Laboratory(
        config, tmp_path, clock=lambda: datetime.now(UTC), log=quiet(), stop=threading.Event()
    )
    laboratory.open()
    laboratory.wait((tmp_path / "ledger.db.service").exists, "the service's lock")
    lines: list[str] = []
    try:
        code = run_demo(tmp_path, once=True, echo=lines.append, log=quiet())
        ledger_stayed = (tmp_path / "ledger.db").exists()
    finally:
        laboratory.close()

    assert (code, ledger_stayed) == (2, True)
    assert "still runs" in lines[0]


# --- going on, and ending ---------------------------------------------------------------------

PROGRAM = """
import logging, sys
from pathlib import Path
from ingestd.demo.day import run_demo
from ingestd.service.logs import make_log
log = make_log(level=logging.CRITICAL)
say = lambda line: print(line, flush=True)
sys.exit(run_demo(Path(sys.argv[1]), once=False, echo=say, log=log, pause_s=0.1))
"""


def run_until(line_end: str, number: signal.Signals, directory: Path) -> tuple[int, str]:
    """Exit code, and what was said after the signal, sent when a line with that end was said."""
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(directory)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[3])},
    )
    assert process.stdout is not None
    for line in process.stdout:
        if line.rstrip().endswith(line_end):
            process.send_signal(number)
            break
    rest, _ = process.communicate(timeout=20)
    return process.returncode, rest


def test_it_feeds_on_until_interrupted_and_ends_verified(tmp_path: Path) -> None:
    code, said = run_until("COD high run 2 on Bench A", signal.SIGINT, tmp_path / "lab")

    assert code == 0, said
    assert "journal verified" in said
    ledger = Ledger.open_readonly(tmp_path / "lab" / "ledger.db")
    assert find_results(ledger.conn, run="COD low run 1")
    assert verify_ledger(ledger.conn, rebuild=True).faults == []
    ledger.close()


def test_terminated_during_the_day_it_ends_cleanly_with_a_word(tmp_path: Path) -> None:
    code, said = run_until("are dropped.", signal.SIGTERM, tmp_path / "lab")

    assert code == 1
    assert "Ended before the day was over: asked to stop." in said
    ledger = Ledger.open_readonly(tmp_path / "lab" / "ledger.db")
    assert verify_ledger(ledger.conn, rebuild=True).faults == []
    ledger.close()


def test_stop_in_the_middle_of_the_day_ends_it_with_a_word(tmp_path: Path) -> None:
    config, _ = lay_out(tmp_path)
    stop = threading.Event()
    laboratory = Laboratory(
        config, tmp_path, clock=lambda: datetime.now(UTC), log=quiet(), stop=stop
    )
    laboratory.open()
    stop.set()

    with pytest.raises(Stopped, match="asked to stop"):
        laboratory.wait_for_readings("Bench A", 1)
    laboratory.close()

    ledger = Ledger.open_readonly(tmp_path / "ledger.db")
    assert verify_ledger(ledger.conn, rebuild=True).faults == []
    ledger.close()


def test_refused_sheet_ends_the_day_with_its_reason(tmp_path: Path) -> None:
    config, _ = lay_out(tmp_path)
    laboratory = Laboratory(
        config, tmp_path, clock=lambda: datetime.now(UTC), log=quiet(), stop=threading.Event()
    )
    laboratory.open()

    with pytest.raises(Stopped, match=r"odd\.csv was refused"):
        laboratory.drop_plans({"odd.csv": "this,is,no,sheet\n1,2,3,4\n"})
    laboratory.close()


# --- parts ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "worked_day"),
    [
        ("2026-03-10T02:30+00:00", "2026-03-09"),  # Tuesday night: Monday
        ("2026-03-09T12:00+00:00", "2026-03-06"),  # Monday: Friday
        ("2026-03-08T12:00+00:00", "2026-03-06"),  # Sunday: Friday
        ("2026-03-07T12:00+00:00", "2026-03-06"),  # Saturday: Friday
        ("2026-03-09T23:30+00:00", "2026-03-09"),  # already Tuesday in Vienna
        ("2026-03-30T00:30+00:00", "2026-03-27"),  # the Monday after clocks went forward
    ],
)
def test_day_worked_is_the_last_working_day_before_today(now: str, worked_day: str) -> None:
    instant = datetime.fromisoformat(now)

    day = working_day_before(instant, ZoneInfo("Europe/Vienna"))

    assert day.date.isoformat() == worked_day
    assert day.at("23:59") < instant


def test_times_of_the_day_are_those_of_the_laboratory() -> None:
    day = working_day_before(datetime(2026, 7, 8, 12, tzinfo=UTC), ZoneInfo("Europe/Vienna"))

    # Summer time in Vienna is two hours ahead of UTC: IANA time zone database.
    assert day.at("08:10") == datetime(2026, 7, 7, 6, 10, tzinfo=UTC)
    assert day.at("08:10") - day.at("08:00") == timedelta(minutes=10)


def test_laboratory_form_fits_only_what_it_was_mended_for() -> None:
    shown = b"Memory place\tWhen\tWhat\tBy\tFactor\tMass per volume\tIn\n"
    row = b"1\t2026-03-09 11:25\tS-1\tNH4-N\t5\t0.512\tmg/L\n"
    shipped = [parsers.load_form(data, name) for name, data in shipped_forms().items()]
    before = parsers.load_form(walk_form("Concentration").encode(), "walk_table")
    after = parsers.load_form(walk_form("Mass per volume").encode(), "walk_table")

    assert parsers.recognise(shown + row, [*shipped, before]).matches == ()
    assert parsers.recognise(shown + row, [*shipped, after]).matches == ("walk_table",)
