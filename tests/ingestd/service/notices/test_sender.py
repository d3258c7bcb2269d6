"""Who is told of what, when, and that it is once."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from ingestd import events
from ingestd.audit.verify import verify_ledger
from ingestd.config.operation import NoticesSection
from ingestd.ledger.connection import Connection
from ingestd.ledger.notices import mark_telling, unsure_matters
from ingestd.service.notices.channel import MaybeTaken, NotTaken
from ingestd.service.notices.letter import Letter
from ingestd.service.notices.matters import find_matters
from ingestd.service.notices.sender import FORGET, NoticeSender, is_quiet
from ingestd.service.status import standing
from tests.conftest import EXPORT_HEAD, GOOD_ROWS, SHEET, Lab, row

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


class Box:
    """A way that keeps what it is given, or fails as it is told."""

    def __init__(self, name: str = "mail") -> None:
        self.name = name
        self.got: list[Letter] = []
        self.tried: list[Letter] = []
        self.error: Exception | None = None

    def send(self, letter: Letter) -> None:
        self.tried.append(letter)
        if self.error is not None:
            raise self.error
        self.got.append(letter)

    @property
    def keys(self) -> list[str]:
        return [key for letter in self.got for key in letter.matters]


class Invocation:
    """A postman at a laboratory whose clock stands where it is put."""

    def __init__(self, lab: Lab, boxes: list[Box], notices: dict[str, Any]) -> None:
        self.lab = lab
        self.now = NOON
        self.own: list[tuple[str, str]] = []
        self.boxes = boxes
        section = NoticesSection.model_validate({"every_minutes": 1e-9, **notices})
        self.config = lab.config.model_copy(update={"notices": section})
        self.notice_sender = self.make()

    def make(self) -> NoticeSender:
        return NoticeSender(
            self.config,
            apply=self.apply,
            own=lambda: self.own,
            clock=lambda: self.now,
            log=self.lab.pipeline.log,
            channels=self.boxes,
            look_s=0.01,
            gather_s=0.0,
        )

    def apply(self, job: Callable[[Connection], None]) -> None:
        with self.lab.ledger.change(at=self.now, by="ingestd") as change:
            job(change.conn)

    def look(self) -> None:
        self.notice_sender.look(self.lab.ledger.conn)


@pytest.fixture
def box() -> Box:
    return Box()


@pytest.fixture
def make_desk(lab: Lab, box: Box) -> Callable[..., Invocation]:
    return lambda *boxes, **notices: Invocation(lab, [box, *boxes], notices)


def fail_one(lab: Lab, name: str = "memo.txt", text: str = "no form knows this\n") -> None:
    lab.arrive(text, name=name)


def test_everything_that_waits_is_told_in_one_notice(
    lab: Lab, box: Box, make_desk: Callable[..., Invocation]
) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-Z", "3"))
    fail_one(lab)
    invocation = make_desk()
    invocation.own = [("full", "no room")]
    invocation.look()
    (letter,) = box.got
    kinds = [key.partition(":")[0] for key in letter.matters]
    assert kinds == ["full", "capture", "reading"]
    assert "W-Z" not in letter.text, "samples are not named"


def test_matter_is_told_once_however_often_one_looks(
    lab: Lab, box: Box, make_desk: Callable[..., Invocation]
) -> None:
    fail_one(lab)
    invocation = make_desk()
    for _ in range(5):
        invocation.look()
    fail_one(lab, "other.txt", "nor this\n")
    invocation.look()
    assert len(box.got) == 2
    assert len(set(box.keys)) == len(box.keys) == 2


def test_matter_is_not_told_again_after_a_restart(
    lab: Lab, box: Box, make_desk: Callable[..., Invocation]
) -> None:
    fail_one(lab)
    invocation = make_desk()
    invocation.look()
    invocation.notice_sender = invocation.make()
    invocation.look()
    assert len(box.got) == 1


def test_each_way_is_told_for_itself(
    lab: Lab, box: Box, make_desk: Callable[..., Invocation]
) -> None:
    fail_one(lab)
    other = Box("webhook")
    box.error = NotTaken("451")
    invocation = make_desk(other)
    invocation.look()
    invocation.look()
    assert (len(box.got), len(other.got)) == (0, 1)


def test_nobody_is_told_in_quiet_hours_and_what_mends_itself_never(
    lab: Lab, box: Box, make_desk: Callable[..., Invocation]
) -> None:
    invocation = make_desk(quiet_hours="20:00-06:00")
    invocation.now = NOON + timedelta(hours=10)  # 22:00
    invocation.own = [("full", "no room"), ("unsigned", "no witness")]
    invocation.look()
    invocation.own = [("unsigned", "no witness")]
    invocation.now = NOON + timedelta(hours=17, minutes=59)  # 05:59
    invocation.look()
    assert box.got == []
    invocation.now = NOON + timedelta(hours=18)  # 06:00
    invocation.look()
    assert box.keys == ["unsigned"]


@pytest.mark.parametrize(
    ("span", "hour", "quiet"),
    [
        ("20:00-06:00", 19, False), ("20:00-06:00", 20, True), ("20:00-06:00", 3, True),
        ("20:00-06:00", 6, False), ("12:00-13:00", 12, True), ("12:00-13:00", 13, False),
        ("", 3, False),
    ],
)  # fmt: skip
def test_quiet_hours_are_local_and_may_span_midnight(
    span: str,
    hour: int,
    quiet: bool,  # noqa: FBT001 - a column of the table
) -> None:
    at = datetime(2026, 1, 10, hour, 0, tzinfo=UTC)
    assert is_quiet(NoticesSection(quiet_hours=span), "Etc/UTC", at) is quiet
    # Five hours west, all year (IANA zone Etc/GMT+5).
    west = at + timedelta(hours=5)
    assert is_quiet(NoticesSection(quiet_hours=span), "Etc/GMT+5", west) is quiet


def test_matter_that_comes_back_soon_is_the_same_and_later_a_new_one(
    box: Box, make_desk: Callable[..., Invocation]
) -> None:
    invocation = make_desk()
    there: list[tuple[str, str]] = [("source:p1", "lost")]
    for minutes, own, told in (
        (0, there, 1), (5, [], 1), (10, there, 1), (15, [], 1), (20, [], 1),
        (15 + FORGET.total_seconds() / 60 + 1, [], 1), (60, there, 2),
    ):  # fmt: skip
        invocation.now = NOON + timedelta(minutes=minutes)
        invocation.own = own
        invocation.look()
        assert len(box.got) == told, minutes


def test_notices_keep_their_distance_and_gather(
    lab: Lab, box: Box, make_desk: Callable[..., Invocation]
) -> None:
    invocation = make_desk(every_minutes=10)
    for number in range(5):
        fail_one(lab, f"memo {number}.txt", f"memo {number}\n")
        invocation.look()
    assert len(box.got) == 1
    assert len(box.keys) == 1


def test_notice_that_is_not_taken_is_tried_again_as_it_is(
    lab: Lab, box: Box, make_desk: Callable[..., Invocation]
) -> None:
    fail_one(lab)
    invocation = make_desk()
    box.error = NotTaken("451 later")
    invocation.look()
    invocation.look()
    assert len(box.tried) == 1, "not before its time"
    (one,) = invocation.notice_sender._rounds
    one.earliest = 0.0
    fail_one(lab, "other.txt", "nor this\n")
    box.error = None
    invocation.look()
    assert [letter.ident for letter in box.tried] == [box.tried[0].ident] * 2
    one.earliest = 0.0
    invocation.look()
    assert len(set(box.keys)) == len(box.keys) == 2
    deferred = [e for e in lab.events if e["event"] == events.NOTICE_DEFERRED]
    assert len(deferred) == 1


def test_notice_kept_for_a_matter_that_is_gone_is_never_sent(
    box: Box, make_desk: Callable[..., Invocation]
) -> None:
    invocation = make_desk()
    invocation.own = [("full", "no room")]
    box.error = NotTaken("451")
    invocation.look()
    invocation.own, box.error = [], None
    invocation.notice_sender._rounds[0].earliest = 0.0
    invocation.look()
    assert box.got == []


def test_notice_of_which_nobody_knows_is_not_sent_again(
    lab: Lab, box: Box, make_desk: Callable[..., Invocation]
) -> None:
    fail_one(lab)
    invocation = make_desk()
    box.error = MaybeTaken("connection lost")
    invocation.look()
    box.error = None
    invocation.notice_sender._rounds[0].earliest = 0.0
    invocation.look()
    assert len(box.tried) == 1
    assert any(e["event"] == events.NOTICE_UNCERTAIN for e in lab.events)


def test_crash_between_mark_and_answer_tells_no_second_time_and_is_logged(
    lab: Lab, box: Box, make_desk: Callable[..., Invocation]
) -> None:
    fail_one(lab)
    invocation = make_desk()
    key = find_matters(
        lab.ledger.conn, standing(lab.ledger.conn, lab.config, now=NOON), (), held_results=True
    )[0].key
    invocation.apply(lambda conn: mark_telling(conn, "mail", [key], NOON))
    invocation.notice_sender._tell_unsure(lab.ledger.conn)
    invocation.look()
    assert box.got == []
    assert [e["first"] for e in lab.events if e["event"] == events.NOTICE_UNCERTAIN] == [key]
    assert unsure_matters(lab.ledger.conn, "mail") == []


def test_held_results_are_told_unless_the_configuration_says_otherwise(
    lab: Lab, box: Box, make_desk: Callable[..., Invocation]
) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-2", "high"))
    assert lab.results()["W-2"].state == "held"
    make_desk(held_results=False).look()
    assert box.got == []
    make_desk().look()
    assert [key.partition(":")[0] for key in box.keys] == ["held"]


def test_marks_of_notices_are_no_part_of_the_record(
    lab: Lab, make_desk: Callable[..., Invocation]
) -> None:
    fail_one(lab)
    make_desk().look()
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []
