"""The receipt of a journal entry, with the newest signed checkpoint that covers it."""

from collections.abc import Iterable

from ingestd.checkpointing import known_checkpoints
from ingestd.config import Config
from ingestd.errors import Refused
from ingestd.ledger.connection import Connection
from ingestd.ledger.merkle import inclusion_proof
from ingestd.ledger.receipts import make_receipt


def receipt_of(conn: Connection, config: Config, entry: int) -> bytes:
    """A receipt that anybody can check with the journal's public key.

    It is made from a checkpoint that exists already, so that asking for it changes nothing.

    Raises:
        Refused: no checkpoint covers the entry yet.
    """
    checkpoints, _ = known_checkpoints(config)
    covering = [one for one in checkpoints if one.size > entry]
    if not covering:
        raise Refused(
            f"journal entry {entry}",
            "no signed checkpoint covers it yet",
            "the service signs one every few minutes; the page Journal signs one at once",
        )
    checkpoint = covering[0]  # the smallest: the fewest leaves to read

    def leaves(start: int, stop: int) -> Iterable[bytes]:
        rows = conn.execute(
            "SELECT leaf FROM journal WHERE idx >= ? AND idx < ? ORDER BY idx", (start, stop)
        )
        return [leaf for (leaf,) in rows]

    proof = inclusion_proof(leaves, entry, checkpoint.size)
    (body,) = conn.execute("SELECT body FROM journal WHERE idx = ?", (entry,)).fetchone()
    return make_receipt(bytes(body), entry, proof, checkpoint)
