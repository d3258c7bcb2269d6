"""Proof that one signed checkpoint continues another, in one JSON file anybody can check."""

from collections.abc import Sequence
from typing import Annotated, Literal

import orjson
from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from ingestd.ledger.journal.canonical import JSON, canonical, is_canonical
from ingestd.ledger.journal.checkpoints import Checkpoint, verify_checkpoint
from ingestd.ledger.journal.merkle import verify_consistency
from ingestd.ledger.journal.receipts import PATH_LIMIT, ReceiptError
from ingestd.ledger.journal.signed_notes import CheckpointError, read_verifier_key

FORMAT = "ingestd-consistency-1"

_Hash = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


class _Proof(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    format: Literal["ingestd-consistency-1"]
    old: str
    new: str
    proof: list[_Hash] = Field(max_length=PATH_LIMIT + 1)


def make_consistency(old: Checkpoint, new: Checkpoint, proof: Sequence[bytes]) -> bytes:
    """
    The proof as a JSON file (UTF-8, canonical, one line end).

    Raises:
        ReceiptError: the proof does not lead from the old root to the new one.
    """
    if not verify_consistency(old.size, old.root, new.size, new.root, proof):
        raise ReceiptError(
            f"checkpoint of {new.size} entries",
            f"its entries do not begin with the {old.size} of the older one",
            "run `ingestd verify`",
        )
    content: dict[str, JSON] = {
        "format": FORMAT,
        "old": old.text,
        "new": new.text,
        "proof": [node.hex() for node in proof],
    }
    return canonical(content) + b"\n"


def verify_consistency_file(data: bytes, verifier_key: str) -> tuple[Checkpoint, Checkpoint]:
    """
    The two checkpoints, older first, after everything was verified.

    Raises:
        CheckpointError: the verifier key itself is not one.
        ReceiptError: not such a file, another key's or log's, or altered.
    """
    key = read_verifier_key(verifier_key)
    try:
        proof = _Proof.model_validate(orjson.loads(data))
        if not (data.endswith(b"\n") and is_canonical(data[:-1])):
            raise ReceiptError("consistency proof", "another program has rewritten the file")
        old, new = verify_checkpoint(proof.old, key), verify_checkpoint(proof.new, key)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ", ".join(["consistency proof", *(str(one) for one in first["loc"])])
        raise ReceiptError(where, first["msg"], "ask for the original file") from error
    except ValueError as error:
        raise ReceiptError("consistency proof", f"not JSON: {error}") from error
    except CheckpointError as error:
        raise ReceiptError(
            "consistency proof, checkpoint", f"{error.subject}: {error.problem}", error.hint
        ) from error
    nodes = [bytes.fromhex(node) for node in proof.proof]
    if not verify_consistency(old.size, old.root, new.size, new.root, nodes):
        raise ReceiptError(
            "consistency proof",
            f"the {new.size} entries do not begin with the {old.size}",
            "the journal was rewritten, or the file was altered",
        )
    return old, new
