"""Datagrams to the service manager."""

import os
import time
from pathlib import Path

import pytest

from ingestd.service.systemd import notify, reloading_words, status_word, watchdog_interval_s
from tests.ingestd.service.service_manager import environment, managed


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_words_arrive_in_one_datagram(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = str(tmp_path / "notify") if kind == "path" else f"@ingestd-test-{os.getpid()}"
    environment(monkeypatch, address)
    with managed(address) as manager:
        notify("READY=1", status_word("two\nlines"))
        manager.listen()
    assert [datagram for _, datagram in manager.heard] == [["READY=1", "STATUS=two lines"]]


def test_without_a_manager_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    notify("READY=1")


def test_manager_that_is_gone_is_no_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    environment(monkeypatch, str(tmp_path / "nobody"))
    notify("READY=1")


def test_manager_that_takes_nothing_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = str(tmp_path / "notify")
    environment(monkeypatch, address)
    with managed(address) as manager:
        begun = time.monotonic()
        for _ in range(5000):
            notify("WATCHDOG=1")
        assert time.monotonic() - begun < 5
        assert 0 < manager.count("WATCHDOG=1") < 5000, "its queue was never full"


def test_reloading_is_said_with_the_monotonic_time_in_microseconds() -> None:
    # Source: sd_notify(3), MONOTONIC_USEC: CLOCK_MONOTONIC in microseconds.
    word, stamp = reloading_words()
    key, _, value = stamp.partition("=")
    assert (word, key) == ("RELOADING=1", "MONOTONIC_USEC")
    assert abs(int(value) - time.monotonic_ns() // 1000) < 1_000_000


def test_ping_is_due_at_half_of_what_is_allowed(monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: sd_watchdog_enabled(3): "send a notification every half of the time returned".
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    monkeypatch.setenv("WATCHDOG_USEC", "90000000")
    assert watchdog_interval_s() == 45
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid() + 1))
    assert watchdog_interval_s() is None, "another process is asked"
    monkeypatch.delenv("WATCHDOG_USEC")
    assert watchdog_interval_s() is None
