"""`ingestd form`: which form a file is in, what a form reads from it, and a draft of one."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import parsers
from ingestd.cli.main import main
from ingestd.pipeline.forms import shipped_forms
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, Lab, row


def form(*words: str | Path, config: Path | None = None) -> Result:
    before = ["--config", str(config)] if config else []
    return CliRunner().invoke(main, [*before, "form", *map(str, words)])


@pytest.fixture
def day(tmp_path: Path) -> Path:
    file = tmp_path / "day.csv"
    file.write_text(GOOD_EXPORT)
    return file


@pytest.fixture
def at_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A desk at which no configuration is found."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("INGESTD_CONFIG", raising=False)
    monkeypatch.setattr("ingestd.config.configuration.SYSTEM_FILE", tmp_path / "nowhere.toml")


@pytest.mark.usefixtures("at_home")
def test_one_form_that_fits_is_named_beside_why_the_others_do_not(day: Path) -> None:
    done = form("recognise", day)
    assert done.exit_code == 0, done.output
    fits = [line for line in done.output.splitlines() if " yes " in line]
    assert [line.split()[0] for line in fits] == ["point_table"]
    for name in shipped_forms():
        assert name in done.output


@pytest.mark.usefixtures("at_home")
def test_recognition_as_json_has_matches_and_a_reason_for_every_form(day: Path) -> None:
    told = json.loads(form("recognise", day, "--json").stdout)
    assert told["matches"] == ["point_table"]
    assert set(told["reasons"]) == set(shipped_forms())
    assert all(told["reasons"].values())


@pytest.mark.usefixtures("at_home")
def test_text_that_no_form_fits_ends_with_1(tmp_path: Path) -> None:
    memo = tmp_path / "memo.txt"
    memo.write_text("no form knows this\n")
    done = form("recognise", memo)
    assert done.exit_code == 1
    assert " yes " not in done.output
    assert json.loads(form("recognise", memo, "--json").stdout)["matches"] == []


def test_forms_of_the_site_count_where_a_configuration_is_found(lab: Lab, day: Path) -> None:
    (lab.folder / "forms" / "ours.toml").write_bytes(shipped_forms()["point_table"])
    told = form("recognise", day, "--json", config=lab.folder / "ingestd.toml")
    assert json.loads(told.stdout)["matches"] == ["point_table", "ours"]
    assert told.exit_code == 1, "two forms fit, so none is meant"


@pytest.mark.usefixtures("at_home")
def test_every_field_is_shown_beside_its_bytes(day: Path) -> None:
    done = form("parse", day, "--form", "point_table")
    assert done.exit_code == 0, done.output
    parsed = parsers.parse(
        GOOD_EXPORT.encode(), parsers.load_form(shipped_forms()["point_table"], "point_table")
    )
    last = parsed.readings[-1]
    span = last.spans["sample"]
    line = next(w for w in map(str.split, done.output.splitlines()) if w[0] == "4" and "W-2" in w)
    assert line == ["4", str(last.line), "sample", "W-2", f"{span.start}-{span.end}", "W-2"]
    assert GOOD_EXPORT.encode()[span.start : span.end] == b"W-2"


@pytest.mark.usefixtures("at_home")
def test_readings_as_json_keep_the_printed_digits(day: Path) -> None:
    day.write_text(EXPORT_HEAD + row(1, "W-1", "12.30") + row(2, "W-2", "<15"))
    told = json.loads(form("parse", day, "--form", "point_table", "--json").stdout)
    assert [(r["value"], r["censored"], r["unit"]) for r in told["readings"]] == [
        ("12.30", "", "mg/L"),
        ("15", "<", "mg/L"),
    ]
    assert told["readings"][0]["measured_at"] == "2026-03-02T10:50:00"
    assert told["faults"] == []


@pytest.mark.usefixtures("at_home")
def test_row_that_cannot_be_read_is_said_and_ends_with_1(day: Path) -> None:
    day.write_text(EXPORT_HEAD + row(1, "W-1", "12") + row(2, "W-2", "12,x"))
    done = form("parse", day, "--form", "point_table")
    assert done.exit_code == 1
    assert "W-1" in done.stdout
    assert "line 3" in done.stderr
    told = json.loads(form("parse", day, "--form", "point_table", "--json").stdout)
    assert len(told["readings"]) == len(told["faults"]) == 1


@pytest.mark.usefixtures("at_home")
def test_form_may_be_a_file_of_its_own(day: Path, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_bytes(shipped_forms()["point_table"])
    assert form("parse", day, "--form", file).exit_code == 0
    file.write_text("shape = 'round'\n")
    wrong = form("parse", day, "--form", file)
    assert wrong.exit_code == 1
    assert "shape" in wrong.output
    none = form("parse", day, "--form", "unheard_of")
    assert none.exit_code == 1
    assert "form 'unheard_of'" in none.output
    assert "point_table" in none.output, "those that there are"


@pytest.mark.usefixtures("at_home")
def test_draft_of_a_form_is_a_form_that_reads_its_sample(day: Path) -> None:
    drafted = form("propose", day)
    assert drafted.exit_code == 0, drafted.output
    made = parsers.load_form(drafted.output.encode(), "day")
    again = parsers.parse(day.read_bytes(), made)
    assert len(again.readings) == 4
    assert not again.faults
