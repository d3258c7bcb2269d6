"""Receipts are checked with nothing but the public key; every changed byte is noticed."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.ledger.journal.canonical import JSON, canonical
from ingestd.ledger.journal.checkpoints import sign_checkpoint
from ingestd.ledger.journal.merkle import inclusion_proof, leaf_hash, root_of
from ingestd.ledger.journal.receipts import ReceiptError, make_receipt, verify_receipt
from ingestd.ledger.journal.signed_notes import CheckpointError, public_key_text

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
LOG = "lab.example/journal"
VERIFIER = public_key_text(KEY, LOG)
ENTRIES = [
    canonical(
        {"kind": "result", "n": number, "value": f"{number}.50", "unit": "mg/L", "why": "µ\t"}
    )
    for number in range(20)
]
LEAVES = [leaf_hash(entry) for entry in ENTRIES]
CHECKPOINT = sign_checkpoint(KEY, LOG, len(LEAVES), root_of(LEAVES))


def receipt_of(index: int) -> bytes:
    proof = inclusion_proof(LEAVES, index, len(LEAVES))
    return make_receipt(ENTRIES[index], index, proof, CHECKPOINT)


RECEIPT = receipt_of(7)


def changed(**members: JSON) -> bytes:
    return canonical({**json.loads(RECEIPT), **members}) + b"\n"


@pytest.mark.parametrize("index", range(len(ENTRIES)))
def test_receipt_of_every_entry_proves_that_entry(index: int) -> None:
    got = verify_receipt(receipt_of(index), VERIFIER)
    assert got.origin == LOG
    assert got.index == index
    assert got.entry == ENTRIES[index]
    assert got.body == json.loads(ENTRIES[index])
    assert got.checkpoint == CHECKPOINT


def test_receipt_with_every_single_byte_changed_cut_or_doubled_is_refused() -> None:
    for at in range(len(RECEIPT)):
        for bit in range(8):
            bent = bytearray(RECEIPT)
            bent[at] ^= 1 << bit
            with pytest.raises(ReceiptError):
                verify_receipt(bytes(bent), VERIFIER)
        with pytest.raises(ReceiptError):
            verify_receipt(RECEIPT[:at] + RECEIPT[at + 1 :], VERIFIER)
        with pytest.raises(ReceiptError):
            verify_receipt(RECEIPT[:at] + RECEIPT[at : at + 1] + RECEIPT[at:], VERIFIER)


@given(st.integers(0, len(RECEIPT) - 1), st.integers(0, 255))
@settings(max_examples=300)
def test_receipt_with_any_byte_replaced_is_refused(at: int, byte: int) -> None:
    bent = RECEIPT[:at] + bytes([byte]) + RECEIPT[at + 1 :]
    if bent == RECEIPT:
        assert verify_receipt(bent, VERIFIER).index == 7
    else:
        with pytest.raises(ReceiptError):
            verify_receipt(bent, VERIFIER)


@given(st.binary(max_size=200) | st.text(max_size=100).map(str.encode))
def test_anything_else_is_refused_with_our_own_error(data: bytes) -> None:
    with pytest.raises(ReceiptError):
        verify_receipt(data, VERIFIER)


def test_every_prefix_of_a_receipt_is_refused() -> None:
    for length in range(len(RECEIPT)):
        with pytest.raises(ReceiptError):
            verify_receipt(RECEIPT[:length], VERIFIER)


def test_altered_entry_is_said_to_be_altered() -> None:
    entry = ENTRIES[7].decode().replace("7.50", "1.50")
    with pytest.raises(ReceiptError, match="this text was not entry 7 of log"):
        verify_receipt(changed(entry=entry), VERIFIER)


def test_entry_under_the_number_of_another_is_refused() -> None:
    with pytest.raises(ReceiptError, match="this text was not entry 8 of log"):
        verify_receipt(changed(index=8), VERIFIER)


def test_number_beyond_the_checkpoint_is_refused() -> None:
    with pytest.raises(ReceiptError, match="entry number 20 is not among the 20 entries signed"):
        verify_receipt(changed(index=20), VERIFIER)


def test_path_of_another_entry_is_refused() -> None:
    proof: list[JSON] = [node.hex() for node in inclusion_proof(LEAVES, 8, len(LEAVES))]
    with pytest.raises(ReceiptError, match="this text was not entry 7 of log"):
        verify_receipt(changed(proof=proof), VERIFIER)


def test_forged_checkpoint_is_refused() -> None:
    forged = [*LEAVES[:7], leaf_hash(b"forged"), *LEAVES[8:]]
    other = Ed25519PrivateKey.from_private_bytes(bytes(32))
    checkpoint = sign_checkpoint(other, LOG, len(forged), root_of(forged))
    receipt = make_receipt(b"forged", 7, inclusion_proof(forged, 7, len(forged)), checkpoint)
    with pytest.raises(ReceiptError, match=r"receipt, checkpoint: .*not signed by"):
        verify_receipt(receipt, VERIFIER)


def test_receipt_of_another_site_names_both_logs() -> None:
    key = public_key_text(Ed25519PrivateKey.from_private_bytes(bytes(32)), "other.example/journal")
    with pytest.raises(ReceiptError) as caught:
        verify_receipt(RECEIPT, key)
    message = str(caught.value)
    assert "not signed by other.example/journal+" in message
    assert f"but by {LOG}+" in message
    assert "from another site" in message


@pytest.mark.parametrize("key", ["", "lab.example", VERIFIER[:-1], VERIFIER.replace("+", "-")])
def test_wrong_verifier_key_says_what_to_give(key: str) -> None:
    with pytest.raises(CheckpointError, match="verifier key"):
        verify_receipt(RECEIPT, key)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "receipt: not JSON"),
        (b"%PDF-1.7", "receipt: not JSON"),
        (b"\xff\xfe{\x00}\x00", "receipt: not JSON"),
        (b"[" * 5000, "receipt: not JSON"),
        (b"[]\n", "receipt: "),
        (b"{}\n", "receipt, "),
        (b'{"result":1}\n', "receipt, "),
        (changed(format="ingestd-receipt-2"), "receipt, format: Input should be"),
        (changed(extra=1), "receipt, extra: Extra inputs are not permitted"),
        (changed(index="7"), "receipt, index: Input should be a valid integer"),
        (changed(index=True), "receipt, index: Input should be a valid integer"),
        (changed(index=-1), "receipt, index: Input should be greater than or equal to 0"),
        (changed(proof=["00"]), "receipt, proof, 0: String should match pattern"),
        (changed(proof=["00" * 32] * 65), "receipt, proof: List should have at most 64 items"),
        (changed(checkpoint="text"), "receipt, checkpoint: note: expected text, a blank line"),
        (RECEIPT.rstrip(), "receipt: another program has rewritten the file"),
        (RECEIPT.replace(b"\n", b"\r\n"), "receipt: another program has rewritten the file"),
        (b" " + RECEIPT, "receipt: another program has rewritten the file"),
        (
            json.dumps(json.loads(RECEIPT), indent=2).encode() + b"\n",
            "receipt: another program has rewritten the file",
        ),
        (
            RECEIPT.replace(b'"index":7', b'"index":9,"index":7'),
            "receipt: another program has rewritten the file",
        ),
        (b" " * (16 * 1024 * 1024 + 1), "receipt: 16777217 bytes, at most"),
    ],
)
def test_what_is_no_receipt_of_ours_is_refused_and_says_why(data: bytes, message: str) -> None:
    with pytest.raises(ReceiptError) as caught:
        verify_receipt(data, VERIFIER)
    assert str(caught.value).startswith(message)


def test_signed_entry_that_is_no_canonical_json_is_refused() -> None:
    entry = b'{"b":1, "a":2}'
    checkpoint = sign_checkpoint(KEY, LOG, 1, leaf_hash(entry))
    with pytest.raises(ReceiptError, match="is no canonical JSON object"):
        verify_receipt(make_receipt(entry, 0, (), checkpoint), VERIFIER)


def test_receipt_is_not_made_from_a_proof_that_does_not_hold() -> None:
    proof = inclusion_proof(LEAVES, 8, len(LEAVES))
    with pytest.raises(ReceiptError, match="entry 7: its proof does not lead to the root"):
        make_receipt(ENTRIES[7], 7, proof, CHECKPOINT)


def test_receipt_is_checked_from_an_empty_folder_without_opening_any_database(
    tmp_path: Path,
) -> None:
    program = (
        "import sys\n"
        "from ingestd.ledger.journal.receipts import verify_receipt\n"
        "got = verify_receipt(sys.stdin.buffer.read(), sys.argv[1])\n"
        "loaded = {name for name in sys.modules if 'sqlite' in name}\n"
        "print([got.origin, got.index, sorted(loaded)])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, VERIFIER],
        input=RECEIPT,
        capture_output=True,
        check=True,
        cwd=tmp_path,
        env={"PYTHONPATH": str(Path(__file__).parents[4])},
    )
    assert ast.literal_eval(done.stdout.decode()) == [LOG, 7, []]
