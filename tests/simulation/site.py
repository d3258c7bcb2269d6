"""One simulated site: the real pipeline on a real ledger, and the model beside it.

Whatever is done to the ledger is done here, and told to the model exactly as far as it became
durable. A power cut keeps the ledger's files as they lie on disk at that instant, the log of the
transaction under way included, and the next life opens those.
"""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import structlog

from ingestd import steps
from ingestd.config import Config, load_config
from ingestd.ledger.store import Change, Ledger
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import add_person, set_release_policy
from ingestd.pipeline.inputs import PLAN_SOURCE, load_file, take_configured
from ingestd.pipeline.pipeline import Pipeline
from tests.simulation.laboratory import LOTS, config_text, plan_text
from tests.simulation.model import Model

NO_LIMIT = 4_294_967_294


class PowerCut(BaseException):
    """The program ended here; nothing that it had not made durable is left."""


class Site:
    """A site with its clock, ledger and model.

    Args:
        folder: of its own, empty.
        name, zone: of the laboratory.
        delivered: folder of daily files, perhaps shared with other sites.
        began: the instant of its first day.
        automatic: a reviewer has signed an automatic release.
    """

    def __init__(
        self,
        folder: Path,
        *,
        name: str,
        zone: str,
        delivered: Path,
        began: datetime,
        automatic: bool,
    ) -> None:
        folder.mkdir(parents=True)
        (folder / "ingestd.toml").write_text(config_text(name, zone, str(delivered)))
        self.folder, self.name, self.zone = folder, name, zone
        self.config: Config = load_config(folder / "ingestd.toml")
        self.model = Model(zone)
        self.now = began
        self.lives = 0
        self.decisions: list[tuple[int, int, str, int | None]] = []
        self.cut_step = ""  # where the power went last
        self._cut_files: Path | None = None
        self._open(self.config.ledger.path)
        self._begin(automatic=automatic)

    # --- life -------------------------------------------------------------------------------

    def clock(self) -> datetime:
        """The present instant; every asking takes a millisecond."""
        self.now += timedelta(milliseconds=1)
        return self.now

    def _open(self, path: Path) -> None:
        self.path = path
        self.ledger = Ledger.open(path, site=self.name, at=self.clock())
        self.pipeline = Pipeline(self.ledger, self.config, clock=self.clock, log=silent_log())

    def _begin(self, *, automatic: bool) -> None:
        take_configured(self.ledger, self.config, at=self.clock(), by="ingestd")
        for row in self.ledger.conn.execute("SELECT name, bytes FROM captures ORDER BY id"):
            capture = self.model.store("forms", row[0], row[1], self.now, None)
            capture.state = "read"
        for account, role in (
            ("ada", PersonRole.ADMIN),
            ("rita", PersonRole.REVIEWER),
            ("mara", PersonRole.ANALYST),
        ):
            with self.ledger.change(at=self.clock(), by="ada") as change:
                in_force = self.pipeline.in_force_cache.current(change.conn)
                add_person(change, in_force, Person(account=account, roles=(role,)), by="ada")
        plan, at = plan_text(self.zone).encode(), self.clock()
        load_file(
            self.ledger,
            "plan.toml",
            plan,
            self.pipeline.in_force_cache,
            self.config,
            at=at,
            by="ada",
        )
        self.model.store(PLAN_SOURCE, "plan.toml", plan, at, None).state = "read"
        self.model.lots.update(LOTS.values())
        if automatic:
            with self.ledger.change(at=self.clock(), by="rita") as change:
                in_force = self.pipeline.in_force_cache.current(change.conn)
                set_release_policy(change, in_force, mode="automatic", by="rita", reason="tried")
            self.model.releases_by_itself = True

    def close(self) -> None:
        """The site is no more."""
        self.ledger.close()

    @contextmanager
    def cut_at(self, step: str) -> Iterator[None]:
        """The power goes when the program next passes a step; it may never pass it."""
        self.cut_step = step
        steps.end_at(step, by=self.cut)
        try:
            yield
        finally:
            steps.end_at("")

    def cut(self) -> None:
        """Keep the files as they are on disk at this instant, and end."""
        self.lives += 1
        path = self.folder / f"life-{self.lives}.db"
        for suffix in ("", "-wal"):
            kept = Path(f"{self.path}{suffix}")
            if kept.exists():
                shutil.copyfile(kept, f"{path}{suffix}")
        self._cut_files = path
        raise PowerCut

    def restart(self) -> None:
        """Begin the next life with what the last one left on disk, and read what was stored."""
        self.ledger.close()
        path, self._cut_files = self._cut_files or self.path, None
        if path != self.path:
            for suffix in ("", "-wal", "-shm"):
                Path(f"{self.path}{suffix}").unlink(missing_ok=True)
        self._open(path)
        take_configured(self.ledger, self.config, at=self.clock(), by="ingestd")
        self.pipeline.resume()
        for capture in [c for c in self.model.captures if c.state == "stored"]:
            if capture.source != PLAN_SOURCE:
                is_overtaken = self.model.newest(capture.source, capture.name) is not capture
                self.model.read(capture, final=capture.source == "P4" or is_overtaken)

    @contextmanager
    def full_disk(self, pages: int) -> Iterator[None]:
        """The disk has room for so many more pages of the ledger."""
        (size,) = self.ledger.conn.execute("PRAGMA page_count").fetchone()
        self.ledger.conn.execute(f"PRAGMA max_page_count = {size + pages}")
        try:
            yield
        finally:
            self.ledger.conn.execute(f"PRAGMA max_page_count = {NO_LIMIT}")

    # --- what people do -----------------------------------------------------------------------

    def act(self, by: str, what: Callable[[Change], Any], *, cut: bool = False) -> Any:
        """One person's command in one transaction; `cut`: the power goes just before its end."""
        with self.ledger.change(at=self.clock(), by=by) as change:
            answer = what(change)
            if cut:
                change.flush()
                self.cut()
        return answer


def silent_log() -> Any:
    """A logger that drops every event."""

    def drop(_logger: Any, _level: str, _event: Any) -> Any:
        raise structlog.DropEvent

    return structlog.wrap_logger(None, processors=[drop])
