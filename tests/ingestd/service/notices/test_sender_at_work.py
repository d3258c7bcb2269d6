"""The postman on his own thread: starts, looks, survives what fails, ends when asked."""

import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingestd import events
from ingestd.config.operation import HookChannel, MailChannel, NoticesSection
from ingestd.ledger.connection import Connection
from ingestd.ledger.notices import mark_telling
from ingestd.service.notices.channels import Hook, Mail
from ingestd.service.notices.letter import Letter
from ingestd.service.notices.sender import NoticeSender, make_channels
from tests.conftest import Lab
from tests.ingestd.service.service_process import wait_until


class Box:
    """A way that keeps what it is given."""

    name = "mail"

    def __init__(self) -> None:
        self.got: list[Letter] = []

    def send(self, letter: Letter) -> None:
        self.got.append(letter)


class Round:
    """A postman at work beside the laboratory's ledger, and what may go wrong for him."""

    def __init__(self, lab: Lab) -> None:
        self.lab = lab
        self.box = Box()
        self.error: Exception | None = None
        self.looks = 0
        self.turn = threading.Lock()
        section = NoticesSection.model_validate({"every_minutes": 1e-9})
        self.notice_sender = NoticeSender(
            lab.config.model_copy(update={"notices": section}),
            apply=self.apply,
            own=self.own,
            clock=lab.clock,
            log=lab.pipeline.log,
            channels=[self.box],
            look_s=0.01,
            gather_s=0.0,
        )

    def own(self) -> list[tuple[str, str]]:
        self.looks += 1
        if self.error is not None:
            raise self.error
        return []

    def apply(self, job: Callable[[Connection], None]) -> None:
        """As the writer does: on a thread that has the ledger's only writing connection."""
        with self.turn, self.lab.ledger.change(at=self.lab.clock(), by="ingestd") as change:
            job(change.conn)

    def told(self, event: str) -> list[dict[str, object]]:
        return [one for one in self.lab.events if one["event"] == event]


@pytest.fixture
def at_work(lab: Lab) -> Iterator[Round]:
    work = Round(lab)
    yield work
    work.notice_sender.stop()
    work.notice_sender.join()


def test_what_waits_is_told_by_his_own_thread_once(at_work: Round) -> None:
    at_work.lab.arrive("no form knows this\n", name="memo.txt")
    assert at_work.notice_sender.has_work
    at_work.notice_sender.start()
    wait_until(lambda: at_work.looks > 5, "he looked several times")
    assert [len(letter.matters) for letter in at_work.box.got] == [1]
    assert len(at_work.told(events.NOTICE_SENT)) == 1


def test_notice_under_way_at_the_last_end_is_said_to_be_uncertain_and_not_sent(
    at_work: Round,
) -> None:
    at_work.lab.arrive("no form knows this\n", name="memo.txt")
    failed = at_work.lab.one("SELECT capture FROM capture_states WHERE state = 'failed'")
    at_work.apply(lambda conn: mark_telling(conn, "mail", [f"capture:{failed}"], at_work.lab.now))
    at_work.notice_sender.start()
    wait_until(lambda: at_work.looks > 2, "he looked again")
    (uncertain,) = at_work.told(events.NOTICE_UNCERTAIN)
    assert (uncertain["matters"], uncertain["first"]) == (1, f"capture:{failed}")
    assert at_work.box.got == []


@pytest.mark.parametrize(
    "error", [RuntimeError("the writer has stopped"), ZeroDivisionError("a bug")], ids=repr
)
def test_look_that_fails_is_logged_and_the_next_one_tells(
    at_work: Round, error: Exception
) -> None:
    at_work.lab.arrive("no form knows this\n", name="memo.txt")
    at_work.error = error
    at_work.notice_sender.start()
    wait_until(lambda: at_work.looks > 1, "he looked again")
    deferred = at_work.told(events.NOTICE_DEFERRED)
    assert str(error) in str(deferred[0]["problem"])
    at_work.error = None
    wait_until(lambda: bool(at_work.box.got), "he told it after all")


def test_ledger_that_is_not_there_yet_is_waited_for(at_work: Round) -> None:
    path = Path(at_work.lab.config.ledger.path)
    away = path.with_name("away.db")
    path.rename(away)
    at_work.notice_sender.start()
    wait_until(lambda: bool(at_work.told(events.NOTICE_DEFERRED)), "he said what is missing")
    away.rename(path)
    wait_until(lambda: at_work.looks > 0, "he looked once it was there")


def test_postman_asked_to_end_before_he_began_ends_at_once(at_work: Round) -> None:
    at_work.notice_sender.stop()
    at_work.notice_sender.join()
    assert at_work.looks == 0


def test_ways_are_those_of_the_configuration(lab: Lab) -> None:
    mail = MailChannel(host="h", sender="a@b", to=("c@d",))
    hook = HookChannel(url="https://h/x", secret_file=Path("s"))

    def ways(**sections: Any) -> list[type]:
        return [type(way) for way in make_channels(NoticesSection(**sections), now=lab.clock)]

    assert ways() == []
    assert ways(mail=mail) == [Mail]
    assert ways(webhook=hook) == [Hook]
    assert ways(mail=mail, webhook=hook) == [Mail, Hook]
    assert not NoticeSender(
        lab.config, apply=lambda _: None, own=list, clock=lab.clock, log=None
    ).has_work
