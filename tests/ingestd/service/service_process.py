"""The real service as a process of its own, with a laboratory laid out for it."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from ingestd.config import load_config
from ingestd.errors import LedgerMismatch
from ingestd.ledger.inputs import InForceCache
from ingestd.ledger.store import Ledger
from ingestd.pipeline.inputs import load_file, take_configured
from tests.conftest import PLAN, SHEET

DEADLINE_S = 30.0
LOOK_S = 0.01
COMMAND = (sys.executable, "-m", "ingestd")
ROOT = Path(__file__).parents[3]

CONFIG = """\
[site]
name = "Test works"
time_zone = "Etc/UTC"
[plan]
folder = "plan"
forms = "forms"
{extra}
[[source]]
name = "p1"
path = "exports"
instrument = "P1"
settle_s = 0.2
scan_s = 0.2
"""


def wait_until(is_so: Callable[[], bool], what: str, deadline_s: float = DEADLINE_S) -> None:
    """Return as soon as it is so; fail with the words if it does not come about."""
    end = time.monotonic() + deadline_s
    while not is_so():
        if time.monotonic() > end:
            raise AssertionError(f"did not come about within {deadline_s:.0f} s: {what}")
        time.sleep(LOOK_S)


@dataclass
class Bench:
    """A folder with configuration, plan and exports, in which the service is run."""

    folder: Path
    env: dict[str, str] = field(default_factory=dict)
    running: list["subprocess.Popen[bytes]"] = field(default_factory=list)
    starts: int = 0

    @classmethod
    def lay_out(cls, folder: Path, *, extra: str = "", with_plan: bool = True) -> "Bench":
        for name in ("exports", "plan", "forms"):
            (folder / name).mkdir(parents=True)
        (folder / "ingestd.toml").write_text(CONFIG.format(extra=extra))
        bench = cls(folder)
        if with_plan:
            bench.put_plan_into_force({"plan.toml": PLAN, "sheet.csv": SHEET})
        return bench

    def put_plan_into_force(self, texts: Mapping[str, str]) -> None:
        """Load plans as `ingestd plan load` does, before any service runs."""
        config = load_config(self.folder / "ingestd.toml")
        now = datetime.now(UTC)
        ledger = Ledger.open(config.ledger.path, site=config.site.name, at=now)
        try:
            take_configured(ledger, config, at=now, by="ingestd")
            for name, text in texts.items():
                load_file(ledger, name, text.encode(), InForceCache(), config, at=now, by="mara")
        finally:
            ledger.close()

    # --- the service ----------------------------------------------------------------------------

    def environment(self, env: Mapping[str, str]) -> dict[str, str]:
        return {
            **os.environ,
            "INGESTD_CONFIG": str(self.folder / "ingestd.toml"),
            "PYTHONPATH": str(ROOT),
            "PYTHONSAFEPATH": "1",  # the laboratory's folder is no place to import from
            **self.env,
            **env,
        }

    def start(
        self,
        *,
        env: Mapping[str, str] | None = None,
        before: Sequence[str] = (),
        preexec: Callable[[], None] | None = None,
    ) -> "subprocess.Popen[bytes]":
        """The service as a new process; `before` is put in front of its command line."""
        self.starts += 1
        with (self.folder / f"service-{self.starts}.log").open("wb") as log:
            process = subprocess.Popen(
                [*before, *COMMAND, "run"],
                cwd=self.folder,
                env=self.environment(env or {}),
                stdout=log,
                stderr=subprocess.STDOUT,
                preexec_fn=preexec,  # noqa: PLW1509 - limits are set before any thread starts
            )
        self.running.append(process)
        return process

    def said(self) -> str:
        """What the newest service wrote."""
        return (self.folder / f"service-{self.starts}.log").read_text(errors="replace")

    def events(self) -> list[dict[str, object]]:
        """The events among it."""
        found = []
        for line in self.said().splitlines():
            if line.startswith("{"):
                found.append(json.loads(line))
        return found

    def wait_ready(self, process: "subprocess.Popen[bytes]") -> None:
        wait_until(
            lambda: "service_started" in self.said() or process.poll() is not None,
            "the service started",
        )
        assert process.poll() is None, self.said()

    def stop(self, process: "subprocess.Popen[bytes]") -> int:
        """Ask it to stop; returns its exit code."""
        process.send_signal(signal.SIGTERM)
        return process.wait(DEADLINE_S)

    def end_all(self) -> None:
        """Kill what still runs."""
        for process in self.running:
            if process.poll() is None:
                process.kill()
                process.wait(DEADLINE_S)

    def run(
        self, *arguments: str, input_text: str | None = None
    ) -> "subprocess.CompletedProcess[str]":
        """One command to its end."""
        return subprocess.run(
            [*COMMAND, *arguments],
            cwd=self.folder,
            env=self.environment({}),
            capture_output=True,
            text=True,
            input=input_text,
            timeout=60,
            check=False,
        )

    # --- what came of it ---------------------------------------------------------------------

    def drop(self, name: str, text: str, *, folder: str = "exports") -> None:
        """A file renamed into place, as a careful program would."""
        part = self.folder / f".{name}.part"
        part.write_text(text)
        part.rename(self.folder / folder / name)

    def ask(self, query: str, *values: object) -> list[tuple[object, ...]]:
        """Rows of the ledger as it stands; none while it is not made yet."""
        try:
            ledger = Ledger.open_readonly(self.folder / "ledger.db")
        except LedgerMismatch:
            return []
        try:
            return ledger.conn.execute(query, values).fetchall()
        finally:
            ledger.close()

    def states(self) -> dict[str, tuple[object, object]]:
        rows = self.ask(
            "SELECT r.sample, r.state, v.text FROM results r JOIN result_versions v"
            " ON v.result = r.id AND v.version = r.version"
        )
        return {str(sample): (state, text) for sample, state, text in rows}
