"""`ingestd plan`, `observe` and `rules` at the desk: what is in force, drafts, refusals."""

import json
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from ingestd.cli.main import main
from ingestd.evaluate.rules.registry import RULES
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, Lab, row


def command(lab: Lab, *words: str) -> Result:
    config = str(lab.folder / "ingestd.toml")
    return CliRunner().invoke(main, ["--config", config, *words])


@contextmanager
def no_file_grows_beyond(size: int) -> Iterator[None]:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.fixture
def judged(lab: Lab) -> Lab:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    return lab


def test_inputs_in_force_and_runs_are_listed(judged: Lab) -> None:
    shown = command(judged, "plan", "show").output
    sha256 = str(judged.one("SELECT sha256 FROM inputs WHERE kind = 'method'"))
    assert sha256[:12] in shown
    assert [line.split() for line in shown.splitlines()][-1] == [
        "R1", "COD-HR", "2026-03-02", "4", "complete",
    ]  # fmt: skip
    told = json.loads(command(judged, "plan", "show", "--json").stdout)
    assert told["runs"] == [{"name": "R1", "method": "COD-HR", "complete": True}]
    assert {"kind": "method", "name": "COD-HR", "sha256": sha256} in told["inputs"]


def test_run_shows_what_each_of_its_tubes_was_read_as(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    assert [line.split() for line in command(lab, "plan", "show").output.splitlines()][-1][-1] == (
        "open"
    )
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]))
    shown = command(lab, "plan", "show", "R1").output.splitlines()
    assert shown[0] == "run R1: COD-HR, started 2026-03-02 08:15 UTC"
    tubes = {line.split()[0]: line.split() for line in shown[3:]}
    assert tubes["1"] == ["1", "blank", "B1", "1", "K1", "2", "mg/L"]
    assert tubes["3"] == ["3", "sample", "W-1", "W-1", "1+1", "K1", "640", "mg/L"]
    assert "333" not in tubes["4"]
    told = json.loads(command(lab, "plan", "show", "R1", "--json").stdout)
    assert [tube["position"] for tube in told["tubes"]] == [1, 2, 3, 4]


def test_closed_run_is_said_to_be_closed(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]))
    assert command(lab, "observe", "R1", "closed=block broke", "--by", "mara").exit_code == 0
    assert command(lab, "plan", "show").output.splitlines()[-1].split()[-1] == "closed"


def test_draft_for_readings_that_wait_places_them_once_it_is_loaded(lab: Lab) -> None:
    lab.arrive(EXPORT_HEAD + row(71, "Z-1", "300", dilution="2") + row(72, "Z-2", "400"))
    words = ("plan", "from-readings", "--method", "COD-HR", "--run", "late")
    drafted = command(lab, *words, "--started", "2026-03-02 08:00")
    assert drafted.exit_code == 0, drafted.output
    lines = drafted.output.splitlines()
    assert next(line for line in lines if "late" in line).startswith("late,COD-HR,2026-03-02")
    assert "Z-1" in drafted.output
    assert "Z-2" in drafted.output
    assert set(lab.waiting()) == {"Z-1", "Z-2"}, "a draft places nothing"
    ours = command(lab, *words, "--started", "2026-03-02 08:00", "--instrument", "P1")
    assert ours.output == drafted.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--method", "NH4", "--started", "2026-03-02 08:00"), "method 'NH4': there is none"),
        (("--method", "COD-HR", "--started", "2026-03-02 08:00"), "no reading of this method"),
        (
            ("--method", "COD-HR", "--started", "2026-03-02 08:00", "--instrument", "P9"),
            "no reading of this method waits",
        ),
    ],
)
def test_draft_of_nothing_is_refused(judged: Lab, words: tuple[str, ...], said: str) -> None:
    done = command(judged, "plan", "from-readings", "--run", "late", *words)
    assert done.exit_code == 1
    assert said in done.output


def test_ledger_without_room_ends_a_load_at_its_first_file(lab: Lab, tmp_path: Path) -> None:
    """Nobody knows whether it stands, so not one file further is tried."""
    files = []
    for name in ("one", "two"):
        file = tmp_path / f"{name}.toml"
        file.write_text(f'[[sampling_point]]\ncode = "{name}"\n')
        files.append(str(file))
    lab.ledger.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    with no_file_grows_beyond(40 << 10):  # enough to open the ledger, too little for a commit
        done = command(lab, "plan", "load", *files, "--by", "mara")
    assert done.exit_code == 1
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert "`ingestd verify`" in done.stderr
    assert done.stdout == ""
    assert lab.one("SELECT count(*) FROM inputs WHERE name IN ('one', 'two')") == 0
    again = command(lab, "plan", "load", *files, "--by", "mara")
    assert again.exit_code == 0, again.output


def test_rules_name_their_limits_in_force_for_one_method(judged: Lab) -> None:
    done = command(judged, "rules", "--method", "COD-HR")
    assert done.exit_code == 0, done.output
    for name, rule in RULES.items():
        assert f"\n{name} (version {rule.version})" in done.output
        assert f"  question: {rule.question}" in done.output
    assert "  COD-HR: from end of digestion to reading = >= 10 min" in done.output
    assert "  hold: beyond an action limit" in done.output
    told = json.loads(command(judged, "rules", "--json").stdout)
    assert [one["rule"] for one in told] == list(RULES)
    assert all(set(one["in force"]) == {"COD-HR"} for one in told)
    unknown = command(judged, "rules", "--method", "NH4")
    assert (unknown.exit_code, "there is none" in unknown.output) == (1, True)


def test_rules_need_no_ledger(tmp_path: Path) -> None:
    (tmp_path / "ingestd.toml").write_text('[site]\nname = "N"\ntime_zone = "Etc/UTC"\n')
    done = CliRunner().invoke(
        main, ["--config", str(tmp_path / "ingestd.toml"), "rules", "--json"]
    )
    assert done.exit_code == 0, done.output
    assert {len(one["in force"]) for one in json.loads(done.stdout)} == {0}
