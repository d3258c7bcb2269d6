"""What a watched folder is told, and what it tells of itself."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, Protocol

# Names that programs give to files they have not finished: common practice, no source.
TEMPORARY = (".*", "~*", "*~", "*.tmp", "*.temp", "*.part", "*.partial", "*.filepart", "*.swp")


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderSettings:
    """A folder to watch.

    Attributes:
        name: name of the source.
        patterns, ignore: shell patterns of names wanted and not, see `name_filter`.
        recursive: folders below as well; links are never followed.
        settle_s: seconds between two equal looks after which a file counts as finished.
        scan_s: seconds between two scans.
        backend: "native" uses events of the kernel, "polling" only scans; "auto" decides by the
            type of file system.
        limit_bytes: larger files are recorded with size and hash, not read.
        sweep_s: seconds after which every file is read again even if its stamp is unchanged.
        keep_bytes: memory for the bytes of growing files, which makes an appended row cheap.
    """

    name: str
    path: Path
    patterns: tuple[str, ...] = ("*",)
    ignore: tuple[str, ...] = TEMPORARY
    recursive: bool = False
    settle_s: float = 2.0
    scan_s: float = 5.0
    backend: Literal["auto", "native", "polling"] = "auto"
    limit_bytes: int = 64 * 2**20
    sweep_s: float = 86_400.0
    keep_bytes: int = 24 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderStatus:
    """How a folder source is doing.

    Attributes:
        state: "degraded" when the folder is lost or deliveries are refused; it goes on trying.
        detail: what is wrong and what to do, "" if nothing.
        backend: what is in use; "polling" also where events were refused.
        filesystem: type of file system, "" if unknown.
        files_seen: wanted files in the folder at the last scan.
        files_waiting: files of which something is still to be delivered, or to be called final.
        files_passed_over: links, pipes, devices, and files that cannot be read at present.
        busy_s: seconds since it last came back from a call that may hang on a share; 0 while it
            waits for something to do.
    """

    name: str
    path: Path
    state: Literal["ok", "degraded"]
    detail: str
    backend: Literal["native", "polling"]
    filesystem: str
    last_scan_at: datetime | None
    last_arrival_at: datetime | None
    files_seen: int
    files_waiting: int
    files_passed_over: int
    is_alive: bool
    busy_s: float = 0.0


class Log(Protocol):
    """The part of a structlog logger that is used."""

    def info(self, event: str, /, **keys: Any) -> Any:
        """Note a normal event."""

    def warning(self, event: str, /, **keys: Any) -> Any:
        """Note that someone may have to act."""
