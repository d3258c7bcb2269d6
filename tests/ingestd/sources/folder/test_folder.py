"""A watched folder: whatever writers, systems and takers do, every version arrives.

Tests that must be answered by an event alone set the scan and the settling time to an hour, so
that nothing else could have brought the file in time.
"""

import hashlib
import mmap
import os
import shutil
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingestd import events
from ingestd.sources.arrivals import Arrival
from ingestd.sources.folder import folder as folder_module
from ingestd.sources.folder.events import Hint
from tests.ingestd.sources.watched import Watched

HOUR = 3600.0
Watch = Callable[..., Watched]


def numbered(count: int) -> list[str]:
    return sorted(f"{number}.csv" for number in range(count))


# --- how writers write ---------------------------------------------------------------------------


def test_closed_file_arrives_at_once_and_not_as_final(folder: Path, watch: Watch) -> None:
    watched = watch(settle_s=HOUR, scan_s=HOUR)
    (folder / "a.csv").write_bytes(b"row 1\n")
    watched.until_names("a.csv")
    (arrival,) = watched.arrivals
    assert arrival.source == "bench 3"
    assert arrival.data == b"row 1\n"
    assert arrival.sha256 == hashlib.sha256(b"row 1\n").hexdigest()
    assert arrival.size == 6
    assert not arrival.final
    assert arrival.oversize is None
    assert arrival.continues is None
    assert abs(arrival.seen_at - datetime.now(UTC)).total_seconds() < 60


def test_file_renamed_into_place_arrives_once_under_its_last_name(
    folder: Path, watch: Watch
) -> None:
    watched = watch(settle_s=HOUR, scan_s=HOUR)
    (folder / "a.csv.part").write_bytes(b"row 1\n")
    (folder / "a.csv.part").rename(folder / "a.csv")
    watched.until_names("a.csv")
    watched.until_quiet()
    assert watched.names() == ["a.csv"]


def test_file_moved_in_from_elsewhere_arrives(folder: Path, tmp_path: Path, watch: Watch) -> None:
    watched = watch(settle_s=HOUR, scan_s=HOUR)
    (tmp_path / "a.csv").write_bytes(b"row 1\n")
    (tmp_path / "a.csv").rename(folder / "a.csv")
    watched.until_names("a.csv")


def test_files_moved_out_do_not_delay_others(folder: Path, tmp_path: Path, watch: Watch) -> None:
    watched = watch(settle_s=HOUR, scan_s=HOUR)
    for number in range(20):
        (folder / f"{number}.csv").write_bytes(b"row\n")
        watched.until_names(f"{number}.csv")
        (folder / f"{number}.csv").rename(tmp_path / f"{number}.csv")
    seen = [arrival.seen_at for arrival in watched.arrivals]
    assert (seen[-1] - seen[0]).total_seconds() < 5


def test_unfinished_file_is_delivered_again_as_final(folder: Path, watch: Watch) -> None:
    watched = watch(answer=lambda _: False, scan_s=HOUR)
    (folder / "a.csv").write_bytes(b"row 1\nro")
    watched.until(lambda: len(watched.arrivals) == 2)
    watched.until_quiet()
    first, second = watched.arrivals
    assert [first.final, second.final] == [False, True]
    assert second.data == first.data
    assert second.continues == (8, first.sha256)
    assert second.added == b""


def test_file_written_slowly_arrives_as_it_grows_and_whole_in_the_end(
    folder: Path, watch: Watch
) -> None:
    watched = watch(settle_s=HOUR, scan_s=HOUR)
    whole = ""
    with (folder / "a.csv").open("w") as file:
        for row in range(4):
            file.write(f"row {row}\n")
            file.flush()
            whole += f"row {row}\n"
            # The first look has nothing to compare with: that file might be half written.
            watched.until_seen(b"a.csv", len(whole))
    watched.until(lambda: watched.texts("a.csv")[-1:] == [whole])
    assert all(whole.startswith(text) for text in watched.texts("a.csv"))
    assert watched.texts("a.csv")[0] == "row 0\nrow 1\n"
    assert len(set(watched.texts("a.csv"))) == len(watched.texts("a.csv"))


def test_each_version_of_a_file_closed_several_times_continues_the_one_before(
    folder: Path, watch: Watch
) -> None:
    watched = watch(settle_s=HOUR, scan_s=HOUR)
    whole = b""
    for row in range(5):
        with (folder / "a.csv").open("ab") as file:
            file.write(b"row %d\n" % row)
        whole += b"row %d\n" % row
        watched.until_last(whole)
    for earlier, later in zip(watched.arrivals, watched.arrivals[1:], strict=False):
        assert later.continues == (earlier.size, earlier.sha256)
        assert earlier.data + later.added == later.data


@pytest.mark.parametrize("keep_bytes", [0, 10**7])
def test_large_file_grows_by_rows(folder: Path, watch: Watch, keep_bytes: int) -> None:
    watched = watch(settle_s=HOUR, scan_s=HOUR, keep_bytes=keep_bytes)
    whole = os.urandom(300_000)
    (folder / "a.csv").write_bytes(whole)
    for row in range(5):
        watched.until_last(whole)
        with (folder / "a.csv").open("ab") as file:
            file.write(b"row %d\n" % row)
        whole += b"row %d\n" % row
    watched.until_last(whole)
    last = watched.arrivals[-1]
    assert last.added == b"row 4\n"
    assert last.sha256 == hashlib.sha256(whole).hexdigest()
    # An old row changed within a grown file is no continuation.
    changed = whole[:9] + bytes([whole[9] ^ 1]) + whole[10:] + b"row 5\n"
    (folder / "a.csv").write_bytes(changed)
    watched.until_last(changed)
    assert watched.arrivals[-1].continues is None


def test_rewritten_file_of_equal_size_and_time_arrives(folder: Path, watch: Watch) -> None:
    watched = watch(backend="polling")
    path = folder / "a.csv"
    path.write_bytes(b"row 1\n")
    status = path.stat()
    watched.until_names("a.csv")
    # Before, it would be read once more in any case, as time stamps may be coarse.
    watched.until(lambda: watched.source._looks.tracks[b"a.csv"].confirmed)
    path.write_bytes(b"row 2\n")
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    watched.until(lambda: watched.texts("a.csv") == ["row 1\n", "row 2\n"])
    assert watched.arrivals[1].continues is None


def test_file_being_rewritten_is_not_taken_by_halves(folder: Path, watch: Watch) -> None:
    (folder / "a.csv").write_bytes(b"old 1\nold 2\n")
    watched = watch(settle_s=HOUR)
    (folder / "a.csv").write_bytes(b"old 1\nold 2\nold 3\n")
    watched.until_names("a.csv")
    with (folder / "a.csv").open("r+b") as file:
        file.write(b"new 1\n")
        file.flush()
        watched.until_scanned(3)
        assert len(watched.arrivals) == 1
        file.write(b"new 2\nnew 3\n")
    watched.until(lambda: len(watched.arrivals) == 2)
    assert watched.arrivals[1].data == b"new 1\nnew 2\nnew 3\n"
    assert watched.arrivals[1].continues is None


def test_truncated_file_is_a_new_version(folder: Path, watch: Watch) -> None:
    watched = watch()
    (folder / "a.csv").write_bytes(b"row 1\nrow 2\n")
    watched.until_names("a.csv")
    os.truncate(folder / "a.csv", 6)
    watched.until(lambda: watched.texts("a.csv") == ["row 1\nrow 2\n", "row 1\n"])
    assert watched.arrivals[1].continues is None
    assert watched.arrivals[1].final


def test_empty_file_arrives_only_as_final(folder: Path, watch: Watch) -> None:
    watched = watch()
    (folder / "a.csv").write_bytes(b"")
    watched.until_names("a.csv")
    (arrival,) = watched.arrivals
    assert (arrival.data, arrival.size, arrival.final) == (b"", 0, True)


def test_changes_written_through_memory_give_no_event_and_are_found(
    folder: Path, watch: Watch
) -> None:
    path = folder / "a.csv"
    path.write_bytes(b"row 1\n")
    watched = watch()
    watched.until_names("a.csv")
    with path.open("r+b") as file, mmap.mmap(file.fileno(), 6) as mapped:
        mapped[4:5] = b"7"
        mapped.flush()
    watched.until(lambda: "row 7\n" in watched.texts("a.csv"))


def test_file_touched_or_opened_for_writing_without_change_is_no_arrival(
    folder: Path, watch: Watch
) -> None:
    watched = watch()
    path = folder / "a.csv"
    path.write_bytes(b"row 1\n")
    watched.until_names("a.csv")
    path.touch()
    with path.open("ab"):
        pass
    watched.until_quiet()
    assert watched.names() == ["a.csv"]


def test_same_content_under_another_name_is_an_arrival(folder: Path, watch: Watch) -> None:
    watched = watch(settle_s=HOUR, scan_s=HOUR)
    (folder / "a.csv").write_bytes(b"row 1\n")
    watched.until_names("a.csv")
    (folder / "a.csv").rename(folder / "b.csv")
    watched.until_names("b.csv")
    assert watched.names() == ["a.csv", "b.csv"]


def test_file_linked_into_place_arrives(folder: Path, tmp_path: Path, watch: Watch) -> None:
    (tmp_path / "a").write_bytes(b"row 1\n")
    watched = watch(scan_s=HOUR)
    os.link(tmp_path / "a", folder / "a.csv")
    watched.until_names("a.csv")


# --- many, at start, after a restart -------------------------------------------------------------


def test_files_present_at_start_arrive_as_final(folder: Path, watch: Watch) -> None:
    for number in range(5):
        (folder / f"{number}.csv").write_bytes(b"row\n")
    watched = watch()
    watched.until_quiet()
    assert sorted(watched.names()) == numbered(5)
    assert all(arrival.final for arrival in watched.arrivals)


@pytest.mark.parametrize("backend", ["native", "polling"])
def test_two_thousand_files_at_once_arrive_once_each(
    folder: Path, watch: Watch, backend: str
) -> None:
    watched = watch(backend=backend)
    for number in range(2000):
        (folder / f"{number}.csv").write_bytes(b"row %d\n" % number)
    watched.until(lambda: len(watched.arrivals) >= 2000)
    watched.until_quiet()
    assert sorted(watched.names()) == numbered(2000)
    assert {one.data for one in watched.arrivals} == {b"row %d\n" % n for n in range(2000)}
    status = watched.source.status()
    assert (status.backend, status.files_seen, status.files_waiting) == (backend, 2000, 0)


def test_backlog_comes_oldest_first(folder: Path, watch: Watch) -> None:
    for number in (3, 1, 2):
        (folder / f"{number}.csv").write_bytes(b"row\n")
        os.utime(folder / f"{number}.csv", (number, number))
    watched = watch(settle_s=0.0)
    watched.until(lambda: len(watched.arrivals) == 3)
    assert watched.names() == ["1.csv", "2.csv", "3.csv"]


def test_file_closed_now_does_not_wait_behind_a_long_backlog(folder: Path, watch: Watch) -> None:
    for number in range(300):
        (folder / f"{number}.csv").write_bytes(b"row\n")
    gate = threading.Event()
    watched = watch(settle_s=0.0, scan_s=HOUR, answer=lambda _: gate.wait(20))
    (folder / "now.csv").write_bytes(b"row\n")
    watched.until(lambda: b"now.csv" in watched.source._hints)
    gate.set()
    watched.until(lambda: len(watched.arrivals) == 301)
    assert watched.names().index("now.csv") <= folder_module.BACKLOG_SHARE


def test_file_closed_during_a_long_scan_does_not_wait_for_its_end(folder: Path) -> None:
    for number in range(folder_module.SERVED_EVERY):
        (folder / f"{number}.csv").write_bytes(b"row\n")
    (folder / "now.csv").write_bytes(b"row\n")
    # Not started: the scan is made here, with the event already waiting.
    watched = Watched(folder, settle_s=HOUR, backend="polling")
    watched.source._lost = ""
    watched.source._take_hint(b"now.csv", Hint.CLOSED)
    watched.source._scan()
    assert watched.names() == ["now.csv"]


def test_unchanged_files_known_to_the_ledger_do_not_arrive_after_a_restart(
    folder: Path, watch: Watch
) -> None:
    for number in range(5):
        (folder / f"{number}.csv").write_bytes(b"row\n")
    first = watch()
    first.until_quiet()
    first.source.stop()
    first.source.join()
    known = {(one.name, one.sha256) for one in first.arrivals}
    with (folder / "3.csv").open("ab") as file:
        file.write(b"row 2\n")
    second = watch(is_known=lambda name, sha256: (name, sha256) in known)
    second.until_quiet()
    assert [(one.name, one.data) for one in second.arrivals] == [("3.csv", b"row\nrow 2\n")]


def test_every_sweep_reads_again_and_delivers_nothing_new(folder: Path, watch: Watch) -> None:
    (folder / "a.csv").write_bytes(b"row\n")
    watched = watch(sweep_s=0.0)
    watched.until_quiet()
    read = watched.source._looks.tracks[b"a.csv"].looked_at
    watched.until(lambda: watched.source._looks.tracks[b"a.csv"].looked_at > read + 2)
    assert watched.names() == ["a.csv"]


# --- takers that cannot --------------------------------------------------------------------------


def test_refused_delivery_is_offered_until_it_is_taken(folder: Path, watch: Watch) -> None:
    tries: list[str] = []

    def answer(arrival: Arrival) -> bool:
        tries.append(arrival.name)
        if arrival.name == "a.csv" and tries.count("a.csv") <= 2:
            raise RuntimeError("the ledger is full")
        return True

    watched = watch(answer=answer, settle_s=HOUR)
    (folder / "a.csv").write_bytes(b"row\n")
    watched.until(lambda: events.ARRIVAL_REFUSED in watched.events())
    status = watched.source.status()
    assert (status.state, status.detail) == ("degraded", "RuntimeError: the ledger is full")
    (folder / "b.csv").write_bytes(b"row\n")
    watched.until_names("a.csv", "b.csv")
    watched.until_quiet()
    assert sorted(watched.names()) == ["a.csv", "b.csv"]
    assert watched.events().count(events.ARRIVAL_REFUSED) == 1
    assert watched.source.status().state == "ok"


def test_nothing_is_lost_while_every_delivery_is_refused(folder: Path, watch: Watch) -> None:
    full = threading.Event()
    full.set()
    tries: list[str] = []

    def answer(arrival: Arrival) -> bool:
        tries.append(arrival.name)
        if full.is_set():
            raise RuntimeError("the ledger is full")
        return True

    watched = watch(answer=answer)
    for number in range(100):
        (folder / f"{number}.csv").write_bytes(b"row\n")
    watched.until_scanned(3)
    # Not each file at each scan: a taker in need is left in peace.
    assert len(tries) < 100
    full.clear()
    watched.until(lambda: len(watched.arrivals) >= 100)
    watched.until_quiet()
    assert sorted(watched.names()) == numbered(100)


def test_one_file_refused_for_ever_does_not_stop_the_others(folder: Path, watch: Watch) -> None:
    def answer(arrival: Arrival) -> bool:
        if arrival.name == "poison.csv":
            raise ValueError("a mistake of ours")
        return True

    watched = watch(answer=answer)
    (folder / "poison.csv").write_bytes(b"row\n")
    for number in range(20):
        (folder / f"{number}.csv").write_bytes(b"row\n")
    watched.until(lambda: len(watched.arrivals) == 20)
    assert watched.source.status().state == "degraded"


def test_stop_waits_for_the_delivery_it_is_in(folder: Path, watch: Watch) -> None:
    gate, entered = threading.Event(), threading.Event()

    def answer(_: Arrival) -> bool:
        entered.set()
        return gate.wait(20)

    watched = watch(answer=answer)
    (folder / "a.csv").write_bytes(b"row\n")
    assert entered.wait(20)
    watched.source.stop()
    watched.source.join(0.05)
    assert watched.source.status().is_alive
    gate.set()
    watched.source.join(20)
    assert not watched.source.status().is_alive
    assert watched.names() == ["a.csv"]
    assert not [one.name for one in threading.enumerate() if str(folder) in one.name]


# --- folders and files that cannot be read -------------------------------------------------------


def test_folder_absent_at_start_is_watched_when_it_comes(tmp_path: Path, watch: Watch) -> None:
    path = tmp_path / "share"
    watched = watch(path)
    assert watched.events() == [events.FOLDER_LOST]
    status = watched.source.status()
    assert status.state == "degraded"
    assert str(path) in status.detail
    path.mkdir()
    (path / "a.csv").write_bytes(b"row\n")
    watched.until_names("a.csv")
    assert watched.source.status().state == "ok"
    assert watched.events() == [events.FOLDER_LOST, events.FOLDER_WATCHED]


def test_folder_removed_and_made_anew_is_watched_by_events_again(
    folder: Path, watch: Watch
) -> None:
    watched = watch(settle_s=HOUR, scan_s=0.2)
    (folder / "a.csv").write_bytes(b"row\n")
    watched.until_names("a.csv")
    for name in ("b.csv", "c.csv"):
        shutil.rmtree(folder)
        watched.until(lambda: watched.source.status().state == "degraded")
        folder.mkdir()
        watched.until(lambda: watched.source.status().state == "ok")
        # Without an event this would take an hour to settle.
        (folder / name).write_bytes(b"row\n")
        watched.until_names(name)
    assert watched.names() == ["a.csv", "b.csv", "c.csv"]


def test_folder_replaced_by_another_between_two_scans_is_watched(
    folder: Path, tmp_path: Path, watch: Watch
) -> None:
    watched = watch(settle_s=HOUR)
    other = tmp_path / "other"
    other.mkdir()
    folder.rename(tmp_path / "old")
    other.rename(folder)
    watched.until_scanned(2)
    (folder / "a.csv").write_bytes(b"row\n")
    watched.until_names("a.csv")


def test_folder_that_is_a_file_is_waited_for(tmp_path: Path, watch: Watch) -> None:
    path = tmp_path / "share"
    path.write_bytes(b"")
    watched = watch(path)
    assert watched.source.status().state == "degraded"
    path.unlink()
    path.mkdir()
    watched.until(lambda: watched.source.status().state == "ok")


def test_files_that_vanish_at_once_do_no_harm(folder: Path, watch: Watch) -> None:
    watched = watch(settle_s=HOUR)
    for number in range(300):
        path = folder / f"{number}.csv"
        path.write_bytes(b"row\n")
        path.unlink()
    (folder / "a.csv").write_bytes(b"row\n")
    watched.until_names("a.csv")
    watched.until_quiet()
    status = watched.source.status()
    assert (status.state, status.files_seen, status.files_waiting) == ("ok", 1, 0)


def test_file_gone_before_it_could_be_taken_is_logged(folder: Path, watch: Watch) -> None:
    watched = watch(settle_s=HOUR)
    with (folder / "a.csv").open("wb") as file:
        file.write(b"ro")
        file.flush()
        watched.until(lambda: watched.source.status().files_waiting == 1)
        watched.until_seen(b"a.csv", 2)
        (folder / "a.csv").unlink()
        watched.until(lambda: events.FILE_VANISHED in watched.events())


def test_links_pipes_and_folders_are_passed_over_and_said_once(
    folder: Path, tmp_path: Path, watch: Watch
) -> None:
    (tmp_path / "secret.csv").write_bytes(b"secret")
    (folder / "link.csv").symlink_to(tmp_path / "secret.csv")
    (folder / "loop.csv").symlink_to("loop.csv")
    os.mkfifo(folder / "pipe.csv")
    (folder / "folder.csv").mkdir()
    (folder / "a.csv").write_bytes(b"row\n")
    watched = watch()
    (folder / "link 2.csv").symlink_to(tmp_path / "secret.csv")
    watched.until_quiet()
    watched.until(lambda: watched.source.status().files_passed_over == 4)
    watched.until_scanned(2)
    assert watched.names() == ["a.csv"]
    said = [keys["file"] for event, keys in watched.logged if event == events.FILE_PASSED_OVER]
    assert sorted(said) == ["link 2.csv", "link.csv", "loop.csv", "pipe.csv"]


def test_hostile_names_arrive_and_are_shown_harmless(folder: Path, watch: Watch) -> None:
    names = [
        b"bad\xff.csv",
        b"a\nlevel=error.csv",
        b"%0A.csv",
        b" -rf .csv",
        b"'; DROP TABLE captures;--.csv",
        "a\u202evsc.b".encode(),
        b"n" * 251 + b".csv",
        "Nährstoffe.csv".encode(),
        "Na\u0308hrstoffe.csv".encode(),
    ]
    watched = watch()
    for name in names[:5]:
        Path(os.fsdecode(os.fsencode(folder) + b"/" + name)).write_bytes(b"row\n")
    for name in names[5:]:
        Path(os.fsdecode(os.fsencode(folder) + b"/" + name)).write_bytes(b"row\n")
    watched.until(lambda: len(watched.arrivals) == len(names))
    watched.until_quiet()
    assert len(set(watched.names())) == len(names) == len(watched.arrivals)
    assert all(name.isprintable() for name in watched.names())


def test_file_that_becomes_readable_later_arrives(folder: Path, watch: Watch) -> None:
    # A name that leads in a circle cannot be opened by anyone; rights would not bind root.
    (folder / "a.csv").symlink_to("a.csv")
    watched = watch()
    watched.until(lambda: events.FILE_PASSED_OVER in watched.events())
    (folder / "a.csv").unlink()
    (folder / "a.csv").write_bytes(b"row\n")
    watched.until_names("a.csv")
    watched.until_quiet()
    assert watched.source.status().files_passed_over == 0


def test_file_that_cannot_be_read_is_said_once_and_does_not_stop_the_rest(watch: Watch) -> None:
    # The memory of this process: a regular file that gives EIO at its first byte to anyone.
    watched = watch(Path("/proc/self"), patterns=("mem",), backend="polling")
    watched.until(lambda: events.FILE_PASSED_OVER in watched.events())
    watched.until_scanned(3)
    said = [keys for event, keys in watched.logged if event == events.FILE_PASSED_OVER]
    assert said == [{"file": "mem", "reason": "Input/output error"}]
    status = watched.source.status()
    assert (status.state, status.files_passed_over, status.files_waiting) == ("ok", 1, 0)


def test_file_over_the_limit_is_recorded_with_size_and_hash(folder: Path, watch: Watch) -> None:
    watched = watch(limit_bytes=1000)
    data = os.urandom(1001)
    (folder / "a.csv").write_bytes(data)
    (folder / "b.csv").write_bytes(data[:1000])
    watched.until_names("a.csv", "b.csv")
    watched.until_quiet()
    large, small = sorted(watched.arrivals, key=lambda one: one.name)
    assert large.oversize == (1001, hashlib.sha256(data).hexdigest())
    assert (large.data, large.final) == (b"", True)
    assert small.oversize is None
    assert len(watched.arrivals) == 2


# --- the scan never ends -------------------------------------------------------------------------


def test_exception_in_a_scan_does_not_end_the_watching(folder: Path, watch: Watch) -> None:
    broken = threading.Event()

    def clock() -> datetime:
        if broken.is_set():
            raise RuntimeError("no clock")
        return datetime.now(UTC)

    watched = watch(clock=clock)
    broken.set()
    watched.until(lambda: events.FOLDER_SCAN_BROKEN in watched.events())
    assert watched.source.status().state == "degraded"
    broken.clear()
    (folder / "a.csv").write_bytes(b"row\n")
    watched.until_names("a.csv")
    assert watched.source.status().state == "ok"


def test_scan_asked_for_finds_what_came_without_an_event(folder: Path, watch: Watch) -> None:
    watched = watch(backend="polling", scan_s=HOUR)
    (folder / "a.csv").write_bytes(b"row\n")
    watched.source.scan_now()
    watched.until_names("a.csv")


def test_polling_finds_new_grown_and_rewritten_files(folder: Path, watch: Watch) -> None:
    watched = watch(backend="polling")
    assert watched.source.status().backend == "polling"
    assert not [one.name for one in threading.enumerate() if str(folder) in one.name]
    path = folder / "a.csv"
    path.write_bytes(b"row 1\n")
    watched.until(lambda: watched.texts("a.csv") == ["row 1\n"])
    with path.open("ab") as file:
        file.write(b"row 2\n")
    watched.until(lambda: watched.texts("a.csv")[1:] == ["row 1\nrow 2\n"])
    assert watched.arrivals[1].added == b"row 2\n"
    path.write_bytes(b"other\n")
    watched.until(lambda: watched.texts("a.csv")[2:] == ["other\n"])
    assert [arrival.final for arrival in watched.arrivals] == [True, False, True]


# --- folders below -------------------------------------------------------------------------------


def test_folders_below_are_watched_as_they_come_move_and_go(folder: Path, watch: Watch) -> None:
    watched = watch(settle_s=HOUR, scan_s=HOUR, recursive=True)
    (folder / "day 1").mkdir()
    watched.until(lambda: b"day 1" in watched.source._folders)
    (folder / "day 1" / "a.csv").write_bytes(b"row\n")
    watched.until_names("day 1/a.csv")
    (folder / "day 1").rename(folder / "day 2")
    watched.until(lambda: b"day 2" in watched.source._folders)
    (folder / "day 2" / "b.csv").write_bytes(b"row\n")
    watched.until_names("day 2/b.csv")
    assert "day 1/b.csv" not in watched.names()
    shutil.rmtree(folder / "day 2")
    watched.until(lambda: b"day 2" not in watched.source._folders)
    (folder / "c.csv").write_bytes(b"row\n")
    watched.until_names("c.csv")
    assert watched.source.status().state == "ok"


def test_tree_moved_in_whole_arrives(folder: Path, tmp_path: Path, watch: Watch) -> None:
    deep = tmp_path / "tree" / "b" / "c"
    deep.mkdir(parents=True)
    (deep / "a.csv").write_bytes(b"row\n")
    watched = watch(scan_s=HOUR, recursive=True)
    (tmp_path / "tree").rename(folder / "tree")
    watched.until_names("tree/b/c/a.csv")


def test_folders_ignored_are_not_entered(folder: Path, watch: Watch) -> None:
    (folder / ".snapshots").mkdir()
    (folder / ".snapshots" / "a.csv").write_bytes(b"row\n")
    (folder / "b.csv").write_bytes(b"row\n")
    watched = watch(recursive=True)
    watched.until_quiet()
    assert watched.names() == ["b.csv"]
    assert watched.source._folders == {b""}
