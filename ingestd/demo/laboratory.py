"""The laboratory of the demonstration: the real service in a thread, and the people beside it.

People do what the commands do: each decision is a transaction of their own on the same ledger,
made by a second connection, as `ingestd observe` or `ingestd place` would.
"""

import threading
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from ingestd.config import Config
from ingestd.demo.arriving import drop
from ingestd.ledger.captures import find_captures, newest_of_name
from ingestd.ledger.inputs import InForceCache
from ingestd.ledger.store import Ledger
from ingestd.ledger.work import waiting_readings
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import add_person, place_reading, set_release_policy
from ingestd.pipeline.inputs import PLAN_SOURCE, load_file, observe
from ingestd.pipeline.replay.replay import ReplayReport, replay
from ingestd.service.daemon import Service

PATIENCE_S = 20.0  # longer than anything here takes, even on a busy machine
LOOK_S = 0.02

ADMIN = "pell"
REVIEWER = "meris"
ANALYSTS = ("tilke", "orrin")
PEOPLE = (
    Person(account=ADMIN, full_name="Pell Ostrigar", roles=(PersonRole.ADMIN,)),
    Person(account=REVIEWER, full_name="Meris Quandrel", roles=(PersonRole.REVIEWER,)),
    Person(account="tilke", full_name="Tilke Vassbruun", roles=(PersonRole.ANALYST,)),
    Person(account="orrin", full_name="Orrin Halmstoek", roles=(PersonRole.ANALYST,)),
)


class Stopped(Exception):
    """The demonstration was asked to end, or its service ended by itself."""


class Laboratory:
    """A laid-out demonstration at work.

    Args:
        config: of the demonstration.
        directory: where it lives.
        clock: the present instant, UTC.
        log: a structlog logger, for the service.
        stop: set when all is to end.
    """

    def __init__(
        self,
        config: Config,
        directory: Path,
        *,
        clock: Callable[[], datetime],
        log: Any,
        stop: threading.Event,
    ) -> None:
        self.config = config
        self.directory = directory
        self.clock = clock
        self.stop = stop
        self.zone = ZoneInfo(config.site.time_zone)
        self.ledger = Ledger.open(config.ledger.path, site=config.site.name, at=clock())
        self.in_force_cache = InForceCache()
        self._log = log
        self._service = Service(config, log=log, clock=clock)
        self._thread = threading.Thread(target=self._serve, name="demo service", daemon=True)
        self._failure: BaseException | None = None

    # --- the service --------------------------------------------------------------------------

    def open(self) -> None:
        """Give people their accounts, have the release policy signed, start the service."""
        for person in PEOPLE:
            with self.ledger.change(at=self.clock(), by=ADMIN) as change:
                add_person(change, self.in_force_cache.current(self.ledger.conn), person, by=ADMIN)
        with self.ledger.change(at=self.clock(), by=REVIEWER) as change:
            set_release_policy(
                change,
                self.in_force_cache.current(self.ledger.conn),
                mode="automatic",
                by=REVIEWER,
                reason="in the demonstration, what every rule accepts is released at once",
            )
        self._thread.start()

    def close(self) -> None:
        """Stop the service, wait until it has ended, and close the ledger.

        Raises:
            whatever ended the service, where it did not end by request.
        """
        self.end_service()
        self.ledger.close()
        if self._failure is not None:
            raise self._failure

    def end_service(self) -> None:
        """Stop the service and wait until it has ended; the ledger stays open for reading."""
        self._service.ask_stop()
        if self._thread.is_alive():
            self._thread.join()

    def _serve(self) -> None:
        try:
            self._service.run()
        except BaseException as error:  # noqa: BLE001 - raised again by whoever closes
            self._failure = error

    # --- waiting ------------------------------------------------------------------------------

    def pause(self, seconds: float) -> None:
        """Let so much time pass.

        Raises:
            Stopped: all is to end.
        """
        if self.stop.wait(seconds):
            raise Stopped("asked to stop")

    def wait(self, is_so: Callable[[], bool], what: str) -> None:
        """Return as soon as the ledger says so.

        Args:
            is_so: looks into the ledger.
            what: what is waited for, in words.

        Raises:
            Stopped: all is to end, the service has ended, or it does not come about.
        """
        deadline = time.monotonic() + PATIENCE_S
        while not is_so():
            if not self._thread.is_alive():
                raise Stopped(f"the service ended while this was waited for: {what}")
            if time.monotonic() > deadline:
                raise Stopped(f"this did not come about within {PATIENCE_S:.0f} s: {what}")
            self.pause(LOOK_S)

    def count(self, query: str, *values: object) -> int:
        """The number a query of the ledger gives."""
        return int(self.ledger.conn.execute(query, values).fetchone()[0])

    def wait_for_readings(self, instrument: str, at_least: int) -> None:
        """Wait until the ledger holds so many readings of an instrument.

        Raises:
            Stopped: as `wait`.
        """
        self.wait(
            lambda: (
                self.count("SELECT count(*) FROM readings WHERE instrument = ?", instrument)
                >= at_least
            ),
            f"{at_least} readings of {instrument}",
        )

    # --- people's hands -----------------------------------------------------------------------

    def exports(self, source: str) -> Path:
        """The folder a photometer writes its exports to."""
        return self.directory / "exports" / source

    def drop_plans(self, texts: Mapping[str, str]) -> None:
        """Drop plan files or bench sheets, by name, and wait until all are in force.

        Raises:
            Stopped: as `wait`, or one was refused.
        """
        for name, text in texts.items():
            drop(self.directory / "plan" / name, text)
        for name in texts:
            self._wait_for_plan(name)

    def _wait_for_plan(self, name: str) -> None:
        self.wait(lambda: self._plan_state(name) in ("read", "failed"), f"plan {name} loaded")
        if self._plan_state(name) == "failed":
            found = newest_of_name(self.ledger.conn, PLAN_SOURCE, name)
            raise Stopped(f"plan {name} was refused: {found.reason if found else ''}")

    def _plan_state(self, name: str) -> str:
        found = newest_of_name(self.ledger.conn, PLAN_SOURCE, name)
        return found.state if found else ""

    def observe(self, run: str, position: int | None, *pairs: str, by: str) -> None:
        """Note what was seen at the bench, as `ingestd observe` does."""
        with self.ledger.change(at=self.clock(), by=by) as change:
            observe(change, run, position, pairs, self.in_force_cache, self.config)

    def place(self, label: str, run: str, position: int, *, by: str, reason: str) -> int:
        """Place the waiting reading of this printed label by hand; returns its number."""
        reading = next(
            one.reading.id
            for one in waiting_readings(self.ledger.conn)
            if one.reading.sample == label
        )
        with self.ledger.change(at=self.clock(), by=by) as change:
            place_reading(
                change, reading, run, position, self.in_force_cache, self.config, reason=reason
            )
        return reading

    def mend_form(self, name: str, text: str, *, by: str) -> None:
        """Keep a mended form in the form folder and load it, as `ingestd plan load` does."""
        (self.directory / "forms" / name).write_text(text, encoding="utf-8")
        load_file(
            self.ledger,
            name,
            text.encode(),
            self.in_force_cache,
            self.config,
            at=self.clock(),
            by=by,
        )

    def replay_failed(self, source: str, *, by: str, reason: str) -> ReplayReport:
        """Read the failed captures of a source again, as `ingestd replay` does."""
        return replay(
            self.ledger,
            self.config,
            find_captures(self.ledger.conn, state="failed", source=source),
            reason=reason,
            by=by,
            clock=self.clock,
            log=self._log,
        )
