"""The command that units run when one of them has failed, and the check before a reload."""

import json
import os
import subprocess
import sys
from pathlib import Path

from tests.conftest import Lab
from tests.ingestd.service.notices.servers import Hooks, hook_server


def ingestd(lab: Lab, *words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "ingestd", "--config", lab.folder / "ingestd.toml", *words],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def with_hook(lab: Lab, port: int) -> None:
    path = lab.folder / "ingestd.toml"
    (lab.folder / "secret").write_text("s3")
    path.write_text(
        path.read_text()
        + f'\n[notices.webhook]\nurl = "http://127.0.0.1:{port}/"\nsecret_file = "secret"\n'
    )


def test_failed_unit_is_told_once_and_logged_each_time(lab: Lab) -> None:
    hooks = Hooks()
    how = {"SERVICE_RESULT": "watchdog", "EXIT_CODE": "dumped", "EXIT_STATUS": "ABRT"}
    with hook_server(hooks) as port:
        with_hook(lab, port)
        for _ in range(2):
            done = ingestd(lab, "tell", "ingestd.service", **how)
            assert done.returncode == 0, done.stderr
            assert json.loads(done.stderr.splitlines()[0])["event"] == "unit_failed"
    ((_, body),) = hooks.got
    text = json.loads(body)["data"]["matters"][0]["text"]
    assert "ingestd.service has failed: watchdog (dumped ABRT)" in text


def test_unit_that_ended_as_asked_is_no_matter(lab: Lab) -> None:
    hooks = Hooks()
    with hook_server(hooks) as port:
        with_hook(lab, port)
        done = ingestd(lab, "tell", "ingestd.service", SERVICE_RESULT="success")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert hooks.got == []


def test_check_before_a_reload_asks_nothing_of_the_machine(lab: Lab, tmp_path: Path) -> None:
    path = lab.folder / "ingestd.toml"
    good = path.read_text()
    path.write_text(good.replace('path = "exports"', f'path = "{tmp_path / "not mounted"}"'))
    assert ingestd(lab, "check", "--only-configuration").returncode == 0
    assert ingestd(lab, "check").returncode == 1, "the folder is not there"
    path.write_text(good + "\n[servce]\n")
    assert ingestd(lab, "check", "--only-configuration").returncode == 2
    path.write_text(good.replace('instrument = "P1"', 'forms = ["none"]'))
    done = ingestd(lab, "check", "--only-configuration", "--json")
    assert done.returncode == 1
    assert json.loads(done.stdout)[0]["what"] == "source p1: forms"
