"""Shares that vanish, come back empty, are read-only, full, or of another time: real mounts."""

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from ingestd import events
from tests.ingestd.sources import share_driver

ROOT = Path(__file__).parents[3]


def told(scenario: str, backend: str, tmp_path: Path) -> dict[str, Any]:
    unshare = shutil.which("unshare")
    assert unshare, "install util-linux: unshare gives a test its own mounts"
    done = subprocess.run(
        [unshare, "--user", "--map-root-user", "--mount", sys.executable,
         share_driver.__file__, scenario, backend, tmp_path],
        cwd=ROOT, env={"PYTHONPATH": str(ROOT), "PATH": "/usr/sbin:/usr/bin:/sbin:/bin"},
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    said: dict[str, Any] = json.loads(done.stdout)
    return said


BACKENDS = pytest.mark.parametrize("backend", ["polling", "native"])


@BACKENDS
def test_share_that_vanishes_is_said_once_and_goes_on_when_it_is_back(
    backend: str, tmp_path: Path
) -> None:
    said = told("vanishes", backend, tmp_path)
    assert said["names"] == ["a.csv", "b.csv"], "nothing lost, nothing twice"
    assert said["state"] == "ok"
    assert "tried again" in said["detail"]
    assert said["events"].count(events.FOLDER_LOST) == 1


@BACKENDS
def test_share_that_comes_back_empty_makes_nothing_arrive_or_go(
    backend: str, tmp_path: Path
) -> None:
    said = told("empty", backend, tmp_path)
    assert said["seen_when_empty"] == 0
    assert said["state"] == "ok"
    # What was there before may be offered again; it is the same bytes, so it is no new arrival.
    assert said["distinct"] == 3


@BACKENDS
def test_read_only_share_is_read(backend: str, tmp_path: Path) -> None:
    said = told("read_only", backend, tmp_path)
    assert said == {"names": ["a.csv", "b.csv"], "state": "ok", "events": said["events"]}


@BACKENDS
def test_clock_of_another_machine_hides_no_change(backend: str, tmp_path: Path) -> None:
    said = told("other_clock", backend, tmp_path)
    assert (said["distinct"], said["state"]) == (4, "ok")


@BACKENDS
def test_share_mounted_over_the_folder_is_seen_and_the_one_below_again(
    backend: str, tmp_path: Path
) -> None:
    said = told("replaced", backend, tmp_path)
    assert set(said["names"]) == {"a.csv", "n.csv", "b.csv"}
    assert said["state"] == "ok"


def test_file_on_a_full_share_is_read_again_when_it_is_whole(tmp_path: Path) -> None:
    assert told("full", "polling", tmp_path)["state"] == "ok"


def test_share_that_hangs_is_reported_and_holds_up_nothing_else(tmp_path: Path) -> None:
    said = told("hangs", "polling", tmp_path)
    assert (said["live"], said["ready"], said["is_working"]) == (True, True, True)
    assert any("source hung is degraded" in reason for reason in said["reasons"])
    assert "check the share" in said["detail"]
    assert said["stop_took_s"] < 15
    assert events.SOURCE_LEFT_HANGING in said["events"]
