"""Old captures moved out of the ledger into an archive file whose hash stays in the journal.

An archive is a ZIP file, uncompressed and readable by anybody for decades: one member a capture
with the bytes the ledger held (behind what it shares with the capture it continues), and a
manifest. Whole files move, never a part of one that grew: a continuation cannot be hashed
without what it continues. The file is written and read back before any byte leaves the ledger.
"""

import hashlib
import os
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from ingestd.errors import Refused
from ingestd.ledger.connection import Connection
from ingestd.ledger.journal.canonical import JSON, canonical
from ingestd.ledger.store import Ledger
from ingestd.times import stamp

MANIFEST = "manifest.json"
FORMAT = "ingestd-archive-1"
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest a ZIP can say: members carry no clock time
_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Archived:
    """What was moved: captures and bytes, and the hash of the archive file."""

    captures: int
    size: int
    sha256: str


def archive_captures(
    ledger: Ledger,
    target: Path,
    *,
    before: datetime,
    reason: str,
    at: datetime,
    by: str,
    system_user: str | None = None,
) -> Archived:
    """Move the bytes of files that ended before an instant into a new archive file.

    Args:
        target: the file to make; its name is kept in the journal.
        before: files with any capture from then on stay whole in the ledger.

    Raises:
        Refused: the file exists already, no reason, or there is nothing to archive.
        OSError: the file could not be written; the ledger is as it was.
    """
    if not reason.strip():
        raise Refused("archive", "a reason is needed", "give --reason TEXT")
    idents = _old_captures(ledger.conn, before)
    if not idents:
        raise Refused("archive", f"no file ended before {before:%Y-%m-%d}", "name a later day")
    size = _write(ledger.conn, target, idents, site=ledger.site)
    sha256 = file_sha256(target)
    with ledger.change(at=at, by=by, system_user=system_user) as change:
        change.record(
            "captures_archived",
            archive=change.new_id("archives"),
            name=target.name,
            sha256=sha256,
            captures=idents,
            reason=reason,
        )
        change.flush()
        change.conn.executemany(
            "UPDATE captures SET bytes = NULL WHERE id = ?", [(ident,) for ident in idents]
        )
    return Archived(captures=len(idents), size=size, sha256=sha256)


def _old_captures(conn: Connection, before: datetime) -> list[int]:
    """Captures with bytes of files none of whose captures is younger or still to be read."""
    rows = conn.execute(
        "SELECT id FROM captures WHERE bytes IS NOT NULL AND lineage NOT IN"
        " (SELECT c.lineage FROM captures c JOIN capture_states s ON s.capture = c.id"
        "  WHERE c.arrived_at >= ? OR s.state = 'stored') ORDER BY id",
        (stamp(before),),
    )
    return [ident for (ident,) in rows]


def _member(ident: int) -> str:
    return f"captures/{ident:012d}.bin"


def _write(conn: Connection, target: Path, idents: Sequence[int], *, site: str) -> int:
    """The archive on disk for good, read back; returns how many bytes of captures it holds."""
    if target.exists():
        raise Refused(str(target), "it exists already", "name a new file")
    part = target.with_name(f".{target.name}.part")
    size = 0
    told: list[JSON] = []
    try:
        with part.open("wb") as file:
            with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as archive:
                for ident in idents:
                    data, sha256, prefix, source, name = conn.execute(
                        "SELECT bytes, sha256, prefix_size, source, name FROM captures"
                        " WHERE id = ?",
                        (ident,),
                    ).fetchone()
                    size += len(data)
                    archive.writestr(zipfile.ZipInfo(_member(ident), _EPOCH), data)
                    told.append(
                        {
                            "capture": ident,
                            "source": source,
                            "name": name,
                            "prefix_size": prefix,
                            "sha256_of_whole_content": sha256,
                            "sha256": hashlib.sha256(data).hexdigest(),
                        }
                    )
                manifest = canonical({"format": FORMAT, "site": site, "captures": told})
                archive.writestr(zipfile.ZipInfo(MANIFEST, _EPOCH), manifest)
            file.flush()
            os.fsync(file.fileno())
        for ident, data in _members(part, idents):
            kept = conn.execute("SELECT bytes FROM captures WHERE id = ?", (ident,)).fetchone()[0]
            if data != kept:
                raise Refused(str(part), f"capture {ident} reads back otherwise", "try a new disk")
        os.link(part, target)
    except FileExistsError as error:
        raise Refused(str(target), "it exists already", "name a new file") from error
    finally:
        part.unlink(missing_ok=True)
    sync_folder(target.parent)
    return size


def _members(path: Path, idents: Sequence[int]) -> Iterator[tuple[int, bytes]]:
    with zipfile.ZipFile(path) as archive:
        for ident in idents:
            yield ident, archive.read(_member(ident))


def check_archive(conn: Connection, path: Path) -> None:
    """Return if this file is an archive of the ledger and holds every capture it should.

    Raises:
        Refused: it is not, or its bytes do not fit; says which capture.
        OSError: it cannot be read.
    """
    sha256 = file_sha256(path)
    row = conn.execute("SELECT id FROM archives WHERE sha256 = ?", (sha256,)).fetchone()
    if row is None:
        raise Refused(
            str(path), "no archive of this ledger has its hash", "it was altered or is of another"
        )
    idents = [
        ident
        for (ident,) in conn.execute(
            "SELECT capture FROM archived WHERE archive = ? ORDER BY capture", row
        )
    ]
    states: dict[int, hashlib._Hash] = {}
    for ident, data in _members(path, idents):
        continues, wanted = conn.execute(
            "SELECT continues, sha256 FROM captures WHERE id = ?", (ident,)
        ).fetchone()
        digest = states[continues].copy() if continues in states else hashlib.sha256()
        digest.update(data)
        states[ident] = digest
        if digest.hexdigest() != wanted:
            raise Refused(str(path), f"capture {ident} in it does not fit its hash", "restore it")


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's content, hexadecimal, read in blocks."""
    with path.open("rb") as file:
        digest = hashlib.sha256()
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
