"""Everything replayed in order into an empty ledger gives every value and finding again."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from ingestd.audit.archive import archive_captures
from ingestd.audit.compare import disagreements
from ingestd.audit.reenact import reenact
from ingestd.audit.verify import verify_ledger
from ingestd.errors import Refused
from ingestd.ledger.captures import find_captures
from ingestd.ledger.store import Ledger
from ingestd.pipeline.decisions import (
    choose_reported,
    place_in_order,
    place_reading,
    release,
    set_release_policy,
    withdraw,
)
from ingestd.pipeline.inputs import observe
from ingestd.pipeline.replay.replay import replay
from ingestd.sources.serial.settings import LineArrival
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, PLAN, SHEET, Lab, row


@pytest.fixture
def again(lab: Lab) -> Iterator[Callable[[], Ledger]]:
    opened: list[Ledger] = []

    def again() -> Ledger:
        ledger = reenact(
            lab.ledger.conn,
            lab.config,
            str(lab.folder / f"again-{len(opened)}.db"),
            log=lab.pipeline.log,
        )
        opened.append(ledger)
        return ledger

    yield again
    for ledger in opened:
        ledger.close()


def people(lab: Lab, who: str, what: Callable[..., object], *args: object, **how: object) -> None:
    with lab.ledger.change(at=lab.clock(), by=who) as change:
        what(change, lab.pipeline.in_force_cache.current(lab.ledger.conn), *args, **how)


def at_the_bench(lab: Lab, what: Callable[..., object], *args: object, **how: object) -> None:
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        what(change, *args, lab.pipeline.in_force_cache, lab.config, **how)


def assert_agrees(lab: Lab, ledger: Ledger) -> None:
    assert disagreements(lab.ledger.conn, ledger.conn) == []
    assert verify_ledger(ledger.conn, rebuild=True).faults == []


def test_plain_day_agrees(lab: Lab, again: Callable[[], Ledger]) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    ledger = again()
    assert_agrees(lab, ledger)
    assert ledger.conn.execute("SELECT count(*) FROM results").fetchone() == (2,)


def test_growing_copied_bad_and_contradicting_files_agree(
    lab: Lab, again: Callable[[], Ledger]
) -> None:
    lab.arrive(EXPORT_HEAD[:30], final=False)
    lab.arrive(EXPORT_HEAD + GOOD_ROWS[0] + GOOD_ROWS[1][:20], final=False)
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT, final=False)
    lab.arrive(GOOD_EXPORT, name="copy.csv")
    lab.arrive("no form\n", name="memo.txt")
    lab.arrive(EXPORT_HEAD + row(4, "W-2", "999") + row(5, "W-8", "3.3.3"), name="edited.csv")
    lab.arrive(EXPORT_HEAD + row(6, "W-1", "640") * 2, name="twice.csv")
    with pytest.raises(ValueError, match="COD-XX"):
        lab.load("bad.csv", SHEET.replace("COD-HR", "COD-XX"))
    assert_agrees(lab, again())


def test_peoples_decisions_agree(lab: Lab, again: Callable[[], Ledger]) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-Z", "333"))
    at_the_bench(lab, place_reading, 4, "R1", 4, reason="typed Z for 2")
    people(lab, "rita", release, "R1", reason="")
    at_the_bench(lab, observe, "R1", 3, ["turbidity=turbid", "chloride=250"])
    people(lab, "rita", choose_reported, 2, reason="the only one")
    at_the_bench(lab, place_reading, 4, "R1", 3, reason="no, it was 1 after all")
    people(lab, "rita", withdraw, "2", reason="moved")
    people(lab, "rita", set_release_policy, mode="automatic", by="rita", reason="validated")
    lab.load("more.csv", SHEET.replace("R1", "R2").replace("W-", "V-").replace("B1", "B2"))
    rows = "".join(GOOD_ROWS).replace("W-", "V-").replace("B1", "B2")
    lab.arrive(EXPORT_HEAD + rows.replace("\n1,", "\n11,"), name="more.csv")
    at_the_bench(lab, observe, "R2", None, ["closed=end of shift"])
    assert_agrees(lab, again())


def test_sheet_order_confirmed_agrees(lab: Lab, again: Callable[[], Ledger]) -> None:
    from tests.ingestd.pipeline.test_decisions import NAMELESS, NAMELESS_FORM, ORDER

    lab.load("nameless.toml", NAMELESS_FORM)
    lab.load("sheet.csv", ORDER)
    lab.arrive(NAMELESS)
    at_the_bench(lab, place_in_order, "R1", reason="left to right")
    assert lab.states()["W-1"] == ("accepted", "1280")
    assert_agrees(lab, again())


def test_changed_inputs_and_replays_agree(lab: Lab, again: Callable[[], Ledger]) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD.replace("Outcome", "Finding") + "".join(GOOD_ROWS))
    import json

    body = lab.one("SELECT body FROM inputs WHERE kind = 'form' AND name = 'point_table'")
    text = str(json.loads(str(body))["text"]).replace('"Outcome"', '"Finding"')
    lab.load("site_table.toml", text)
    failed = find_captures(lab.ledger.conn, state="failed")
    how = {"by": "ada", "clock": lab.clock, "log": lab.pipeline.log}
    replay(lab.ledger, lab.config, failed, reason="mended", **how)
    people(lab, "rita", release, "R1", reason="")
    lab.load("plan.toml", PLAN.replace("to = 10 }", "to = 100 }"))
    lab.load("sheet.csv", SHEET.replace("3,sample,W-1", "5,sample,W-1"))
    lab.load(
        "site_table.toml", text.replace("dilution_applied = false", "dilution_applied = true")
    )
    exports = find_captures(lab.ledger.conn, source="p1")
    replay(lab.ledger, lab.config, exports, reason="multiplied already", **how)
    assert lab.results()["W-1"].proposed is not None
    assert_agrees(lab, again())


def test_ledger_made_again_can_be_made_again(lab: Lab, again: Callable[[], Ledger]) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    people(lab, "rita", release, "R1", reason="")
    first = again()
    second = reenact(first.conn, lab.config, str(lab.folder / "second.db"), log=lab.pipeline.log)
    assert disagreements(first.conn, second.conn) == []
    second.close()


def test_value_that_comes_out_otherwise_is_found(lab: Lab, again: Callable[[], Ledger]) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    ledger = again()
    ledger.conn.execute("DROP TRIGGER journal_never_changes")
    ledger.conn.execute(
        "UPDATE journal SET body = CAST(replace(CAST(body AS TEXT), '1280', '1290') AS BLOB)"
    )
    (found,) = disagreements(lab.ledger.conn, ledger.conn)
    assert "W-1" in found
    assert "1290" in found


def test_archived_bytes_are_asked_for(lab: Lab, again: Callable[[], Ledger]) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    archive_captures(
        lab.ledger, lab.folder / "old.zip", before=lab.clock(), reason="old", at=lab.clock(),
        by="ada",
    )  # fmt: skip
    with pytest.raises(Refused, match=r"old\.zip"):
        again()


def test_demonstrations_day_agrees(tmp_path: Path) -> None:
    import structlog

    from ingestd.config import load_config
    from ingestd.demo.day import run_demo

    said: list[str] = []
    quiet = structlog.wrap_logger(structlog.ReturnLogger(), processors=[])
    assert run_demo(tmp_path / "demo", once=True, echo=said.append, log=quiet) == 0, said
    config = load_config(tmp_path / "demo" / "ingestd.toml")
    old = Ledger.open_readonly(config.ledger.path)
    new = reenact(old.conn, config, str(tmp_path / "again.db"), log=quiet)
    assert disagreements(old.conn, new.conn) == []
    assert new.conn.execute("SELECT count(*) FROM results").fetchone()[0] >= 15
    assert verify_ledger(new.conn, rebuild=True).faults == []
    new.close()
    old.close()


def test_frames_repeated_frames_and_noise_of_a_line_agree(
    make_lab: Callable[..., Lab],
) -> None:
    from tests.ingestd.pipeline.test_lines_to_results import NAMELESS as FRAME_FORM

    extra = (
        '[[source]]\nkind = "line"\nname = "wire"\nport = "/dev/none"\n'
        'form = "bare"\ninstrument = "P1"\n'
    )
    lab = make_lab(name="wired", extra=extra)
    lab.load("bare.toml", FRAME_FORM)
    lab.load("sheet.csv", SHEET)
    sent = (
        (b"W-1 640\r\n", "w-1", True, False),
        (b"W-1 640\r\n", "w-2", True, True),
        (b"W-1 640\r\n", "w-3", True, False),
        (b"\xff\xfe\x00", "w-4", False, False),
        (b"W-2 3x3\r\n", "w-5", True, False),
    )
    for data, name, is_frame, repeated in sent:
        lab.pipeline.arrive_line(
            LineArrival(
                source="wire",
                name=name,
                data=data,
                seen_at=lab.clock(),
                is_frame=is_frame,
                again=repeated,
            )
        )
    ledger = reenact(
        lab.ledger.conn, lab.config, str(lab.folder / "again.db"), log=lab.pipeline.log
    )
    assert_agrees(lab, ledger)
    assert ledger.conn.execute("SELECT count(*) FROM readings").fetchone() == (2,)
    ledger.close()


def test_replay_that_changes_only_a_judgement_agrees(
    lab: Lab, again: Callable[[], Ledger]
) -> None:
    """More tubes than the box held are booked by a later sheet; only the replay sees it."""
    lab.load(
        "box.toml",
        '[[kit_lot]]\nlot = "K1"\nmethod = "COD-HR"\nexpires = 2027-01-01\ndeterminations = 4\n',
    )
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lab.load("more.csv", SHEET.replace("R1", "R2").replace("W-", "V-"))
    versions = lab.one("SELECT count(*) FROM result_versions")
    captures = find_captures(lab.ledger.conn, kinds=("export",))
    replay(
        lab.ledger, lab.config, captures, reason="box", by="ada", clock=lab.clock,
        log=lab.pipeline.log,
    )  # fmt: skip
    assert lab.one("SELECT count(*) FROM result_versions") != versions
    assert_agrees(lab, again())
