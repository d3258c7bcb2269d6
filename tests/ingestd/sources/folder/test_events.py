"""Events lost, refused and given out of order: the scan covers for them all."""

import ctypes
import errno
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from watchdog.observers import inotify_c

from ingestd import events
from ingestd.sources.folder.events import FolderEvents, Hint
from tests.ingestd.sources.watched import Watched

HOUR = 3600.0
Watch = Callable[..., Watched]


def test_overflow_of_the_kernels_queue_is_answered_by_a_scan(folder: Path, watch: Watch) -> None:
    watched = watch(scan_s=HOUR)
    # The command runs inside a call that does not let other threads of this process run, so
    # events pile up unread; the kernel's queue holds 16,384 by default (inotify(7)).
    limit = int(Path("/proc/sys/fs/inotify/max_queued_events").read_text("ascii"))
    command = (
        f"cd '{folder}'; i=0; while [ $i -lt {limit // 4 + 50} ]; do "
        "echo >>a.csv; echo >>b.csv; i=$((i+1)); done; echo row >last.csv"
    )
    assert ctypes.PyDLL(None).system(command.encode()) == 0
    watched.until(lambda: events.FOLDER_EVENTS_DROPPED in watched.events())
    watched.until_names("a.csv", "b.csv", "last.csv")
    watched.until_quiet()
    for name in ("a.csv", "b.csv", "last.csv"):
        assert watched.texts(name)[-1] == (folder / name).read_text()


def refusal(number: int) -> Callable[..., int]:
    def refuse(*_: object) -> int:
        ctypes.set_errno(number)
        return -1

    return refuse


@pytest.mark.parametrize(
    ("call", "number"),
    [
        ("inotify_init", errno.EMFILE),
        ("inotify_add_watch", errno.ENOSPC),
        ("inotify_add_watch", errno.EACCES),
    ],
)
def test_where_the_system_refuses_events_scans_do_the_work(
    folder: Path,
    watch: Watch,
    monkeypatch: pytest.MonkeyPatch,
    call: str,
    number: int,
) -> None:
    monkeypatch.setattr(inotify_c, call, refusal(number))
    watched = watch()
    (folder / "a.csv").write_bytes(b"row\n")
    watched.until_names("a.csv")
    status = watched.source.status()
    assert (status.state, status.backend) == ("ok", "polling")
    assert status.detail
    assert watched.events().count(events.FOLDER_EVENTS_REFUSED) == 1
    # When the limit is raised, events come back by themselves.
    monkeypatch.undo()
    watched.until(lambda: watched.source.status().backend == "native")
    assert watched.source.status().detail == ""


def test_event_thread_that_died_is_replaced(folder: Path, watch: Watch) -> None:
    watched = watch(settle_s=HOUR)
    events = watched.source._events
    assert events is not None
    events._inotify.stop()
    watched.until(lambda: watched.source._events not in (None, events))
    (folder / "a.csv").write_bytes(b"row\n")
    watched.until_names("a.csv")


def test_renamed_folder_gives_each_event_once_and_under_its_new_name(folder: Path) -> None:
    hints: list[tuple[bytes, Hint]] = []
    closed = threading.Event()

    def note(name: bytes, hint: Hint) -> None:
        hints.append((name, hint))
        if hint is Hint.CLOSED:
            closed.set()

    events = FolderEvents(folder, hint=note, scan=lambda _: None)
    try:
        (folder / "day 1").mkdir()
        events.cover(b"day 1", (folder / "day 1").stat())
        (folder / "day 1").rename(folder / "day 2")
        events.cover(b"day 2", (folder / "day 2").stat())
        events.keep_only({b"day 2"})
        (folder / "day 2" / "a.csv").write_bytes(b"row\n")
        assert closed.wait(20)
    finally:
        events.stop()
    # Created, written, closed.
    assert [hint for name, hint in hints if name == b"day 2/a.csv"] == [
        Hint.CHANGED,
        Hint.CHANGED,
        Hint.CLOSED,
    ]
    assert len(hints) == 3
