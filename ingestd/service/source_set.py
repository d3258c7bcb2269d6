"""All sources of a service: made from a configuration, exchanged for those of another, watched."""

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from ingestd import events
from ingestd.config import Config
from ingestd.config import LineSource as LineConfig
from ingestd.errors import ConfigError
from ingestd.ledger.source_states import SourceState
from ingestd.pipeline.inputs import PLAN_SOURCE
from ingestd.sources.arrivals import Arrival
from ingestd.sources.folder.folder import FolderSource
from ingestd.sources.folder.settings import FolderSettings, FolderStatus
from ingestd.sources.serial.line import LineSource
from ingestd.sources.serial.settings import LineArrival, LineSettings, LineStatus
from parsers import Form

HUNG_S = 60.0  # a folder that has not come back from its disk or share for so long is reported
PLAN_FIRST_S = 5.0  # longest wait for the plan folder before the other sources start
JOIN_S = 10.0  # how long the sources may take to end before they are left behind
PLAN_IGNORES = ("~$*", ".*", "*.tmp", "*.part", "*~", "*.md")

Settings = FolderSettings | LineSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """How many sources went on, came, went, and were made anew with other settings."""

    kept: int
    added: int
    ended: int
    changed: int


class SourceSet:
    """The sources of one service, by name.

    Args:
        deliver, deliver_line: take an arrival over; as the sources ask for.
        log: a structlog logger.
    """

    def __init__(
        self,
        *,
        deliver: Callable[[Arrival], bool],
        deliver_line: Callable[[LineArrival], bool],
        log: Any,
    ) -> None:
        self._deliver = deliver
        self._deliver_line = deliver_line
        self._log = log
        self._settings: dict[str, Settings] = {}
        self._running: dict[str, FolderSource | LineSource] = {}

    @property
    def folders(self) -> list[FolderSource]:
        """The folders, the plan's last."""
        return [one for one in self._running.values() if isinstance(one, FolderSource)]

    @property
    def lines(self) -> list[LineSource]:
        """The serial lines."""
        return [one for one in self._running.values() if isinstance(one, LineSource)]

    def start(self, wanted: Mapping[str, Settings]) -> None:
        """Make and start sources that do not run yet.

        Each is made before any is started: settings that cannot work start none.
        """
        made = {
            name: self._make(settings)
            for name, settings in wanted.items()
            if name not in self._running
        }
        if PLAN_SOURCE in made:
            made[PLAN_SOURCE].start()
            _let_plans_load(made[PLAN_SOURCE])
        for name, source in made.items():
            if name != PLAN_SOURCE:
                source.start()
            self._running[name] = source
            self._settings[name] = wanted[name]

    def end(self, names: set[str]) -> None:
        """Stop these and wait until what they have taken is handed over.

        One that hangs on its share is left behind: its thread ends when the share answers, and
        what it then delivers is known by its content.
        """
        ending = {name: self._running.pop(name) for name in names & self._running.keys()}
        for source in ending.values():
            source.stop()
        deadline = time.monotonic() + JOIN_S
        for name, source in ending.items():
            source.join(max(deadline - time.monotonic(), 0.1))
            if source.status().is_alive:
                self._log.warning(events.SOURCE_LEFT_HANGING, source=name)
            del self._settings[name]

    def end_all(self) -> None:
        """Stop every source."""
        self.end(set(self._running))

    def outdated(self, wanted: Mapping[str, Settings]) -> set[str]:
        """Names of running sources that are not wanted, or not so."""
        return {name for name, own in self._settings.items() if wanted.get(name) != own}

    def exchange(self, wanted: Mapping[str, Settings], between: Callable[[], None]) -> Exchange:
        """Go over to other sources; those whose settings are the same never stop.

        Args:
            between: called when what is no longer wanted has ended and nothing new has begun.
        """
        before = set(self._settings)
        outdated = self.outdated(wanted)
        self.end(outdated)
        between()
        self.start(wanted)
        return Exchange(
            kept=len(before - outdated),
            added=len(wanted.keys() - before),
            ended=len(before - wanted.keys()),
            changed=len(outdated & wanted.keys()),
        )

    def dead(self) -> list[str]:
        """Names of sources whose thread has ended by itself: a bug, or no memory."""
        return [name for name, one in self._running.items() if not one.status().is_alive]

    def states(self, *, writer_busy_s: float = 0.0) -> list[SourceState]:
        """How each is doing.

        Args:
            writer_busy_s: how long the writer has been at its present job; a folder that waits
                for the writer does not hang on its share.
        """
        return [
            _folder_state(status, writer_busy_s)
            if isinstance(status, FolderStatus)
            else _line_state(status)
            for status in (one.status() for one in self._running.values())
        ]

    def _make(self, settings: Settings) -> FolderSource | LineSource:
        log = self._log.bind(source=settings.name)
        if isinstance(settings, FolderSettings):
            return FolderSource(settings, deliver=self._deliver, log=log)
        return LineSource(settings, self._deliver_line, log)


def wanted_sources(config: Config, forms: Mapping[str, Form]) -> dict[str, Settings]:
    """Settings of every source that a configuration asks for, by name.

    Args:
        forms: those in force.

    Raises:
        ConfigError: a line names a form that is not there or of another shape.
    """
    found: dict[str, Settings] = {
        source.name: FolderSettings(
            name=source.name,
            path=source.path,
            patterns=source.patterns,
            ignore=source.ignore,
            recursive=source.recursive,
            settle_s=source.settle_s,
            scan_s=source.scan_s,
            backend=source.backend,
            limit_bytes=source.limit_mib * 2**20,
        )
        for source in config.folders
    }
    if config.plan.folder is not None:
        found[PLAN_SOURCE] = FolderSettings(
            name=PLAN_SOURCE,
            path=config.plan.folder,
            patterns=("*.csv", "*.xlsx", "*.toml"),
            ignore=PLAN_IGNORES,
            settle_s=0.5,
        )
    for line in config.lines:
        found[line.name] = _line_settings(line, forms)
    return found


def _line_settings(line: LineConfig, forms: Mapping[str, Form]) -> LineSettings:
    if line.form not in forms:
        raise ConfigError(
            f"source {line.name}", f"there is no form {line.form!r}", "see `ingestd check`"
        )
    if forms[line.form].frame is None:
        raise ConfigError(
            f"source {line.name}",
            f"form {line.form!r} is of shape {forms[line.form].shape}",
            "a serial line needs a form of shape frame",
        )
    return LineSettings(
        name=line.name,
        port=line.port,
        form=forms[line.form],
        baud=line.baud,
        bits=line.bits,
        parity=line.parity,
        stop_bits=line.stop_bits,
        flow=line.flow,
        exclusive=line.exclusive,
        quiet_alarm_s=line.quiet_alarm_s,
        retransmit_window_s=line.retransmit_window_s,
        unfinished_s=line.unfinished_s,
        write_timeout_s=line.write_timeout_s,
        backlog_bytes=line.backlog_bytes,
    )


def _folder_state(status: FolderStatus, writer_busy_s: float) -> SourceState:
    state: str = status.state
    detail = status.detail
    if status.busy_s > HUNG_S and writer_busy_s < HUNG_S:
        state = "degraded"
        detail = f"{status.path}: no answer for a minute or more; check the share or the disk"
    return SourceState(
        name=status.name,
        kind="folder",
        state=state,
        detail=detail,
        place=str(status.path),
        backend=status.backend,
        last_arrival_at=status.last_arrival_at,
        files_waiting=status.files_waiting,
    )


def _line_state(status: LineStatus) -> SourceState:
    return SourceState(
        name=status.name,
        kind="line",
        state=status.state,
        detail=status.detail,
        place=status.port,
        backend=status.device,
        last_arrival_at=status.last_byte_at,
        frames=status.frames,
        damaged=status.damaged,
    )


def _let_plans_load(plan: FolderSource | LineSource) -> None:
    """Wait, but not for long, until the plan folder's files are loaded.

    An export read before its instrument is known would be a fault that asks for a replay.
    """
    deadline = time.monotonic() + PLAN_FIRST_S
    while time.monotonic() < deadline:
        status = plan.status()
        if isinstance(status, LineStatus):
            return
        if status.last_scan_at is not None and not status.files_waiting:
            return
        time.sleep(0.02)
