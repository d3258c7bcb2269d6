"""Signed notes: a text with the names and signatures of those who vouch for it.

The open text format that log checkpoints use: text, a blank line, and for each signature a line
with the signer's name and base64 of key id and signature.

Source: C2SP signed-note, Ed25519 signatures (type 0x01); tests/ingestd/ledger/test_notes.py.
"""

import base64
import binascii
from dataclasses import dataclass
from hashlib import sha256

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)

from ingestd.errors import IngestError

ED25519 = b"\x01"
KEY_ID_BYTES = 4
NOTE_LIMIT = 65_536  # characters; ours have about 250
SIGNATURE_LIMIT = 32

_DASH = "— "


class CheckpointError(IngestError):
    """A key, note or checkpoint is not what it should be.

    Nothing is signed or written; whoever keeps the file or key named here looks into it.
    """

    disposition = "hold"


@dataclass(frozen=True, slots=True)
class VerifierKey:
    """A public key with the name it signs under, as read from its text form."""

    name: str
    key_id: bytes
    public: Ed25519PublicKey


def public_key_text(key: Ed25519PrivateKey | Ed25519PublicKey, name: str) -> str:
    """Verifier key `name+hex key id+base64(type and key)`: give it to whoever checks receipts."""
    public = key.public_key() if isinstance(key, Ed25519PrivateKey) else key
    _check_name(name)
    raw = ED25519 + public.public_bytes_raw()
    return f"{name}+{_key_id(name, raw).hex()}+{base64.b64encode(raw).decode()}"


def read_verifier_key(text: str) -> VerifierKey:
    """
    The key that public_key_text wrote.

    Raises:
        CheckpointError: a part is missing, is no Ed25519 key, or does not fit its key id.
    """
    name, _, rest = text.strip().partition("+")
    hex_id, _, material = rest.partition("+")
    raw = from_base64(material)
    if raw is None or len(raw) != 1 + 32 or raw[:1] != ED25519:
        raise CheckpointError(
            f"verifier key {text.strip()[:120]!r}",
            "expected name+8 hex digits+base64 of an Ed25519 key",
            "copy the whole line that `ingestd status` prints",
        )
    _check_name(name)
    if hex_id != _key_id(name, raw).hex():
        raise CheckpointError(
            f"verifier key {name}",
            f"key id {hex_id!r} does not fit name and key, which give {_key_id(name, raw).hex()}",
            "one of the three was altered or cut: copy the whole line again",
        )
    return VerifierKey(name, bytes.fromhex(hex_id), Ed25519PublicKey.from_public_bytes(raw[1:]))


def sign_note(text: str, key: Ed25519PrivateKey, name: str) -> str:
    """The text, a blank line and one signature line; the text must end with a line end."""
    _check_name(name)
    if not text.endswith("\n") or _has_control(text):
        raise CheckpointError(
            "note", "its text must end with a line end and hold no control characters"
        )
    key_id = _key_id(name, ED25519 + key.public_key().public_bytes_raw())
    signature = base64.b64encode(key_id + key.sign(text.encode())).decode()
    return f"{text}\n{_DASH}{name} {signature}\n"


def open_note(note: str, verifier_key: VerifierKey) -> str:
    """
    The text of a signed note, after the signature by this key has been verified.

    Signatures by other keys are ignored, as the format asks (witnesses may add theirs).

    Raises:
        CheckpointError: not a signed note, not signed by this key, or altered since.
    """
    text, signatures = split_note(note)
    ours = [
        blob[KEY_ID_BYTES:]
        for name, blob in signatures
        if (name, blob[:KEY_ID_BYTES]) == (verifier_key.name, verifier_key.key_id)
    ]
    wanted = f"{verifier_key.name}+{verifier_key.key_id.hex()}"
    if not ours:
        found = ", ".join(f"{name}+{blob[:KEY_ID_BYTES].hex()}" for name, blob in signatures)
        raise CheckpointError(
            "note",
            f"not signed by {wanted} but by {found}",
            "it is from another site, or the key was replaced: take the key of that time",
        )
    for signature in ours:
        try:
            verifier_key.public.verify(signature, text.encode())
        except InvalidSignature as error:
            raise CheckpointError(
                "note",
                f"the signature by {wanted} does not fit the text",
                "one of them was altered: ask for the original",
            ) from error
    return text


def split_note(note: str) -> tuple[str, list[tuple[str, bytes]]]:
    """Text (with its line end) and signatures (name, key id and signature) of a signed note."""
    if len(note) > NOTE_LIMIT or _has_control(note):
        raise CheckpointError(
            "note",
            f"{len(note)} characters: more than {NOTE_LIMIT}, or control characters among them",
        )
    body, gap, tail = note.rpartition("\n\n")
    lines = tail[:-1].split("\n")
    if not gap or not body or not tail.endswith("\n") or len(lines) > SIGNATURE_LIMIT:
        raise CheckpointError(
            "note",
            f"expected text, a blank line and 1 to {SIGNATURE_LIMIT} signature lines, "
            f"found {note[:60]!r}",
        )
    signatures = []
    for line in lines:
        name, _, signature = line.removeprefix(_DASH).partition(" ")
        blob = from_base64(signature)
        if not line.startswith(_DASH) or blob is None or len(blob) <= KEY_ID_BYTES:
            raise CheckpointError(
                "note", f"expected a line '{_DASH}name base64', found {line[:80]!r}"
            )
        _check_name(name)
        signatures.append((name, blob))
    return body + "\n", signatures


def from_base64(text: str) -> bytes | None:
    """The bytes, or None if this is not their one spelling in base64 (RFC 4648, section 4)."""
    try:
        raw = base64.b64decode(text.encode("ascii"), validate=True)
    except (binascii.Error, UnicodeEncodeError):
        return None
    return raw if base64.b64encode(raw).decode() == text else None


def _key_id(name: str, raw: bytes) -> bytes:
    return sha256(name.encode() + b"\n" + raw).digest()[:KEY_ID_BYTES]


def _check_name(name: str) -> None:
    if not name.isprintable() or not name or any(sign == "+" or sign.isspace() for sign in name):
        raise CheckpointError(f"key name {name[:80]!r}", "expected text without spaces and plus")


def _has_control(text: str) -> bool:
    """True if a character stands in the text that a note cannot carry."""
    return any((sign < " " and sign != "\n") or "\ud800" <= sign <= "\udfff" for sign in text)
