"""Proofs to hand out: receipts of journal entries, and that one checkpoint continues another."""

from ingestd.audit.checkpoints import leaves_of, nodes_of, smallest_covering, write_checkpoint
from ingestd.config import Config
from ingestd.errors import Refused
from ingestd.ledger.connection import Connection
from ingestd.ledger.journal.checkpoints import Checkpoint
from ingestd.ledger.journal.consistency import make_consistency
from ingestd.ledger.journal.merkle import consistency_proof, inclusion_proof
from ingestd.ledger.journal.receipts import make_receipt
from ingestd.ledger.results import get_result, versions_of

_DECIDED = b'"kind":"decided"'


def entry_of(conn: Connection, result: int, *, version: int | None, decision: bool) -> int:
    """The journal entry that says a result, or the newest decision on it.

    Args:
        version: which version; the one that stands by default.
        decision: the entry that released or withdrew it instead.

    Raises:
        Refused: there is no such result or version, or nothing was decided on it.
    """
    row = get_result(conn, result)
    wanted = version or row.version
    chosen = next((v for v in versions_of(conn, result) if v.version == wanted), None)
    if chosen is None:
        raise Refused(f"result {result}", f"it has no version {wanted}", "see `ingestd explain`")
    if not decision:
        return chosen.entry
    found = conn.execute(
        "SELECT max(idx) FROM journal WHERE idx > ? AND instr(body, ?) > 0"
        " AND json_extract(CAST(body AS TEXT), '$.kind') = 'decided'"
        " AND json_extract(CAST(body AS TEXT), '$.result') = ?"
        " AND json_extract(CAST(body AS TEXT), '$.version') = ?",
        (chosen.entry, _DECIDED, result, wanted),
    ).fetchone()[0]
    if found is None:
        raise Refused(
            f"result {result}", f"nobody has decided on version {wanted}", "leave out --decision"
        )
    return int(found)


def receipt_of(conn: Connection, config: Config, entry: int, *, may_sign: bool = True) -> bytes:
    """The receipt of a journal entry, with the smallest signed checkpoint that covers it.

    Args:
        may_sign: where none covers it yet, sign the journal as it stands now; else refuse, so
            that asking changes nothing.

    Raises:
        Refused: there is no such entry, or no checkpoint covers it yet.
        CheckpointError: the journal cannot be signed.
    """
    row = conn.execute("SELECT body FROM journal WHERE idx = ?", (entry,)).fetchone()
    if row is None:
        raise Refused(f"journal entry {entry}", "there is none", "see `ingestd status`")
    covering = smallest_covering(config, entry)
    if covering is None and not may_sign:
        raise Refused(
            f"journal entry {entry}",
            "no signed checkpoint covers it yet",
            "the service signs one every few minutes; the page Journal signs one at once",
        )
    if covering is None:
        covering = write_checkpoint(conn, config)
    proof = inclusion_proof(leaves_of(conn), entry, covering.size, nodes_of(conn))
    return make_receipt(row[0], entry, proof, covering)


def consistency_of(conn: Connection, old: Checkpoint, new: Checkpoint) -> bytes:
    """A file that shows to anybody that the newer checkpoint continues the older one.

    Raises:
        Refused: the journal does not hold so many entries.
        ReceiptError: it does not continue it.
    """
    (size,) = conn.execute("SELECT size FROM frontier").fetchone()
    if max(old.size, new.size) > size:
        raise Refused(
            f"checkpoint of {max(old.size, new.size)} entries",
            f"the journal holds {size}",
            "its end was cut off, or the checkpoint is of another ledger",
        )
    first, second = sorted((old, new), key=lambda one: one.size)
    proof = consistency_proof(leaves_of(conn), first.size, second.size, nodes_of(conn))
    return make_consistency(first, second, proof)
