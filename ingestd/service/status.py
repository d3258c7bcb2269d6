"""What stands, what waits and what is wrong, in one look at the ledger."""

import shutil
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from ingestd.audit.checkpoints import key_path, origin_of
from ingestd.config import Config
from ingestd.ledger.captures import UNFINISHED
from ingestd.ledger.connection import Connection
from ingestd.ledger.deliveries import DeliveryStanding, delivery_standings
from ingestd.ledger.inputs import InForceCache
from ingestd.ledger.journal.checkpoints import load_key, public_key_text
from ingestd.ledger.source_states import SourceState, source_states
from ingestd.model import State
from ingestd.pipeline.run_facts import day_of
from ingestd.times import instant

EXPIRY_NOTICE = timedelta(days=14)
SILENT = timedelta(minutes=2)  # the service speaks of its sources every half minute
LATE = timedelta(minutes=30)  # a released result that waits longer for delivery


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Counts and names; `needs_a_hand` where a person has something to do.

    Attributes:
        readings: ever taken.
        ledger_mib: of the ledger's file and its write-ahead log.
        disk_low_mib: less free than this needs a hand.
        silent_since: when the service last spoke, if it should have since; "" otherwise.
        sources: name, state and detail of each; `source_states` everything said of them.
        deliveries: how each target fares.
    """

    site: str
    journal_entries: int
    captures: dict[str, int]
    readings: int = 0
    readings_waiting: int
    results: dict[str, int]
    proposed: int
    runs_open: int
    last_arrival: str
    lots_expiring: tuple[str, ...]
    disk_free_mib: int
    disk_low_mib: int = 0
    ledger_mib: int = 0
    public_key: str
    silent_since: str = ""
    sources: tuple[tuple[str, str, str], ...] = ()
    source_states: tuple[SourceState, ...] = ()
    deliveries: tuple[DeliveryStanding, ...] = ()
    late: tuple[str, ...] = ()

    @property
    def needs_a_hand(self) -> bool:
        """True if something waits for a person, or is not as it should be."""
        return bool(self.reasons())

    def reasons(self) -> tuple[str, ...]:
        """Everything that needs a hand, a sentence each; contents of samples are never told."""
        found = [*self.operating_reasons()]
        counted = (
            (self.captures.get("failed", 0), "captures failed: `ingestd captures --state failed`"),
            (self.readings_waiting, "readings wait: `ingestd readings --waiting`"),
            (self.results.get("held", 0), "results are held: `ingestd results --state held`"),
            (self.proposed, "new versions are proposed beside released ones"),
        )
        found += [f"{count} {words}" for count, words in counted if count]
        return tuple(found)

    def operating_reasons(self) -> tuple[str, ...]:
        """The part of `reasons` that lab IT mends: sources, room, delivery, the service itself."""
        found = []
        if self.silent_since:
            found.append(f"the service has not been heard of since {self.silent_since} UTC")
        for name, state, detail in self.sources:
            if state not in ("ok", "stopped"):
                found.append(f"source {name} is {state}" + (f": {detail}" if detail else ""))
        for one in self.deliveries:
            if one.state == "refused":
                found.append(f"{one.target} refuses deliveries: {one.problem}")
            if one.set_aside:
                found.append(f"{one.target}: {one.set_aside} entries are set aside")
            if one.target in self.late:
                found.append(f"{one.target}: results wait for delivery since {one.oldest} UTC")
        if self.disk_free_mib < self.disk_low_mib:
            found.append(f"only {self.disk_free_mib} MiB are free on the ledger's disk")
        return tuple(found)

    def as_dict(self) -> dict[str, object]:
        """For a program."""
        return {
            **asdict(self),
            "needs_a_hand": self.needs_a_hand,
            "reasons": list(self.reasons()),
        }

    def rows(self) -> Sequence[tuple[str, object]]:
        """For a person."""
        return (
            ("site", self.site),
            ("last arrival, UTC", self.last_arrival or "none"),
            *(
                (f"source {name}", f"{state}{': ' + detail if detail else ''}")
                for name, state, detail in self.sources
            ),
            *(
                (
                    f"delivery to {one.target}",
                    f"{one.state}, {one.results_behind} results to go"
                    + (f": {one.problem}" if one.problem else ""),
                )
                for one in self.deliveries
            ),
            ("captures", _counts(self.captures)),
            ("readings taken", self.readings),
            ("readings that wait", self.readings_waiting),
            ("runs open", self.runs_open),
            ("results", _counts(self.results)),
            ("proposed beside released", self.proposed),
            ("lots expiring soon", ", ".join(self.lots_expiring) or "none"),
            ("journal entries", self.journal_entries),
            ("ledger", f"{self.ledger_mib} MiB"),
            ("disk free", f"{self.disk_free_mib} MiB"),
            ("public key", self.public_key or "made at the first checkpoint"),
            ("needs a hand", "; ".join(self.reasons()) or "nothing"),
        )


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {state}" for state, count in counts.items()) or "none"


def standing(conn: Connection, config: Config, *, now: datetime | None = None) -> Standing:
    """The state of a ledger at this moment, at a cost that hardly grows with it."""
    moment = now or datetime.now(UTC)
    path = key_path(config)
    last = conn.execute(
        "SELECT arrived_at FROM captures WHERE source <> 'forms' ORDER BY id DESC LIMIT 1"
    ).fetchone()
    states, said_at = source_states(conn)
    is_silent = (
        said_at is not None
        and moment - said_at > SILENT
        and any(one.state != "stopped" for one in states)
    )
    targets = _targets(config)
    deliveries = tuple(delivery_standings(conn, targets)) if targets else ()
    return Standing(
        site=config.site.name,
        journal_entries=_one(conn, "SELECT size FROM frontier"),
        captures=_captures(conn),
        readings=_one(conn, "SELECT coalesce(max(id), 0) FROM readings"),
        readings_waiting=_one(conn, "SELECT count(*) FROM waiting"),
        results=_results(conn),
        proposed=_one(conn, "SELECT count(*) FROM results WHERE proposed IS NOT NULL"),
        runs_open=_one(conn, "SELECT count(*) FROM runs WHERE complete = 0 AND closed = 0"),
        last_arrival=last[0] if last else "",
        lots_expiring=tuple(_expiring(conn, day_of(moment, config.site.policy))),
        disk_free_mib=shutil.disk_usage(config.ledger.path.parent).free >> 20,
        disk_low_mib=config.service.disk_low_mib,
        ledger_mib=_file_mib(config.ledger.path),
        public_key=public_key_text(load_key(path), origin_of(config.site.name))
        if path.exists()
        else "",
        silent_since=f"{said_at:%Y-%m-%d %H:%M}" if is_silent else "",
        sources=tuple((one.name, one.state, one.detail) for one in states),
        source_states=tuple(states),
        deliveries=deliveries,
        late=tuple(
            one.target for one in deliveries if one.oldest and moment - instant(one.oldest) > LATE
        ),
    )


def _targets(config: Config) -> list[str]:
    delivery = config.delivery
    found = ["postgres"] if delivery.postgres is not None else []
    return [*found, "files"] if delivery.files is not None else found


def _captures(conn: Connection) -> dict[str, int]:
    """Captures by state; those not read to the end have an index, so only they are counted."""
    counts = _grouped(
        conn,
        f"SELECT state, count(*) FROM capture_states WHERE {UNFINISHED} GROUP BY state",  # noqa: S608 - fixed texts
    )
    read = _one(conn, "SELECT coalesce(max(id), 0) FROM captures") - sum(counts.values())
    return {**counts, **({"read": read} if read else {})}


def _results(conn: Connection) -> dict[str, int]:
    """Results by state; what is not released is counted, the others are the rest of all."""
    found: dict[State, int] = {
        state: _one(conn, f"SELECT count(*) FROM results WHERE state = '{state}'")  # noqa: S608 - ours
        for state in State
        if state is not State.RELEASED
    }
    whole = _one(conn, "SELECT coalesce(max(id), 0) FROM results")
    found[State.RELEASED] = whole - sum(found.values())
    return {state.value: found[state] for state in sorted(found) if found[state]}


def _file_mib(path: Path) -> int:
    files = (path, path.with_name(f"{path.name}-wal"))
    return sum(file.stat().st_size for file in files if file.exists()) >> 20


def _one(conn: Connection, query: str) -> int:
    return int(conn.execute(query).fetchone()[0])


def _grouped(conn: Connection, query: str) -> dict[str, int]:
    return dict(conn.execute(f"{query} ORDER BY 1").fetchall())


def _expiring(conn: Connection, today: date) -> list[str]:
    lots = InForceCache().current(conn).of("kit_lot").values()
    return [
        f"{lot.lot} ({lot.expires})"
        for lot in sorted(lots, key=lambda lot: lot.expires)
        if today <= lot.expires <= today + EXPIRY_NOTICE
    ]
