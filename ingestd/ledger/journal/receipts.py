"""Receipts: one journal entry with all that anybody needs to check it, in one JSON file.

A receipt holds the entry word for word, its number, the path from it to the root of the journal,
and a signed checkpoint with that root. Checking needs the log's public key and nothing else: no
ledger, no configuration, no network. It shows that this entry stood in the journal when the
checkpoint was signed; it does not show that the entry was the last word on the matter.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

import orjson
from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from ingestd.errors import IngestError
from ingestd.ledger.journal.canonical import JSON, canonical, is_canonical
from ingestd.ledger.journal.checkpoints import Checkpoint, verify_checkpoint
from ingestd.ledger.journal.merkle import leaf_hash, verify_inclusion
from ingestd.ledger.journal.signed_notes import CheckpointError, read_verifier_key

FORMAT = "ingestd-receipt-1"
RECEIPT_LIMIT = 16 * 1024 * 1024  # bytes; an entry is far smaller
PATH_LIMIT = 64  # a log of 2**64 entries

_GIVE_OURS = "give the file as `ingestd receipt` wrote it, byte for byte"


class ReceiptError(IngestError):
    """A receipt does not prove what it claims, or is no receipt.

    Nothing is taken from it; whoever presented it is asked for the original file.
    """

    disposition = "hold"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiptCheck:
    """What a receipt has been found to prove.

    Attributes:
        origin: the log, as its checkpoint and the key name it.
        index: number of the entry, counted from 0.
        entry: the entry, word for word (canonical JSON).
        body: the entry, read.
        checkpoint: the signed size and root that cover it.
    """

    origin: str
    index: int
    entry: bytes
    body: dict[str, object]
    checkpoint: Checkpoint


_Hash = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


class _Receipt(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    format: Literal["ingestd-receipt-1"]
    entry: str
    index: int = Field(ge=0)
    proof: list[_Hash] = Field(max_length=PATH_LIMIT)
    checkpoint: str


def make_receipt(
    entry: bytes, index: int, proof: Sequence[bytes], checkpoint: Checkpoint
) -> bytes:
    """
    A receipt as a JSON file (UTF-8, canonical, one line end).

    Args:
        entry: the journal entry as it was hashed (canonical JSON).
        index: its number, counted from 0.
        proof: inclusion proof for it in the tree of `checkpoint.size` entries.
        checkpoint: signed; covers the entry.

    Raises:
        ReceiptError: the proof does not lead from the entry to the checkpoint's root.
    """
    if not verify_inclusion(leaf_hash(entry), index, checkpoint.size, proof, checkpoint.root):
        raise ReceiptError(
            f"entry {index}",
            f"its proof does not lead to the root of the {checkpoint.size} entries signed",
            "run `ingestd verify`",
        )
    receipt: dict[str, JSON] = {
        "format": FORMAT,
        "entry": entry.decode("utf-8"),
        "index": index,
        "proof": [node.hex() for node in proof],
        "checkpoint": checkpoint.text,
    }
    return canonical(receipt) + b"\n"


def verify_receipt(data: bytes, verifier_key: str) -> ReceiptCheck:
    """
    What the receipt proves, after everything in it has been verified.

    Args:
        data: the receipt file, byte for byte as make_receipt wrote it.
        verifier_key: public key of the log, as `ingestd status` prints it.

    Raises:
        CheckpointError: the verifier key itself is not one.
        ReceiptError: not a receipt; signed by another key or for another log; or entry, number,
            path or checkpoint were altered. The message says which.
    """
    key = read_verifier_key(verifier_key)
    receipt = _read(data)
    try:
        checkpoint = verify_checkpoint(receipt.checkpoint, key)
    except CheckpointError as error:
        raise ReceiptError(
            "receipt, checkpoint", f"{error.subject}: {error.problem}", error.hint
        ) from error
    if receipt.index >= checkpoint.size:
        raise ReceiptError(
            "receipt",
            f"entry number {receipt.index} is not among the {checkpoint.size} entries signed",
            "the number was altered: ask for the original file",
        )
    entry = receipt.entry.encode("utf-8")
    proof = [bytes.fromhex(node) for node in receipt.proof]
    if not verify_inclusion(
        leaf_hash(entry), receipt.index, checkpoint.size, proof, checkpoint.root
    ):
        raise ReceiptError(
            "receipt",
            f"this text was not entry {receipt.index} of log {checkpoint.origin}: text, number or "
            "path do not lead to the signed root",
            "one of them was altered: ask for the original file",
        )
    if not is_canonical(entry):
        raise ReceiptError(
            "receipt, entry",
            f"entry {receipt.index} was signed but is no canonical JSON object",
            "the log was not written by this program",
        )
    return ReceiptCheck(
        origin=checkpoint.origin,
        index=receipt.index,
        entry=entry,
        body=orjson.loads(entry),
        checkpoint=checkpoint,
    )


def _read(data: bytes) -> _Receipt:
    if len(data) > RECEIPT_LIMIT:
        raise ReceiptError("receipt", f"{len(data)} bytes, at most {RECEIPT_LIMIT} expected")
    try:
        content = orjson.loads(data)
    except ValueError as error:
        raise ReceiptError("receipt", f"not JSON: {error}", _GIVE_OURS) from error
    try:
        receipt = _Receipt.model_validate(content)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ", ".join(["receipt", *(str(step) for step in first["loc"])])
        raise ReceiptError(where, first["msg"], _GIVE_OURS) from error
    # One receipt has one spelling: no byte of it can be changed, not even to say the same in
    # another way, and no two readers can read it differently (a name twice, a hidden space).
    if not (data.endswith(b"\n") and is_canonical(data[:-1])):
        raise ReceiptError("receipt", "another program has rewritten the file", _GIVE_OURS)
    return receipt
