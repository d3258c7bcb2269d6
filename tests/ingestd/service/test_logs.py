"""How events are written: levels, repetition, journald."""

import io
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from ingestd import events
from ingestd.service.logs import BURST, WINDOW_S, Calm, is_journal, make_log
from tests.conftest import GOOD_EXPORT, SHEET, Lab, row


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def lines(out: io.StringIO) -> list[dict[str, object]]:
    return [json.loads(line) for line in out.getvalue().splitlines()]


def test_line_is_one_json_object_with_event_level_and_time() -> None:
    out = io.StringIO()
    make_log(out).info(events.CAPTURE_STORED, name="a\nb.csv", bytes=3)
    (said,) = lines(out)
    assert said["event"] == "capture_stored"
    assert (said["level"], said["name"], said["bytes"]) == ("info", "a\nb.csv", 3)
    assert str(said["timestamp"]).endswith("Z")


def test_fault_that_repeats_is_written_a_few_times_then_counted_and_summarised() -> None:
    out, clock = io.StringIO(), Clock()
    calm = Calm(clock)
    log = make_log(out, calm=calm)
    for number in range(1000):
        log.warning(events.CAPTURE_FAILED, capture=number, source="p1", reason="no form fits")
    assert len(lines(out)) == BURST
    calm.summarise(log)
    assert len(lines(out)) == BURST, "its span is not over"
    clock.now += WINDOW_S
    calm.summarise(log)
    last = lines(out)[-1]
    assert last["event"] == events.EVENTS_SUMMARISED
    assert (last["of"], last["source"], last["more"]) == ("capture_failed", "p1", 1000 - BURST)
    log.warning(events.CAPTURE_FAILED, capture=1, source="p1", reason="no form fits")
    assert lines(out)[-1]["event"] == events.CAPTURE_FAILED, "a new span has begun"


def test_other_sources_and_normal_events_are_not_kept_back() -> None:
    out = io.StringIO()
    log = make_log(out, calm=Calm(Clock()))
    for number in range(100):
        log.bind(source="p1").warning(events.FOLDER_LOST)
        log.info(events.CAPTURE_CLOSED, capture=number)
    log.bind(source="p2").warning(events.FOLDER_LOST)
    said = lines(out)
    assert sum(one["event"] == events.CAPTURE_CLOSED for one in said) == 100
    assert said[-1]["source"] == "p2"
    assert len(said) == 100 + BURST + 1


def test_what_was_kept_back_is_told_at_the_end() -> None:
    out = io.StringIO()
    calm = Calm(Clock())
    log = make_log(out, calm=calm)
    for _ in range(BURST + 1):
        log.error(events.DELIVERY_REFUSED, target="postgres")
    calm.summarise(log, everything=True)
    assert lines(out)[-1]["more"] == 1


def test_lines_for_journald_begin_with_their_priority(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Source: sd-daemon(3), SD_WARNING "<4>"; RFC 5424, 6.2.1: 6 info, 4 warning, 3 error.
    path = tmp_path / "journal"
    with path.open("w") as out:
        status = os.fstat(out.fileno())
        monkeypatch.setenv("JOURNAL_STREAM", f"{status.st_dev}:{status.st_ino}")
        assert is_journal(out)
        log = make_log(out)
        log.info(events.SERVICE_STARTED)
        log.warning(events.LINE_LOST)
        log.error(events.LEDGER_FULL)
    said = path.read_text().splitlines()
    assert [line[:3] for line in said] == ["<6>", "<4>", "<3>"]
    assert [json.loads(line[3:])["level"] for line in said] == ["info", "warning", "error"]


def test_other_streams_are_not_taken_for_the_journal(tmp_path: Path) -> None:
    with (tmp_path / "log").open("w") as out:
        assert not is_journal(out, {})
        assert not is_journal(out, {"JOURNAL_STREAM": "1:2"})
    assert not is_journal(io.StringIO(), {"JOURNAL_STREAM": "1:2"})


CLOSING = (events.CAPTURE_CLOSED, events.CAPTURE_FAILED, events.CAPTURE_READ_SO_FAR)


def test_every_capture_has_one_closing_event(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT, name="good.csv")
    lab.arrive("no form knows this\n", name="memo.txt")
    lab.arrive(GOOD_EXPORT.splitlines()[0].replace("Bottle", "Flask") + "\n", name="odd.csv")
    lab.arrive(GOOD_EXPORT + row(5, "W-3", "not a number"), name="part.csv")
    stored = [one["capture"] for one in lab.events if one["event"] == events.CAPTURE_STORED]
    closing = [one["capture"] for one in lab.events if one["event"] in CLOSING]
    assert len(stored) == 4
    assert sorted(map(str, closing)) == sorted(map(str, stored))


@pytest.mark.parametrize("spoil", [lambda text: text, lambda text: text.replace("333", "3x3")])
def test_no_event_tells_what_stands_in_a_capture(lab: Lab, spoil: Callable[[str], str]) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(spoil(GOOD_EXPORT), name="day.csv")
    lab.arrive("Secret patient W-77;1;2\n", name="memo.txt")
    told = json.dumps(lab.events)
    for content in ("W-1", "W-2", "640", "3x3", "W-77", "patient"):
        assert content not in told, content
