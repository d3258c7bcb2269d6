"""Signed checkpoints of the journal, written beside the ledger and to a second place.

A checkpoint kept elsewhere is what shows later that the journal's end was cut off.
"""

from pathlib import Path
from urllib.parse import quote

from ingestd.config import Config
from ingestd.ledger.checkpoints import (
    Checkpoint,
    CheckpointError,
    load_key,
    make_key,
    public_key_text,
    read_checkpoints,
    sign_checkpoint,
)
from ingestd.ledger.checkpoints import write_checkpoint as write_file
from ingestd.ledger.connection import Connection
from ingestd.ledger.merkle import Frontier

KEY_NAME = "journal.key"


def key_path(config: Config) -> Path:
    """Where the signing key is kept."""
    return config.ledger.path.parent / KEY_NAME


def origin_of(site: str) -> str:
    """The journal's name in checkpoints: the site's, with blanks and signs written as %XX."""
    return f"ingestd/{quote(site, safe='')}"


def write_checkpoint(conn: Connection, config: Config) -> Checkpoint:
    """Sign the journal as it stands and write it to the checkpoint folders.

    Args:
        conn: outside any transaction, so that only durable entries are signed.
        config: names the folders; the key is made at the first call.

    Raises:
        OSError: a folder cannot be written.
    """
    path = key_path(config)
    if not path.exists():
        make_key(path)
    key = load_key(path)
    size, nodes = conn.execute("SELECT size, nodes FROM frontier").fetchone()
    root = Frontier.from_bytes(nodes).root()
    checkpoint = sign_checkpoint(key, origin_of(config.site.name), size, root)
    for folder in (config.ledger.checkpoints, config.ledger.witness):
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
            write_file(folder, checkpoint)
    return checkpoint


def known_checkpoints(config: Config) -> tuple[list[Checkpoint], list[str]]:
    """Verified checkpoints from beside the ledger and from the second place, and complaints.

    The complaints name checkpoint files that are not what this journal's key signed.
    """
    found: dict[tuple[int, bytes], Checkpoint] = {}
    complaints: list[str] = []
    if not key_path(config).exists():
        return [], []
    verifier = public_key_text(load_key(key_path(config)), origin_of(config.site.name))
    for folder in (config.ledger.checkpoints, config.ledger.witness):
        if folder is None or not folder.is_dir():
            continue
        try:
            for checkpoint in read_checkpoints(folder, verifier):
                found[checkpoint.size, checkpoint.root] = checkpoint
        except CheckpointError as error:
            complaints.append(str(error))
    return sorted(found.values(), key=lambda checkpoint: checkpoint.size), complaints
