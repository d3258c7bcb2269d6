"""How every source is doing, from the service to whoever looks at it from another process.

The service writes one small JSON file beside the ledger; the page reads it. It is a sign of
life, not a record: it may be lost, and nothing is decided by it.
"""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

import orjson

from ingestd.sources.folder_settings import FolderStatus
from ingestd.sources.line_settings import LineStatus
from ingestd.stamps import instant, stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceState:
    """One source at one moment.

    Attributes:
        kind: "folder" or "line".
        where: the folder or port.
        state: "ok", "degraded", "lost" or "refused".
        detail: what is wrong and what to do, "" if nothing.
    """

    name: str
    kind: str
    where: str
    state: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceStates:
    """All sources of a service, and when it looked."""

    at: datetime
    sources: tuple[SourceState, ...]


def states_path(ledger: Path) -> Path:
    """Where the file is."""
    return Path(f"{ledger}.sources")


def state_of(status: FolderStatus | LineStatus) -> SourceState:
    """What a source says of itself, as it is told to others."""
    if isinstance(status, FolderStatus):
        kind, where = "folder", str(status.path)
    else:
        kind, where = "line", status.port
    return SourceState(
        name=status.name, kind=kind, where=where, state=status.state, detail=status.detail
    )


def write_states(path: Path, states: Iterable[SourceState], *, at: datetime) -> None:
    """Put the states where others read them, in one step.

    Raises:
        OSError: the folder cannot be written.
    """
    body = {"at": stamp(at), "sources": [asdict(state) for state in states]}
    beside = path.with_name(f".{path.name}.new")
    beside.write_bytes(orjson.dumps(body))
    beside.replace(path)


def read_states(path: Path) -> SourceStates | None:
    """The states last written; None if there are none to be read."""
    try:
        body = orjson.loads(path.read_bytes())
        return SourceStates(
            at=instant(body["at"]),
            sources=tuple(SourceState(**state) for state in body["sources"]),
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None
