"""The courier alone: how long it waits, what it says, when it ends."""

import threading
from collections.abc import Callable
from typing import Any

import pytest
import structlog

from ingestd.config import Config
from ingestd.delivery.targets import Progress
from ingestd.delivery.worker import DeliveryWorker, Waits, make_couriers
from ingestd.errors import (
    CommitUnknown,
    IngestError,
    StoreFull,
    TargetRejected,
    TargetUnavailable,
)
from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Ledger
from tests.conftest import Lab
from tests.ingestd.delivery.server import wait_until


def test_waits_double_up_to_the_longest_and_begin_anew() -> None:
    waits = Waits(1.0, 300.0, chance=lambda: 1.0)
    assert [waits.next_s() for _ in range(11)] == [1, 2, 4, 8, 16, 32, 64, 128, 256, 300, 300]
    waits.reset()
    assert waits.next_s() == 1


def test_waits_are_spread_over_the_whole_span_but_never_nothing() -> None:
    chances = iter([0.0, 0.5, 0.25])
    waits = Waits(1.0, 300.0, chance=lambda: next(chances))
    assert [waits.next_s() for _ in range(3)] == [0.1, 1.0, 1.0]


def test_waits_stay_finite_after_years_of_failures() -> None:
    waits = Waits(1.0, 300.0, chance=lambda: 1.0)
    assert {waits.next_s() for _ in range(5_000)} <= {float(2**n) for n in range(9)} | {300.0}


class Scripted:
    """A target that answers as told, then has nothing more to do."""

    name = "postgres"

    def __init__(self, *answers: Progress | BaseException) -> None:
        self.answers = list(answers)
        self.steps = 0
        self.is_closed = False
        self.idle = threading.Event()
        self.is_interrupted = threading.Event()

    def step(self, ledger: Connection) -> Progress:  # noqa: ARG002 - as the protocol has it
        self.steps += 1
        if not self.answers:
            self.idle.set()
            return Progress()
        answer = self.answers.pop(0)
        if isinstance(answer, BaseException):
            raise answer
        return answer

    def retry(self, ledger: Connection) -> Progress:  # noqa: ARG002 - as the protocol has it
        return Progress()

    def interrupt(self) -> None:
        self.is_interrupted.set()

    def close(self) -> None:
        self.is_closed = True


@pytest.fixture
def send(
    lab: Lab,
) -> Callable[..., tuple[DeliveryWorker, list[dict[str, Any]], list[BaseException]]]:
    """Start a courier on a target; returns it, its log and its failures."""

    def start(
        target: Any, apply: Callable[[Callable[[Ledger], None]], None] | None = None
    ) -> tuple[DeliveryWorker, list[dict[str, Any]], list[BaseException]]:
        noted: list[dict[str, Any]] = []

        def note(_logger: object, _level: str, event: Any) -> str:
            noted.append(dict(event))
            raise structlog.DropEvent

        def own(job: Callable[[Ledger], None]) -> None:
            ledger = Ledger.open(lab.config.ledger.path)
            try:
                job(ledger)
            finally:
                ledger.close()

        failures: list[BaseException] = []
        worker = DeliveryWorker(
            target,
            ledger=lab.config.ledger.path,
            apply=apply or own,
            fail=failures.append,
            log=structlog.wrap_logger(None, processors=[note]),
            clock=lab.clock,
            idle_s=0.01,
            waits=Waits(0.02, 0.05, chance=lambda: 1.0),
        )
        worker.start()
        return worker, noted, failures

    return start


Send = Callable[..., tuple[DeliveryWorker, list[dict[str, Any]], list[BaseException]]]


def names(noted: list[dict[str, Any]]) -> list[str]:
    return [one["event"] for one in noted]


def test_trouble_is_logged_once_and_kept_where_status_sees_it(lab: Lab, send: Send) -> None:
    away = TargetUnavailable("central database", "nobody answers")
    target = Scripted(away, away, away, Progress(entries=3, rows=5, more=True))
    worker, noted, failures = send(target)
    assert target.idle.wait(10)
    worker.stop()
    worker.join()
    assert names(noted) == ["delivery_deferred", "delivery_went_on", "batch_delivered"]
    assert noted[0]["problem"] == "central database: nobody answers"
    assert noted[0]["again_in_s"] == 0.02
    status = worker.status()
    assert (status.state, status.problem) == ("working", "")
    assert failures == []
    assert target.is_closed


def test_refusal_is_an_error_for_a_person(lab: Lab, send: Send) -> None:
    gate = threading.Event()

    class Refusing(Scripted):
        def step(self, ledger: Connection) -> Progress:  # noqa: ARG002 - as the protocol has it
            gate.set()
            raise TargetRejected("central database", "password refused")

    worker, noted, _ = send(Refusing())
    assert gate.wait(10)
    wait_until(lambda: worker.status().state == "refused")
    worker.stop()
    worker.join()
    assert names(noted) == ["delivery_refused"]
    assert worker.status().problem == "central database: password refused"


def test_rows_set_aside_are_logged_one_by_one(lab: Lab, send: Send) -> None:
    target = Scripted(Progress(entries=3, rows=5, refused={17: "too long"}))
    worker, noted, _ = send(target)
    assert target.idle.wait(10)
    worker.stop()
    worker.join()
    assert {"event": "delivery_set_aside", "target": "postgres", "entry": 17,
            "problem": "too long"} in noted  # fmt: skip


def test_full_ledger_is_waited_out(lab: Lab, send: Send) -> None:
    target = Scripted(StoreFull("ledger", "no room"), Progress(entries=1))
    worker, _, failures = send(target)
    assert target.idle.wait(10)
    worker.stop()
    worker.join()
    assert failures == []


def test_note_that_cannot_be_written_does_not_end_delivery(lab: Lab, send: Send) -> None:
    def full(_job: Callable[[Ledger], None]) -> None:
        raise StoreFull("ledger", "no room")

    target = Scripted(TargetUnavailable("x", "away"), Progress(entries=1))
    worker, _, failures = send(target, full)
    assert target.idle.wait(10)
    worker.stop()
    worker.join()
    assert failures == []


@pytest.mark.parametrize(
    "error", [CommitUnknown("ledger", "a sync failed"), RuntimeError("a bug of ours")]
)
def test_what_means_stop_is_handed_on(lab: Lab, send: Send, error: BaseException) -> None:
    worker, _, failures = send(Scripted(error))
    worker.join(10)
    assert not worker.is_alive
    assert failures == [error]


def test_stop_does_not_wait_for_the_next_try(lab: Lab, send: Send) -> None:
    target = Scripted()
    worker, _, _ = send(target)
    assert target.idle.wait(10)
    worker.stop()
    worker.join(5)
    assert not worker.is_alive
    assert not target.is_interrupted.is_set()


def test_step_that_does_not_end_is_interrupted(lab: Lab, send: Send) -> None:
    began = threading.Event()

    class Hanging(Scripted):
        def step(self, ledger: Connection) -> Progress:  # noqa: ARG002 - as the protocol has it
            began.set()
            assert self.is_interrupted.wait(10)
            raise TargetUnavailable("x", "cut")

    target = Hanging()
    worker, _, failures = send(target)
    assert began.wait(10)
    worker.stop()
    worker.join(0.05)
    assert target.is_interrupted.is_set()
    assert not worker.is_alive
    assert failures == []


def test_no_target_means_no_courier(lab: Lab) -> None:
    workers = make_couriers(
        lab.config, apply=lambda _job: None, fail=lambda _error: None, log=None, clock=lab.clock
    )
    assert workers == []


def test_errors_of_targets_say_what_the_service_does() -> None:
    assert TargetUnavailable.disposition == "retry"
    assert TargetRejected.disposition == "hold"
    assert issubclass(TargetUnavailable, IngestError)


def test_configured_targets_get_a_courier_each(lab: Lab) -> None:
    delivery = {"postgres": {"conninfo": "host=x"}, "files": {"folder": str(lab.folder)}}
    config = Config.model_validate({**lab.config.model_dump(), "delivery": delivery})
    workers = make_couriers(
        config,
        apply=lambda _job: None,
        fail=lambda _error: None,
        log=structlog.wrap_logger(None),
        clock=lab.clock,
    )
    assert [worker.target.name for worker in workers] == ["postgres", "files"]
