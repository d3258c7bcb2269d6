"""Checkpoints: size and root of the journal, signed, in files that can be kept elsewhere.

A checkpoint is a signed note whose text is three lines: origin (the name of this log), size,
root. Anyone who kept one can later prove that the journal still begins with exactly those
entries; a key on the same computer stops only those who do not have it, a copy elsewhere stops
everybody.

Source: C2SP tlog-checkpoint; tests/ingestd/ledger/test_checkpoints.py.
"""

import base64
import os
import secrets
import time
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from ingestd.ledger.journal.merkle import HASH_BYTES, verify_consistency
from ingestd.ledger.journal.signed_notes import (
    CheckpointError,
    VerifierKey,
    from_base64,
    open_note,
    public_key_text,
    read_verifier_key,
    sign_note,
    split_note,
)

__all__ = [
    "Checkpoint",
    "CheckpointError",
    "VerifierKey",
    "admit_checkpoint",
    "covering_checkpoint",
    "load_key",
    "make_key",
    "newest_checkpoint",
    "parse_checkpoint",
    "public_key_text",
    "read_checkpoints",
    "read_verifier_key",
    "sign_checkpoint",
    "verify_checkpoint",
    "write_checkpoint",
]

SIZE_DIGITS = 19
SETTLED_NS = 3_000_000_000
_LISTED: dict[Path, tuple[int, list[str]]] = {}  # folder: when it had changed, its files

_OPEN_TO_OTHERS = 0o027  # group may read (service credentials), others nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Checkpoint:
    """What one checkpoint says, and its whole text with the signatures."""

    origin: str
    size: int
    root: bytes
    text: str


def make_key(path: Path) -> Ed25519PrivateKey:
    """
    A new signing key, on disk for good (mode 0600, PKCS #8 PEM) when this returns.

    Raises:
        CheckpointError: something stands at that path already; it is left as it is.
        OSError: the disk refused; do not go on.
    """
    key = Ed25519PrivateKey.generate()
    pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    fresh = _write_beside(path, pem, 0o600)
    try:
        # A link refuses to replace; a rename would silently put a new key over the old one.
        os.link(fresh, path)
    except FileExistsError as error:
        raise CheckpointError(
            str(path),
            "a signing key stands here already",
            "use it, or move it away and publish the new public key",
        ) from error
    finally:
        fresh.unlink()
    _sync_folder(path.parent)
    return key


def load_key(path: Path) -> Ed25519PrivateKey:
    """
    The signing key that make_key wrote.

    Raises:
        CheckpointError: no file, not an Ed25519 key, or other users can read or change it.
    """
    try:
        mode = path.stat().st_mode
        pem = path.read_bytes()
    except FileNotFoundError as error:
        raise CheckpointError(
            str(path), "no signing key here", "it is made at first start"
        ) from error
    if mode & _OPEN_TO_OTHERS:
        raise CheckpointError(
            str(path),
            f"mode {mode & 0o777:04o} lets other users at the signing key",
            f"chmod 600 {path}, and make a new key if somebody may have read it",
        )
    try:
        key = load_pem_private_key(pem, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise CheckpointError(
            str(path),
            "expected an Ed25519 key without password (PKCS #8 PEM), found something else",
            "restore the key from its backup",
        ) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise CheckpointError(str(path), f"expected an Ed25519 key, found {type(key).__name__}")
    return key


def sign_checkpoint(key: Ed25519PrivateKey, origin: str, size: int, root: bytes) -> Checkpoint:
    """
    A checkpoint signed under the log's own name.

    Sign only what has been committed to disk, and never two histories: see admit_checkpoint.

    Args:
        key: the log's signing key.
        origin: name of the log, best as host/path, without spaces and plus signs.
        size: number of entries.
        root: root hash over them, 32 bytes.
    """
    if size < 0 or len(root) != HASH_BYTES:
        raise CheckpointError(
            "checkpoint",
            f"size {size} and a root of {len(root)} bytes, "
            f"expected 0 or more and {HASH_BYTES} bytes",
        )
    body = f"{origin}\n{size}\n{base64.b64encode(root).decode()}\n"
    return Checkpoint(origin=origin, size=size, root=root, text=sign_note(body, key, origin))


def parse_checkpoint(note: str) -> Checkpoint:
    """
    What a checkpoint says, signatures NOT verified.

    Raises:
        CheckpointError: not a signed note of three or more lines: origin, size, root.
    """
    text, _ = split_note(note)
    lines = text[:-1].split("\n")
    if len(lines) < 3 or not all(lines):
        raise CheckpointError(
            "checkpoint",
            f"expected the lines origin, size, root, found {len(lines)} lines "
            f"beginning {lines[0][:40]!r}",
        )
    origin, size, root64 = lines[:3]
    if not (size.isascii() and size.isdecimal() and len(size) <= SIZE_DIGITS) or (
        size[0] == "0" and size != "0"
    ):
        raise CheckpointError(
            f"checkpoint {origin}", f"line 2: size {size[:40]!r} is not a number"
        )
    root = from_base64(root64)
    if root is None or len(root) != HASH_BYTES:
        raise CheckpointError(
            f"checkpoint {origin}",
            f"line 3: expected base64 of {HASH_BYTES} bytes, found {root64[:60]!r}",
        )
    return Checkpoint(origin=origin, size=int(size), root=root, text=note)


def verify_checkpoint(note: str, verifier_key: str | VerifierKey) -> Checkpoint:
    """
    What a checkpoint says, after the signature by this key has been verified.

    Raises:
        CheckpointError: as open_note and parse_checkpoint, or signed under another log's name.
    """
    key = read_verifier_key(verifier_key) if isinstance(verifier_key, str) else verifier_key
    open_note(note, key)
    checkpoint = parse_checkpoint(note)
    if checkpoint.origin != key.name:
        raise CheckpointError(
            "checkpoint", f"it is of log {checkpoint.origin}, but the key is that of {key.name}"
        )
    return checkpoint


def write_checkpoint(folder: Path, checkpoint: Checkpoint) -> Path:
    """
    The file that holds this checkpoint, on disk for good when this returns.

    One of the same size and root that is there already is left as it is.

    Raises:
        CheckpointError: one of the same size with another root or log is there; it is kept.
        OSError: the disk refused; the checkpoint is not kept.
    """
    path = folder / _name_of(checkpoint.size)
    if path.exists():
        kept = _read_file(path, parse_checkpoint)
        if (kept.origin, kept.root) == (checkpoint.origin, checkpoint.root):
            return path
        raise CheckpointError(
            str(path),
            f"log {kept.origin} had root {kept.root.hex()} at size {kept.size}, now log "
            f"{checkpoint.origin} has {checkpoint.root.hex()}: the journal was rewritten or is "
            "another one",
            "the kept file is the evidence, do not remove it",
        )
    fresh = _write_beside(path, checkpoint.text.encode(), 0o444)
    try:
        fresh.rename(path)
    except OSError:
        fresh.unlink(missing_ok=True)
        raise
    _sync_folder(folder)
    return path


def read_checkpoints(folder: Path, verifier_key: str | VerifierKey) -> tuple[Checkpoint, ...]:
    """
    Every checkpoint kept in a folder, signatures verified, smallest first.

    Raises:
        CheckpointError: one of them does not verify; names the file.
    """
    key = read_verifier_key(verifier_key) if isinstance(verifier_key, str) else verifier_key
    found = [
        _read_file(path, lambda note: verify_checkpoint(note, key))
        for path in folder.glob("checkpoint-*.txt")
    ]
    return tuple(sorted(found, key=lambda checkpoint: checkpoint.size))


def newest_checkpoint(folder: Path, verifier_key: str | VerifierKey) -> Checkpoint | None:
    """
    The largest checkpoint kept in a folder, signature verified; None if there is none.

    Only the file with the largest size in its name is read: there may be very many.

    Raises:
        CheckpointError: it does not verify, or says another size than its name; names the file.
    """
    names = _names(folder)
    name = names[-1] if names else None
    return None if name is None else _read_named(folder / name, verifier_key)


def covering_checkpoint(
    folder: Path, verifier_key: str | VerifierKey, entry: int
) -> Checkpoint | None:
    """
    The smallest checkpoint kept in a folder that covers an entry; None if none does.

    Like `newest_checkpoint` it reads one file, and raises as that does.
    """
    too_small = _name_of(entry)
    names = _names(folder)
    at = bisect_right(names, too_small)
    name = names[at] if at < len(names) else None
    return None if name is None else _read_named(folder / name, verifier_key)


def _name_of(size: int) -> str:
    """The file of a checkpoint; names sort as sizes do."""
    return f"checkpoint-{size:016d}.txt"


def _names(folder: Path) -> list[str]:
    """The folder's checkpoint files, smallest first.

    After years there are a hundred thousand: a list is kept while the folder has not changed. A
    change within the same tick of the file system's clock would not show, so it is not kept from
    a folder that changed in the last seconds.
    """
    changed = folder.stat().st_mtime_ns
    kept = _LISTED.get(folder)
    if kept is not None and kept[0] == changed:
        return kept[1]
    names = sorted(
        name
        for name in os.listdir(folder)  # noqa: PTH208 - no path for each
        if name.startswith("checkpoint-") and name.endswith(".txt")
    )
    if time.time_ns() - changed > SETTLED_NS:
        _LISTED[folder] = changed, names
    return names


def _read_named(path: Path, verifier_key: str | VerifierKey) -> Checkpoint:
    key = read_verifier_key(verifier_key) if isinstance(verifier_key, str) else verifier_key
    found = _read_file(path, lambda note: verify_checkpoint(note, key))
    if path.name != _name_of(found.size):
        raise CheckpointError(str(path), f"its name is not that of a size of {found.size}")
    return found


def admit_checkpoint(
    folder: Path,
    note: str,
    verifier_key: str | VerifierKey,
    prove: Callable[[int, int], Sequence[bytes]],
) -> Path:
    """
    The file that now holds this checkpoint, after it was shown to extend the newest one kept.

    This is what a witness does: it trusts the proof, not the log.

    Args:
        folder: checkpoints kept so far.
        note: text of the new one.
        verifier_key: key of the log.
        prove: (old size, size) → consistency proof, from the log.

    Raises:
        CheckpointError: not signed by the log, smaller than the newest one kept, or not a
            continuation of it. Keep the refused text: it is evidence.
    """
    checkpoint = verify_checkpoint(note, verifier_key)
    newest = newest_checkpoint(folder, verifier_key)
    if newest is not None:
        if checkpoint.size < newest.size:
            raise CheckpointError(
                f"checkpoint {checkpoint.origin}",
                f"{checkpoint.size} entries, but a checkpoint of {newest.size} is kept in "
                f"{folder}: the journal was cut or rolled back",
                "keep both: they are evidence; compare with the backups",
            )
        proof = prove(newest.size, checkpoint.size) if checkpoint.size > newest.size else ()
        if not verify_consistency(
            newest.size, newest.root, checkpoint.size, checkpoint.root, proof
        ):
            raise CheckpointError(
                f"checkpoint {checkpoint.origin}",
                f"its {checkpoint.size} entries do not begin with the {newest.size} of the "
                f"checkpoint kept in {folder}: the journal was rewritten",
                "keep both: they are evidence; compare with the backups",
            )
    return write_checkpoint(folder, checkpoint)


def _read_file(path: Path, read: Callable[[str], Checkpoint]) -> Checkpoint:
    try:
        return read(path.read_bytes().decode("utf-8"))
    except (CheckpointError, UnicodeDecodeError) as error:
        raise CheckpointError(str(path), str(error)) from error


def _write_beside(path: Path, data: bytes, mode: int) -> Path:
    """A new hidden file with this content in the same folder, synced."""
    fresh = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        fresh.unlink(missing_ok=True)
        raise
    return fresh


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
