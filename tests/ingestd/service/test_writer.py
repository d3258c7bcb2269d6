"""The one thread that writes: answers, errors, and an end that leaves nobody waiting."""

import threading
from collections.abc import Callable
from typing import NoReturn

import pytest

from ingestd.errors import CommitUnknown, StoreFull
from ingestd.ledger.store import Ledger
from ingestd.pipeline.pipeline import Pipeline
from ingestd.service.writer import Writer
from tests.conftest import Lab

DEADLINE_S = 10.0


@pytest.fixture
def failures() -> list[BaseException]:
    return []


@pytest.fixture
def writer(lab: Lab, failures: list[BaseException]) -> Writer:
    def open_pipeline() -> Pipeline:
        ledger = Ledger.open(lab.config.ledger.path)
        return Pipeline(ledger, lab.config, clock=lab.clock, log=lab.pipeline.log)

    writer = Writer(open_pipeline, failures.append)
    writer.start()
    return writer


def raising(error: BaseException) -> Callable[[Pipeline], NoReturn]:
    def job(_pipeline: Pipeline) -> NoReturn:
        raise error

    return job


def test_job_runs_on_the_writers_thread_and_its_answer_comes_back(writer: Writer) -> None:
    assert writer.ask(lambda _: threading.current_thread().name) == "writer"
    writer.stop()
    assert not writer.is_alive


def test_error_that_may_pass_goes_to_who_asked_and_the_writer_goes_on(
    writer: Writer, failures: list[BaseException]
) -> None:
    with pytest.raises(StoreFull):
        writer.ask(raising(StoreFull("ledger", "no room")))
    assert writer.ask(lambda _: 7) == 7
    writer.stop()
    assert failures == []


@pytest.mark.parametrize("error", [CommitUnknown("ledger", "fsync"), KeyError("a bug")])
def test_error_that_means_stop_ends_the_writer_and_is_handed_over(
    writer: Writer, failures: list[BaseException], error: Exception
) -> None:
    with pytest.raises(type(error)):
        writer.ask(raising(error))
    writer.stop()
    assert failures == [error]
    assert not writer.is_alive


def test_nobody_waits_for_a_writer_that_has_stopped(writer: Writer) -> None:
    with pytest.raises(CommitUnknown):
        writer.ask(raising(CommitUnknown("ledger", "fsync")))
    outcome: list[BaseException] = []

    def ask() -> None:
        try:
            writer.ask(lambda _: None)
        except RuntimeError as error:
            outcome.append(error)

    late = [threading.Thread(target=ask, daemon=True) for _ in range(8)]
    for thread in late:
        thread.start()
    for thread in late:
        thread.join(DEADLINE_S)
    assert len(outcome) == 8


def test_jobs_asked_for_before_the_stop_are_finished(writer: Writer) -> None:
    started, go_on = threading.Event(), threading.Event()
    answers: list[int] = []

    def slow(_pipeline: Pipeline) -> int:
        started.set()
        assert go_on.wait(DEADLINE_S)
        return 1

    first = threading.Thread(target=lambda: answers.append(writer.ask(slow)))
    first.start()
    assert started.wait(DEADLINE_S)
    stopping = threading.Thread(target=writer.stop)
    stopping.start()
    go_on.set()
    stopping.join(DEADLINE_S)
    first.join(DEADLINE_S)
    assert answers == [1]
    assert not writer.is_alive


def test_ledger_that_cannot_be_opened_is_said_at_the_start(
    lab: Lab, failures: list[BaseException]
) -> None:
    def open_pipeline() -> Pipeline:
        raise StoreFull("ledger", "no room")

    writer = Writer(open_pipeline, failures.append)
    with pytest.raises(StoreFull):
        writer.start()
    with pytest.raises(RuntimeError, match="stopped"):
        writer.ask(lambda _: 1)
