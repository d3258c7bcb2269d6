"""Signed checkpoints of the journal, written beside the ledger and to a second place.

A checkpoint kept elsewhere is what shows later that the journal's end was cut off.
"""

from pathlib import Path
from urllib.parse import quote

from ingestd.config import Config
from ingestd.ledger.checkpoints import Checkpoint, load_key, make_key, sign_checkpoint
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
