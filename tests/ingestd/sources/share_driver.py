"""Run inside a mount namespace of its own: one scenario of a share, with real mounts.

A tmpfs stands for the share: the folder source polls it as it polls a share, and the kernel's
errors at a vanished or read-only file system are the same. Prints what was delivered.
"""

import ctypes
import hashlib
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import structlog

from ingestd.config import load_config
from ingestd.service import source_set
from ingestd.service.daemon import Service
from ingestd.sources.arrivals import Arrival
from ingestd.sources.folder.folder import FolderSource
from ingestd.sources.folder.settings import FolderSettings

DEADLINE_S = 20.0


def until(what: Callable[[], object]) -> None:
    """Wait until something is true."""
    end = time.monotonic() + DEADLINE_S
    while not what():
        if time.monotonic() > end:
            raise AssertionError("it did not happen in time")
        time.sleep(0.01)


def sh(*words: object) -> None:
    """Run a command that must succeed."""
    subprocess.run([str(word) for word in words], check=True)


class Share:
    """A share mounted at a folder that is watched, and what has been delivered from it."""

    def __init__(self, top: Path, backend: str) -> None:
        self.server = top / "server"  # what the other machine holds
        self.mount = top / "share"  # where it is mounted here
        for path in (self.server, self.mount):
            path.mkdir()
        self.logged: list[tuple[str, dict[str, Any]]] = []
        self.delivered: list[tuple[str, str]] = []
        self._lock = threading.Lock()
        self.source = FolderSource(
            FolderSettings(
                name="p1", path=self.mount, settle_s=0.05, scan_s=0.05,
                backend="polling" if backend == "polling" else "native",
            ),
            deliver=self._deliver,
            log=self,
        )  # fmt: skip

    def _deliver(self, arrival: Arrival) -> bool:
        with self._lock:
            self.delivered.append((arrival.name, arrival.sha256))
        return True

    def info(self, event: str, /, **keys: Any) -> None:
        """Note an event."""
        self.logged.append((event, keys))

    warning = info

    def note(self, _logger: object, _level: str, event: dict[str, Any]) -> Any:
        """The same as a processor of structlog."""
        self.logged.append((str(event.pop("event")), event))
        raise structlog.DropEvent

    def attach(self, *options: str) -> None:
        """Mount the share."""
        sh("mount", "--bind", self.server, self.mount)
        if options:
            sh("mount", "-o", f"remount,bind,{','.join(options)}", self.mount)

    def detach(self) -> None:
        """The share goes away under whoever watches it."""
        sh("umount", "--lazy", self.mount)

    def names(self) -> list[str]:
        """Names delivered, in order."""
        return [name for name, _ in self.delivered]

    def state(self) -> str:
        """What the source says of itself."""
        return self.source.status().state

    def rescan(self) -> None:
        """Wait for a scan that began after now."""
        before = self.source.status().last_scan_at
        self.source.scan_now()
        until(lambda: self.source.status().last_scan_at != before)


def vanishes(share: Share) -> dict[str, Any]:
    """The mount point goes with the share, then both come back."""
    share.attach()
    (share.server / "a.csv").write_text("a\n")
    share.source.start()
    until(lambda: share.names() == ["a.csv"])
    share.detach()
    share.mount.rmdir()
    until(lambda: share.state() == "degraded")
    detail = share.source.status().detail
    (share.server / "b.csv").write_text("b\n")
    share.mount.mkdir()
    share.attach()
    until(lambda: share.names() == ["a.csv", "b.csv"])
    share.rescan()
    return {"names": share.names(), "state": share.state(), "detail": detail}


def empty(share: Share) -> dict[str, Any]:
    """Unmounted, its mount point is an empty folder; then the share comes back as it was."""
    share.attach()
    for name in ("a.csv", "b.csv"):
        (share.server / name).write_text(name)
    share.source.start()
    until(lambda: sorted(share.names()) == ["a.csv", "b.csv"])
    share.detach()
    share.rescan()
    share.rescan()
    seen = share.source.status().files_seen
    (share.server / "c.csv").write_text("c")
    share.attach()
    until(lambda: "c.csv" in share.names())
    share.rescan()
    return {"names": share.names(), "seen_when_empty": seen, "state": share.state(),
            "distinct": len(set(share.delivered))}  # fmt: skip


def read_only(share: Share) -> dict[str, Any]:
    """Nothing of ours may be written there, and nothing needs to be."""
    (share.server / "a.csv").write_text("a\n")
    share.attach("ro")
    share.source.start()
    until(lambda: share.names() == ["a.csv"])
    (share.server / "b.csv").write_text("b\n")  # by the other machine
    until(lambda: share.names() == ["a.csv", "b.csv"])
    return {"names": share.names(), "state": share.state()}


def other_clock(share: Share) -> dict[str, Any]:
    """The other machine's clock is a year ahead, then years behind; content decides."""
    share.attach()
    ahead, behind = time.time() + 366 * 86400, 86400.0
    share.source.start()
    for name, moment in (("a.csv", ahead), ("b.csv", behind)):
        path = share.server / name
        path.write_text(f"{name} 1\n")
        os.utime(path, (moment, moment))
    until(lambda: sorted(set(share.names())) == ["a.csv", "b.csv"])
    # The same size, and the time stamp as it was: only the content differs.
    for name, moment in (("a.csv", ahead), ("b.csv", behind)):
        path = share.server / name
        path.write_text(f"{name} 2\n")
        os.utime(path, (moment, moment))
    until(lambda: len(set(share.delivered)) == 4)
    share.rescan()
    return {"distinct": len(set(share.delivered)), "state": share.state()}


def replaced(share: Share) -> dict[str, Any]:
    """Another share is mounted over the folder while it is watched."""
    share.attach()
    (share.server / "a.csv").write_text("a\n")
    share.source.start()
    until(lambda: share.names() == ["a.csv"])
    sh("mount", "-t", "tmpfs", "none", share.mount)
    (share.mount / "n.csv").write_text("n\n")
    until(lambda: "n.csv" in share.names())
    sh("umount", "--lazy", share.mount)
    (share.server / "b.csv").write_text("b\n")
    until(lambda: "b.csv" in share.names())
    return {"names": share.names(), "state": share.state()}


def full(share: Share) -> dict[str, Any]:
    """The share is full: what the other machine could write of a file is read, then the rest."""
    sh("mount", "-t", "tmpfs", "-o", "size=64k", "none", share.mount)
    share.source.start()
    path = share.mount / "day.csv"
    with path.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"x" * 4096)
        except OSError:
            pass
    until(lambda: share.names()[:1] == ["day.csv"])
    sh("mount", "-o", "remount,size=1m", share.mount)
    with path.open("ab") as file:
        file.write(b"the rest\n")
    whole = hashlib.sha256(path.read_bytes()).hexdigest()
    until(lambda: share.delivered[-1][1] == whole)
    return {"state": share.state()}


def hangs(share: Share) -> dict[str, Any]:
    """A share whose server answers nothing: every call on it waits. The service goes on."""
    top = share.server.parent
    for name in ("bench", "plan"):
        (top / name).mkdir()
    (top / "ingestd.toml").write_text(
        '[site]\nname = "W"\ntime_zone = "Etc/UTC"\n'
        '[[source]]\nname = "hung"\npath = "share"\nscan_s = 0.1\nbackend = "polling"\n'
        '[[source]]\nname = "well"\npath = "bench"\nscan_s = 0.1\nbackend = "polling"\n'
    )
    # A file system of user space whose program never takes a request.
    server = os.open("/dev/fuse", os.O_RDWR)
    options = f"fd={server},rootmode=40000,user_id=0,group_id=0".encode()
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mount(b"none", os.fsencode(share.mount), b"fuse", 0, options):
        raise OSError(ctypes.get_errno(), "mount of fuse")
    source_set.HUNG_S = source_set.JOIN_S = 1.0
    log = structlog.wrap_logger(None, processors=[share.note])
    service = Service(load_config(top / "ingestd.toml"), log=log)
    service.start()
    thread = threading.Thread(target=service.supervise, daemon=True)
    thread.start()
    until(
        lambda: (
            {one.name: one.state for one in service.service_health.states()}["hung"] == "degraded"
        )
    )
    (top / "bench" / "day.csv").write_text("no form knows this\n")
    until(lambda: "1 captures failed" in " ".join(service.service_health.health().reasons))
    health = service.service_health.health()
    is_working = service.service_health.is_making_progress(1.0)
    detail = next(one.detail for one in service.service_health.states() if one.name == "hung")
    begun = time.monotonic()
    service.ask_stop()
    thread.join(10)
    service.stop()
    took_s = time.monotonic() - begun
    os.close(server)  # the share is given up: whoever waits gets an error
    return {"live": health.live, "ready": health.ready, "reasons": health.reasons,
            "is_working": is_working, "detail": detail, "stop_took_s": took_s}  # fmt: skip


SCENARIOS = (vanishes, empty, read_only, other_clock, replaced, full, hangs)


def main() -> None:
    """Run the scenario that is asked for, in a namespace where nothing of it gets out."""
    name, backend, folder = sys.argv[1:]
    ctypes.CDLL(None).mount(b"none", b"/", None, 0x44000, None)  # MS_REC | MS_PRIVATE
    share = Share(Path(folder), backend)
    scenario = next(one for one in SCENARIOS if one.__name__ == name)
    told = scenario(share)
    if scenario is not hangs:
        share.source.stop()
        share.source.join(10)
    events = [event for event, _ in share.logged]
    print(json.dumps({**told, "events": events}))


if __name__ == "__main__":
    main()
