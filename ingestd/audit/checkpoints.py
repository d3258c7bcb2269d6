"""Signed checkpoints of the journal, written beside the ledger and to a second place.

A checkpoint kept elsewhere is what shows later that the journal's end was cut off.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from urllib.parse import quote

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from ingestd.config import Config
from ingestd.ledger.connection import Connection
from ingestd.ledger.journal.checkpoints import (
    Checkpoint,
    CheckpointError,
    admit_checkpoint,
    covering_checkpoint,
    load_key,
    make_key,
    newest_checkpoint,
    public_key_text,
    read_checkpoints,
    sign_checkpoint,
)
from ingestd.ledger.journal.merkle import BLOCK_LEVEL, Frontier, StoredNodes, consistency_proof
from ingestd.steps import step

KEY_NAME = "journal.key"


def key_path(config: Config) -> Path:
    """Where the signing key is kept."""
    return config.ledger.path.parent / KEY_NAME


def origin_of(site: str) -> str:
    """The journal's name in checkpoints: the site's, with blanks and signs written as %XX."""
    return f"ingestd/{quote(site, safe='')}"


def write_checkpoint(conn: Connection, config: Config) -> Checkpoint:
    """Sign the journal as it stands and write it to the checkpoint folders.

    Nothing is signed that does not continue what was signed before: a ledger rolled back to an
    older copy would otherwise get a second history with a good signature.

    Args:
        conn: outside any transaction, so that only durable entries are signed.
        config: names the folders; the key is made at the first call.

    Raises:
        CheckpointError: the journal does not continue a kept checkpoint, beside the ledger or at
            the witness; the refused text is kept there as evidence.
        OSError: a folder cannot be written.
    """
    key = signing_key(config)
    origin = origin_of(config.site.name)
    verifier = public_key_text(key, origin)
    size, nodes = conn.execute("SELECT size, nodes FROM frontier").fetchone()
    checkpoint = sign_checkpoint(key, origin, size, Frontier.from_bytes(nodes).root())

    def prove(old_size: int, new_size: int) -> Sequence[bytes]:
        return consistency_proof(leaves_of(conn), old_size, new_size, nodes_of(conn))

    for folder in (config.ledger.checkpoints, config.ledger.witness):
        if folder is None:
            continue
        folder.mkdir(parents=True, exist_ok=True)
        try:
            admit_checkpoint(folder, checkpoint.text, verifier, prove)
        except CheckpointError:
            _keep_refused(folder, checkpoint)
            raise
        step("checkpoint_written")
    return checkpoint


def signing_key(config: Config) -> Ed25519PrivateKey:
    """The journal's signing key, made if there is none yet.

    Raises:
        CheckpointError: others can read it, or it is none.
        OSError: it cannot be written.
    """
    path = key_path(config)
    if not path.exists():
        make_key(path)
        step("key_made")
    return load_key(path)


def leaves_of(conn: Connection) -> Callable[[int, int], list[bytes]]:
    """The journal's leaf hashes from one index up to another, read when asked for."""

    def leaves(start: int, stop: int) -> list[bytes]:
        rows = conn.execute(
            "SELECT leaf FROM journal WHERE idx >= ? AND idx < ? ORDER BY idx", (start, stop)
        )
        return [leaf for (leaf,) in rows]

    return leaves


def nodes_of(conn: Connection) -> StoredNodes:
    """The kept roots of large subtrees of the journal.

    A false one proves nothing: what is made with it leads to no signed root.
    """

    def node(level: int, number: int) -> bytes | None:
        if level < BLOCK_LEVEL:
            return None
        row = conn.execute(
            "SELECT hash FROM journal_nodes WHERE level = ? AND number = ?", (level, number)
        ).fetchone()
        return None if row is None else bytes(row[0])

    return node


def _keep_refused(folder: Path, checkpoint: Checkpoint) -> None:
    name = f"refused-{checkpoint.size:016d}-{checkpoint.root.hex()[:16]}.txt"
    path = folder / name
    if not path.exists():
        path.write_text(checkpoint.text, encoding="utf-8")


def newest_kept(config: Config) -> tuple[Checkpoint | None, list[str]]:
    """The largest checkpoint beside the ledger or at the witness, verified, and complaints.

    Only the newest file of each folder is read; `known_checkpoints` reads every one.
    """
    found, complaints = _one_of_each_folder(config, newest_checkpoint)
    return max(found, key=lambda checkpoint: checkpoint.size, default=None), complaints


def smallest_covering(config: Config, entry: int) -> Checkpoint | None:
    """The smallest checkpoint beside the ledger or at the witness that covers a journal entry."""
    found, _ = _one_of_each_folder(
        config, lambda folder, verifier: covering_checkpoint(folder, verifier, entry)
    )
    return min(found, key=lambda checkpoint: checkpoint.size, default=None)


def _one_of_each_folder(
    config: Config, find: Callable[[Path, str], Checkpoint | None]
) -> tuple[list[Checkpoint], list[str]]:
    path = key_path(config)
    if not path.exists():
        return known_checkpoints(config)  # there are none, or a complaint
    verifier = public_key_text(load_key(path), origin_of(config.site.name))
    found: list[Checkpoint] = []
    complaints: list[str] = []
    for folder in _configured_folders(config):
        try:
            checkpoint = find(folder, verifier)
        except CheckpointError as error:
            complaints.append(str(error))
        else:
            found += [] if checkpoint is None else [checkpoint]
    return found, complaints


def _configured_folders(config: Config) -> list[Path]:
    return [
        folder
        for folder in (config.ledger.checkpoints, config.ledger.witness)
        if folder is not None and folder.is_dir()
    ]


def known_checkpoints(
    config: Config, *, folders: Sequence[Path] = (), verifier: str | None = None
) -> tuple[list[Checkpoint], list[str]]:
    """Verified checkpoints from beside the ledger, from the witness and from elsewhere, and
    complaints.

    The complaints name checkpoint files that are not what this journal's key signed, and
    checkpoints for which there is no key to check them with.

    Args:
        folders: more folders to read.
        verifier: the public key as it was published; else that of the key beside the ledger.
    """
    found: dict[tuple[int, bytes], Checkpoint] = {}
    complaints: list[str] = []
    everywhere = [*_configured_folders(config), *folders]
    if verifier is None and key_path(config).exists():
        verifier = public_key_text(load_key(key_path(config)), origin_of(config.site.name))
    for folder in everywhere:
        if not folder.is_dir():
            complaints.append(f"{folder}: no such folder of checkpoints")
            continue
        if verifier is None:
            if next(folder.glob("checkpoint-*.txt"), None) is not None:
                complaints.append(
                    f"{folder}: its checkpoints cannot be checked, {key_path(config)} is gone;"
                    " give the published key with --key"
                )
            continue
        try:
            for checkpoint in read_checkpoints(folder, verifier):
                found[checkpoint.size, checkpoint.root] = checkpoint
        except CheckpointError as error:
            complaints.append(str(error))
    return sorted(found.values(), key=lambda checkpoint: checkpoint.size), complaints
