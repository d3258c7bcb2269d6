"""Every command: help, answers, exit codes 0, 1 and 2, and JSON that is JSON."""

import json
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from ingestd import __version__
from ingestd.cli.main import _COMMANDS, main
from ingestd.ledger.store import Ledger
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, PLAN, SHEET, Lab, row

Run = Callable[..., Result]


def _paths(command: click.Command, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    yield path
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            child = command.get_command(context, name)
            assert child is not None
            yield from _paths(child, (*path, name))


EVERY = [path for path in _paths(main) if path]


@pytest.fixture
def run(lab: Lab) -> Run:
    def run(*arguments: str, **how: object) -> Result:
        config = str(lab.folder / "ingestd.toml")
        return CliRunner().invoke(main, ["--config", config, *arguments], **how)  # type: ignore[arg-type]  # as invoke names them

    return run


@pytest.fixture
def judged(lab: Lab) -> Lab:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    return lab


# --- all of them ------------------------------------------------------------------------------


@pytest.mark.parametrize("path", EVERY, ids=" ".join)
def test_help_says_what_it_does(path: tuple[str, ...]) -> None:
    done = CliRunner().invoke(main, [*path, "--help"])
    assert done.exit_code == 0
    first = done.output.split("\n\n")[1].strip()
    assert len(first) > 15
    assert "Usage:" in done.output


def test_main_help_lists_every_command() -> None:
    done = CliRunner().invoke(main, ["--help"])
    for name in _COMMANDS:
        assert f"  {name} " in done.output


@pytest.mark.parametrize(
    "arguments",
    [
        ("unheard-of",),
        ("release",),
        ("release", "R1"),
        ("replay", "--state", "failed", "--by", "ada"),
        ("captures", "--state", "eaten"),
        ("place", "1", "--by", "mara"),
        ("verify-receipt", "nowhere.json", "--key", "k"),
        ("restore", "nowhere.db", "--by", "ada"),
        ("archive", "old.zip", "--before", "yesterday", "--by", "ada"),
        ("policy", "sometimes", "--by", "rita"),
    ],
    ids=" ".join,
)
def test_wrong_use_exits_2_and_says_what_is_wrong(run: Run, arguments: tuple[str, ...]) -> None:
    done = run(*arguments)
    assert done.exit_code == 2, done.output
    assert "Error" in done.output


def test_wrong_configuration_exits_2_and_names_the_key(lab: Lab, run: Run) -> None:
    path = lab.folder / "ingestd.toml"
    path.write_text(path.read_text() + "\n[ledger]\ncolour = 'red'\n")
    for name in ("status", "check", "verify", "results"):
        done = run(name)
        assert done.exit_code == 2, name
        assert "ledger.colour: no such key" in done.output


def test_absent_ledger_exits_1_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "ingestd.toml").write_text('[site]\nname = "N"\ntime_zone = "Etc/UTC"\n')
    for arguments in (("status",), ("results",), ("verify",), ("captures",), ("backup", "x.db")):
        done = CliRunner().invoke(main, ["--config", str(tmp_path / "ingestd.toml"), *arguments])
        assert done.exit_code == 1, arguments
        assert "start `ingestd run` once" in done.output
    assert not (tmp_path / "ledger.db").exists()


JSON = [
    ("check",),
    ("status",),
    ("captures",),
    ("captures", "--capture", "1"),
    ("plan", "show"),
    ("plan", "show", "R1"),
    ("readings",),
    ("readings", "--run", "R1"),
    ("explain", "1"),
    ("rules",),
    ("rules", "--method", "COD-HR"),
    ("verify",),
    ("verify", "--rebuild"),
    ("verify", "--reenact"),
    ("user", "list"),
    ("replay", "--state", "read", "--reason", "x", "--by", "ada"),
    ("replay", "--state", "read", "--reason", "x", "--by", "ada", "--dry-run"),
    ("backup", "BACKUP"),
]


@pytest.mark.parametrize("arguments", JSON, ids=" ".join)
def test_json_is_one_json_document(
    judged: Lab, run: Run, arguments: tuple[str, ...], tmp_path: Path
) -> None:
    words = [str(tmp_path / "b.db") if word == "BACKUP" else word for word in arguments]
    done = run(*words, "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout) is not None


def test_results_are_written_as_csv_xlsx_and_json(judged: Lab, run: Run, tmp_path: Path) -> None:
    done = run(
        "results", "--csv", str(tmp_path / "r.csv"), "--xlsx", str(tmp_path / "r.xlsx"),
        "--json", str(tmp_path / "r.json"),
    )  # fmt: skip
    assert done.exit_code == 0
    assert (tmp_path / "r.csv").read_bytes().count(b"\r\n") == 3
    assert (tmp_path / "r.xlsx").read_bytes().startswith(b"PK")
    assert [r["sample"] for r in json.loads((tmp_path / "r.json").read_bytes())] == ["W-1", "W-2"]
    assert "W-1" in run("results", "--csv", "-").output


# --- the work of a day ------------------------------------------------------------------------


def test_day_is_worked_by_commands_alone(lab: Lab, run: Run) -> None:
    (lab.folder / "sheet.csv").write_text(SHEET.replace("148,clear", "148,"))
    assert run("plan", "load", str(lab.folder / "sheet.csv"), "--by", "mara").exit_code == 0
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-Z", "333"))
    waiting = run("readings", "--waiting")
    assert "W-Z" in waiting.output
    assert run("status").exit_code == 1, "something needs a hand"
    assert run("place", "4", "R1", "4", "--by", "mara", "--reason", "typed Z").exit_code == 0
    assert lab.states()["W-1"][0] == "held", "nobody has looked at the turbidity"
    noted = run("observe", "R1", "turbidity=clear", "--by", "mara")
    assert (noted.exit_code, noted.output) == (0, "1 noted\n")
    assert "1280 mg/L" in run("results").output
    released = run("release", "R1", "--by", "rita")
    assert released.exit_code == 0
    assert "W-1 1280 released" in released.output
    assert run("withdraw", "1", "--by", "rita", "--reason", "swapped").exit_code == 0
    assert run("release", "1", "--by", "rita", "--reason", "not swapped").exit_code == 0
    assert run("choose", "1", "--by", "rita", "--reason", "only one").exit_code == 0
    assert run("policy", "automatic", "--by", "rita", "--reason", "validated").exit_code == 0
    assert "the reported value" in run("results").output
    assert "typed Z" in run("explain", "2").output
    assert run("status").exit_code == 0
    assert run("verify", "--rebuild").exit_code == 0


NO = [
    (("release", "R1", "--by", "mara"), "needs the role reviewer"),
    (("release", "R9", "--by", "rita"), "no result or judged run"),
    (("withdraw", "R1", "--by", "rita"), "reason"),
    (("choose", "1", "--by", "rita", "--reason", "x"), "not a released result"),
    (("policy", "automatic", "--by", "ada", "--reason", "x"), "needs the role"),
    (("place", "1", "R1", "9", "--by", "mara", "--reason", "x"), "no tube 9"),
    (("observe", "R9", "turbidity=clear", "--by", "mara"), "R9"),
    (("observe", "R1", "colour=red", "--by", "mara"), "colour"),
    (("explain", "9"), "there is none"),
    (("captures", "--capture", "99"), "there is none"),
    (("plan", "show", "R9"), "there is none"),
    (("replay", "--reason", "x", "--by", "ada"), "of what?"),
    (("replay", "--capture", "99", "--reason", "x", "--by", "ada"), "no capture is chosen"),
    (("replay", "--state", "read", "--reason", "x", "--by", "rita"), "needs the role admin"),
    (("user", "add", "eve", "--role", "admin", "--by", "mara"), "needs the role admin"),
    (("receipt", "9"), "there is none"),
    (("receipt", "1", "--decision"), "nobody has decided"),
    (("rules", "--method", "X"), "there is none"),
    (("restore", "ingestd.toml", "--by", "ada", "--reason", "x"), "already"),
    (("archive", "x.zip", "--before", "2020-01-01", "--by", "ada", "--reason", "x"), "no file"),
    (("archive", "x.zip", "--before", "2030-01-01", "--by", "rita", "--reason", "x"), "admin"),
]


@pytest.mark.parametrize(("arguments", "words"), NO, ids=[" ".join(a) for a, _ in NO])
def test_answer_no_exits_1_with_the_reason_and_changes_nothing(
    judged: Lab, run: Run, arguments: tuple[str, ...], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(judged.folder)
    before = judged.one("SELECT size FROM frontier")
    done = run(*arguments)
    assert done.exit_code == 1, done.output
    assert words in done.output
    assert done.stdout == "", "what is wrong goes to standard error"
    assert judged.one("SELECT size FROM frontier") == before


def test_bad_plan_among_good_ones_exits_1_and_the_good_ones_are_in_force(
    lab: Lab, run: Run
) -> None:
    good, bad = lab.folder / "good.csv", lab.folder / "bad.csv"
    good.write_text(SHEET)
    bad.write_text(SHEET.replace("COD-HR", "COD-XX"))
    done = run("plan", "load", str(bad), str(good), "--by", "mara")
    assert done.exit_code == 1
    assert "COD-XX" in done.stderr
    assert "good.csv: " in done.stdout
    assert lab.one("SELECT count(*) FROM runs") == 1


def test_failed_capture_shows_the_exact_bytes_with_the_fault_marked(lab: Lab, run: Run) -> None:
    lab.arrive(EXPORT_HEAD + GOOD_ROWS[0] + GOOD_ROWS[3].replace("333", "3.3.3"))
    ident = str(lab.one("SELECT max(id) FROM captures"))
    shown = run("captures", "--capture", ident).output
    assert "»3.3.3,mg/L" in shown
    assert "expected" in shown


def test_control_characters_of_a_file_play_no_tricks_on_the_terminal(lab: Lab, run: Run) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + row(4, "W-\x1b[2J", "3"), name="odd\x1b]0;x.csv")
    for arguments in (("captures",), ("readings", "--waiting"), ("captures", "--capture", "9")):
        assert "\x1b" not in run(*arguments).output


def test_replay_is_shown_first_and_done_then(lab: Lab, run: Run) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD.replace("Outcome", "Finding") + "".join(GOOD_ROWS))
    text = json.loads(
        str(lab.one("SELECT body FROM inputs WHERE kind = 'form' AND name = 'point_table'"))
    )["text"]
    form = lab.folder / "site_table.toml"
    form.write_text(text.replace('"Outcome"', '"Finding"'))
    which = ("--state", "failed", "--reason", "column renamed", "--by", "ada")
    before = run("replay", *which)
    assert before.exit_code == 1
    assert "still cannot be read" in before.stderr
    assert run("plan", "load", str(form), "--by", "mara").exit_code == 0
    shown = run("replay", *which, "--dry-run")
    assert "4 readings would be taken" in shown.output
    assert lab.one("SELECT count(*) FROM readings") == 0
    done = run("replay", *which)
    assert "4 readings were taken" in done.output
    assert shown.output.splitlines()[1:] == done.output.splitlines()[1:], "the same table"
    body = lab.one(
        "SELECT CAST(body AS TEXT) FROM journal WHERE instr(body, ?)", b'"kind":"replayed"'
    )
    told = json.loads(str(body))
    assert (told["by"], told["reason"]) == ("ada", "column renamed")
    assert told["system_user"]


def test_replay_says_which_inputs_and_program_it_used(judged: Lab, run: Run) -> None:
    assert run("release", "R1", "--by", "rita").exit_code == 0
    plan = judged.folder / "plan.toml"
    plan.write_text(PLAN.replace("to = 10 }", "to = 100 }"))
    assert run("plan", "load", str(plan), "--by", "mara").exit_code == 0
    which = ("replay", "--source", "p1", "--by", "ada", "--dry-run")
    today = run(*which, "--reason", "rounding mended")
    assert f"Inputs as in force now; program ingestd {__version__}." in today.output
    assert "accepted 1300 mg/L" in today.output
    size = judged.one("SELECT size FROM frontier")
    then = run(*which, "--as-of", "then")
    assert then.exit_code == 0
    assert then.stdout.splitlines() == [
        "2 results say the same today, digit for digit",
        (
            "Inputs as in force when each standing version was made; program ingestd"
            f" {__version__}, the versions compared were made by {__version__}."
        ),
    ]
    told = json.loads(run(*which, "--as-of", "then", "--json").stdout)
    assert (told["as_of"], told["results_compared"], told["results"]) == ("then", 2, [])
    assert judged.one("SELECT size FROM frontier") == size


def test_replay_as_of_then_that_differs_shows_it_and_ends_with_one(judged: Lab, run: Run) -> None:
    conn = judged.ledger.conn
    conn.execute("DROP TRIGGER journal_never_changes")
    conn.execute(
        "UPDATE journal SET body = CAST(replace(CAST(body AS TEXT), '640', '610') AS BLOB)"
        " WHERE instr(body, ?)",
        (b'"kind":"reading_taken"',),
    )
    found = run("replay", "--capture", "8", "--by", "ada", "--as-of", "then", "--dry-run")
    assert found.exit_code == 1
    assert "of 2 results 0 would say something else today; 1 readings differ" in found.stdout
    assert "value 610" in found.stdout
    assert "value 640" in found.stdout


def test_replay_as_of_then_records_nothing_and_says_why(judged: Lab, run: Run) -> None:
    refused = run("replay", "--source", "p1", "--by", "ada", "--as-of", "then")
    assert refused.exit_code == 1
    assert "inputs that hold no more must not stand beside a result" in refused.stderr
    assert "--dry-run" in refused.stderr


# --- proof ------------------------------------------------------------------------------------


def key_of(run: Run) -> str:
    return str(json.loads(run("status", "--json").stdout)["public_key"])


def test_receipt_is_checked_without_ledger_or_configuration(
    judged: Lab, run: Run, tmp_path: Path
) -> None:
    file = tmp_path / "receipt.json"
    assert run("receipt", "1", "--out", str(file)).exit_code == 0
    key = key_of(run)
    alone = CliRunner().invoke(main, ["verify-receipt", str(file), "--key", key, "--json"])
    assert alone.exit_code == 0, alone.output
    told = json.loads(alone.output)
    assert (told["holds"], told["body"]["text"]) == (True, "1280")
    file.write_bytes(file.read_bytes().replace(b"1280", b"1180"))
    altered = CliRunner().invoke(main, ["verify-receipt", str(file), "--key", key])
    assert altered.exit_code == 1
    assert "receipt" in altered.stderr


@pytest.mark.parametrize("key", ["", "nonsense", "ingestd/Test%20works+00000000+AAAA"])
def test_wrong_key_is_said(judged: Lab, run: Run, tmp_path: Path, key: str) -> None:
    file = tmp_path / "receipt.json"
    run("receipt", "1", "--out", str(file))
    done = CliRunner().invoke(main, ["verify-receipt", str(file), "--key", key])
    assert done.exit_code == 1
    assert "Traceback" not in done.output


def test_consistency_of_two_checkpoint_files_is_written_and_checked(
    judged: Lab, run: Run, tmp_path: Path
) -> None:
    from ingestd.audit.checkpoints import write_checkpoint

    folder = judged.folder / "checkpoints"
    write_checkpoint(judged.ledger.conn, judged.config)
    judged.arrive(b"", name="later.csv")
    write_checkpoint(judged.ledger.conn, judged.config)
    old, new = sorted(folder.iterdir())
    file = tmp_path / "proof.json"
    assert run("consistency", str(old), str(new), "--out", str(file)).exit_code == 0
    done = CliRunner().invoke(main, ["verify-receipt", str(file), "--key", key_of(run)])
    assert done.exit_code == 0
    assert "begin with" in done.output


def test_verify_names_the_entry_that_does_not_fit(judged: Lab, run: Run) -> None:
    judged.ledger.conn.execute("DROP TRIGGER journal_never_goes")
    judged.ledger.conn.execute("DELETE FROM journal WHERE idx = 7")
    done = run("verify")
    assert done.exit_code == 1
    assert "DOES NOT HOLD: journal entry 7 is missing" in done.stderr
    told = json.loads(run("verify", "--json").stdout)
    assert (told["holds"], told["first_wrong_entry"]) == (False, 7)


def test_verify_with_checkpoints_and_a_key_kept_elsewhere(
    judged: Lab, run: Run, tmp_path: Path
) -> None:
    from ingestd.audit.checkpoints import write_checkpoint

    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    written = write_checkpoint(judged.ledger.conn, judged.config)
    (elsewhere / f"checkpoint-{written.size:016d}.txt").write_text(written.text)
    key = key_of(run)
    for path in (judged.folder / "checkpoints").iterdir():
        path.unlink()
    (judged.folder / "journal.key").unlink()
    done = run("verify", "--checkpoints", str(elsewhere), "--key", key, "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["checkpoints"] == 1
    assert run("verify", "--checkpoints", str(elsewhere)).exit_code == 1, "no key to check with"


def test_backup_is_restored_where_the_ledger_was_lost(
    judged: Lab, run: Run, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.db"
    assert run("backup", str(copy)).exit_code == 0
    assert run("backup", str(copy)).exit_code == 1, "never overwrites"
    judged.ledger.close()
    for path in judged.folder.glob("ledger.db*"):
        path.unlink()
    done = run("restore", str(copy), "--by", "ada", "--reason", "disk died")
    assert done.exit_code == 0, done.output
    judged.ledger = Ledger.open(judged.config.ledger.path)
    assert judged.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    assert run("verify", "--rebuild").exit_code == 0


def test_archive_and_verification_with_and_without_it(
    judged: Lab, run: Run, tmp_path: Path
) -> None:
    file = tmp_path / "old.zip"
    done = run(
        "archive", str(file), "--before", "2030-01-01", "--by", "ada", "--reason", "old enough"
    )
    assert done.exit_code == 0, done.output
    assert "0 archives read" in run("verify", "--rebuild").output
    assert "1 archives read" in run("verify", "--archive", str(file)).output
    file.write_bytes(file.read_bytes()[:-1])
    assert run("verify", "--archive", str(file)).exit_code == 1


def test_damaged_ledger_is_a_sentence_for_every_command(judged: Lab, run: Run) -> None:
    judged.ledger.close()
    path = judged.config.ledger.path
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xff" * (size - 4096))
    for arguments in (("status",), ("results",), ("verify",), ("captures",), ("readings",)):
        done = run(*arguments)
        assert done.exit_code == 1, arguments
        assert isinstance(done.exception, SystemExit), done.exception


def test_demo_in_a_folder_that_holds_something_else_is_refused(tmp_path: Path) -> None:
    (tmp_path / "precious.txt").write_text("x")
    handlers = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM)}
    done = CliRunner().invoke(main, ["demo", "--once", "--dir", str(tmp_path)])
    assert done.exit_code == 2
    assert (tmp_path / "precious.txt").read_text() == "x"
    assert {n: signal.getsignal(n) for n in handlers} == handlers


def test_plan_text_shown_is_what_was_loaded(judged: Lab, run: Run) -> None:
    shown = run("plan", "show").output
    for name in ("COD-HR", "K1", "CS500", "P1", "inlet", "R1"):
        assert name in shown
