"""Copies of the ledger that are known to be good, and going back to one.

A copy counts only once it was opened and verified. Going back loses what came after the copy:
that is written into the journal, and later checkpoints are set aside as evidence.
"""

import fcntl
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from ingestd.audit.archive import file_sha256, sync_folder
from ingestd.audit.checkpoints import known_checkpoints
from ingestd.audit.verify import VerifyReport, verify_ledger
from ingestd.config import Config
from ingestd.errors import LedgerMismatch, Refused
from ingestd.ledger.inputs import InForceCache
from ingestd.ledger.journal.checkpoints import Checkpoint
from ingestd.ledger.store import Ledger
from ingestd.model import PersonRole
from ingestd.pipeline.decisions import authorise


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """A verified copy: its hash, size in bytes, and what the verification said."""

    sha256: str
    size: int
    report: VerifyReport


def back_up(config: Config, target: Path) -> Copied:
    """A copy of the ledger at this moment, verified; whoever writes goes on writing.

    Raises:
        Refused: the target exists already.
        LedgerMismatch: the copy does not verify; it is removed.
        OSError: the disk refused.
    """
    if target.exists():
        raise Refused(str(target), "it exists already", "name a new file")
    part = target.with_name(f".{target.name}.part")
    part.unlink(missing_ok=True)
    try:
        ledger = Ledger.open_readonly(config.ledger.path)
        try:
            ledger.copy_to(part)
        finally:
            ledger.close()
        checkpoints, complaints = known_checkpoints(config)
        report = _verified(part, checkpoints)
        report.faults.extend(complaints)
        if not report.holds:
            raise LedgerMismatch(
                str(config.ledger.path),
                f"its copy does not verify: {report.faults[0]}",
                "run `ingestd verify` and keep earlier copies",
            )
        _publish(part, target)
    finally:
        part.unlink(missing_ok=True)
    return Copied(sha256=file_sha256(target), size=target.stat().st_size, report=report)


def restore(
    config: Config, copy: Path, *, by: str, reason: str, at: datetime, system_user: str
) -> tuple[VerifyReport, int]:
    """Make a verified copy the ledger; returns what its verification said, and the entries lost.

    Entries that a checkpoint was signed over and that the copy does not hold are lost: the
    journal says so from then on, and those checkpoints move into a folder of their own.

    Raises:
        Refused: a ledger is there already, a service runs on it, no reason, or no admin.
        LedgerMismatch: the copy is no ledger, of another site, or does not verify.
    """
    path = config.ledger.path
    if not reason.strip():
        raise Refused("restore", "a reason is needed", "give --reason TEXT")
    for taken in (path, Path(f"{path}-wal"), Path(f"{path}-journal")):
        if taken.exists():
            raise Refused(
                str(taken), "it is there already", "move it away first; nothing is overwritten"
            )
    _refuse_if_served(path)
    checkpoints, complaints = known_checkpoints(config)
    source = Ledger.open_readonly(copy)
    try:
        if source.site != config.site.name:
            raise LedgerMismatch(
                str(copy),
                f"it is of site {source.site!r}, the configuration of {config.site.name!r}",
                "name a copy of this site's ledger",
            )
        authorise(InForceCache().current(source.conn), by, PersonRole.ADMIN)
        (size,) = source.conn.execute("SELECT size FROM frontier").fetchone()
        report = _verified(copy, [one for one in checkpoints if one.size <= size])
        report.faults.extend(complaints)
        if not report.holds:
            raise LedgerMismatch(
                str(copy), f"it does not verify: {report.faults[0]}", "take an earlier copy"
            )
        part = path.with_name(f".{path.name}.part")
        part.unlink(missing_ok=True)
        source.copy_to(part)
    finally:
        source.close()
    lost = [one for one in checkpoints if one.size > size]
    _note_restored(part, config, copy, lost, by=by, reason=reason, at=at, system_user=system_user)
    _set_aside(config, lost, at)
    _publish(part, path)
    part.unlink()
    return report, max((one.size - size for one in lost), default=0)


def _verified(path: Path, checkpoints: list[Checkpoint]) -> VerifyReport:
    ledger = Ledger.open_readonly(path)
    try:
        answer = ledger.conn.execute("PRAGMA quick_check(1)").fetchone()[0]
        if answer != "ok":
            raise LedgerMismatch(str(path), f"SQLite finds it damaged: {answer}", "copy again")
        return verify_ledger(ledger.conn, checkpoints=checkpoints)
    finally:
        ledger.close()


def _publish(part: Path, target: Path) -> None:
    """Give a finished file its name, for good; a file of that name is never replaced."""
    descriptor = os.open(part, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    try:
        os.link(part, target)
    except FileExistsError as error:
        raise Refused(str(target), "it exists already", "name a new file") from error
    sync_folder(target.parent)


def _note_restored(
    part: Path,
    config: Config,
    copy: Path,
    lost: list[Checkpoint],
    *,
    by: str,
    reason: str,
    at: datetime,
    system_user: str,
) -> None:
    """The journal's own word that it was taken from a copy, and what it no longer holds."""
    ledger = Ledger.open(part, site=config.site.name)
    try:
        with ledger.change(at=at, by=by, system_user=system_user) as change:
            change.record(
                "ledger_restored",
                copy=copy.name,
                copy_sha256=file_sha256(copy),
                lost_checkpoints=[one.text for one in lost],
                reason=reason,
            )
        ledger.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        ledger.conn.execute("PRAGMA journal_mode = DELETE")
    finally:
        ledger.close()


def _set_aside(config: Config, lost: list[Checkpoint], at: datetime) -> None:
    """Keep checkpoints of entries that are lost, where they no longer bind the journal."""
    folder = config.ledger.checkpoints
    if folder is None or not lost:
        return
    aside = folder / f"before-restore-{at:%Y%m%dT%H%M%SZ}"
    aside.mkdir(parents=True, exist_ok=True)
    for one in lost:
        path = folder / f"checkpoint-{one.size:016d}.txt"
        if path.exists():
            path.rename(aside / path.name)
    sync_folder(aside)
    sync_folder(folder)


def _refuse_if_served(path: Path) -> None:
    lock = Path(f"{path}.service")
    if not lock.exists():
        return
    descriptor = os.open(lock, os.O_RDWR | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise Refused(str(path), "a service works on this ledger", "stop it first") from error
    finally:
        os.close(descriptor)
