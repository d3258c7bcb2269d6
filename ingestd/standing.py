"""What stands, what waits and what is wrong, in one look at the ledger."""

import shutil
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta

from ingestd.checkpointing import key_path, origin_of
from ingestd.config import Config
from ingestd.gathering import day_of
from ingestd.ledger.checkpoints import load_key, public_key_text
from ingestd.ledger.connection import Connection
from ingestd.ledger.plan import BookKeeper
from ingestd.ledger.source_states import source_states

EXPIRY_NOTICE = timedelta(days=14)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Counts and names; `needs_a_hand` where a person has something to do."""

    site: str
    journal_entries: int
    captures: dict[str, int]
    readings_waiting: int
    results: dict[str, int]
    proposed: int
    runs_open: int
    last_arrival: str
    lots_expiring: tuple[str, ...]
    disk_free_mib: int
    public_key: str
    sources: tuple[tuple[str, str, str], ...] = ()

    @property
    def needs_a_hand(self) -> bool:
        """True if something waits for a person, or a source is not as it should be."""
        return bool(
            self.captures.get("failed")
            or self.readings_waiting
            or self.results.get("held")
            or self.proposed
            or any(state not in ("ok", "stopped") for _, state, _ in self.sources)
        )

    def as_dict(self) -> dict[str, object]:
        """For a program."""
        return {**asdict(self), "needs_a_hand": self.needs_a_hand}

    def rows(self) -> Sequence[tuple[str, object]]:
        """For a person."""
        return (
            ("site", self.site),
            ("last arrival, UTC", self.last_arrival or "none"),
            *(
                (f"source {name}", f"{state}{': ' + detail if detail else ''}")
                for name, state, detail in self.sources
            ),
            ("captures", _counts(self.captures)),
            ("readings that wait", self.readings_waiting),
            ("runs open", self.runs_open),
            ("results", _counts(self.results)),
            ("proposed beside released", self.proposed),
            ("lots expiring soon", ", ".join(self.lots_expiring) or "none"),
            ("journal entries", self.journal_entries),
            ("disk free", f"{self.disk_free_mib} MiB"),
            ("public key", self.public_key or "made at the first checkpoint"),
        )


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {state}" for state, count in counts.items()) or "none"


def standing(conn: Connection, config: Config, *, now: datetime | None = None) -> Standing:
    """The state of a ledger at this moment."""
    moment = now or datetime.now(UTC)
    path = key_path(config)
    last = conn.execute("SELECT max(arrived_at) FROM captures WHERE source <> 'forms'").fetchone()
    return Standing(
        site=config.site.name,
        journal_entries=_one(conn, "SELECT size FROM frontier"),
        captures=_grouped(conn, "SELECT state, count(*) FROM capture_states GROUP BY state"),
        readings_waiting=_one(conn, "SELECT count(*) FROM waiting"),
        results=_grouped(conn, "SELECT state, count(*) FROM results GROUP BY state"),
        proposed=_one(conn, "SELECT count(*) FROM results WHERE proposed IS NOT NULL"),
        runs_open=_one(conn, "SELECT count(*) FROM runs WHERE complete = 0 AND closed = 0"),
        last_arrival=last[0] or "",
        lots_expiring=tuple(_expiring(conn, day_of(moment, config.site.policy))),
        disk_free_mib=shutil.disk_usage(config.ledger.path.parent).free >> 20,
        public_key=public_key_text(load_key(path), origin_of(config.site.name))
        if path.exists()
        else "",
        sources=tuple((one.name, one.state, one.detail) for one in source_states(conn)[0]),
    )


def _one(conn: Connection, query: str) -> int:
    return int(conn.execute(query).fetchone()[0])


def _grouped(conn: Connection, query: str) -> dict[str, int]:
    return dict(conn.execute(f"{query} ORDER BY 1").fetchall())


def _expiring(conn: Connection, today: date) -> list[str]:
    lots = BookKeeper().current(conn).of("kit_lot").values()
    return [
        f"{lot.lot} ({lot.expires})"
        for lot in sorted(lots, key=lambda lot: lot.expires)
        if today <= lot.expires <= today + EXPIRY_NOTICE
    ]
