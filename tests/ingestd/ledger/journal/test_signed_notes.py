"""Checked against the vectors published for the signed-note format and for Ed25519."""

import base64
import csv
import json
from hashlib import sha256
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st

from ingestd.ledger.journal.signed_notes import (
    NOTE_LIMIT,
    SIGNATURE_LIMIT,
    CheckpointError,
    open_note,
    public_key_text,
    read_verifier_key,
    sign_note,
    split_note,
)

with (Path(__file__).parent / "data" / "signed_note_vectors.csv").open(encoding="utf-8") as table:
    VECTORS = list(csv.DictReader(table))
NOTES = [pytest.param(row, id=row["id"]) for row in VECTORS if row["kind"] == "note"]
SEEDED = [pytest.param(row, id=row["id"]) for row in VECTORS if row["seed_hex"]]

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
NAME = "lab.example/journal"
VERIFIER = read_verifier_key(public_key_text(KEY, NAME))
NOTE = sign_note("first line\n\nthird line\n", KEY, NAME)


def note_of(row: dict[str, str]) -> tuple[str, str]:
    text = json.loads(row["text_json"])
    name = row["verifier_key"].partition("+")[0]
    return text, f"{text}\n— {name} {row['signature']}\n"


@pytest.mark.parametrize("row", NOTES)
def test_published_note_opens_with_its_published_key(row: dict[str, str]) -> None:
    text, note = note_of(row)
    assert open_note(note, read_verifier_key(row["verifier_key"])) == text


@pytest.mark.parametrize("row", NOTES)
def test_published_key_is_written_back_as_published(row: dict[str, str]) -> None:
    key = read_verifier_key(row["verifier_key"])
    assert public_key_text(key.public, key.name) == row["verifier_key"]


@pytest.mark.parametrize("row", SEEDED)
def test_published_seed_gives_the_published_public_key(row: dict[str, str]) -> None:
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(row["seed_hex"]))
    got = read_verifier_key(public_key_text(key, "any")).public.public_bytes_raw()
    if row["kind"] == "key":
        assert got.hex() == row["verifier_key"]
    else:
        assert got == read_verifier_key(row["verifier_key"]).public.public_bytes_raw()


def test_published_note_is_signed_byte_for_byte() -> None:
    (row,) = [row for row in VECTORS if row["id"] == "zero-seed"]
    text, note = note_of(row)
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(row["seed_hex"]))
    assert sign_note(text, key, "EnochRoot") == note


def test_key_id_is_the_start_of_the_hash_over_name_type_and_key() -> None:
    raw = KEY.public_key().public_bytes_raw()
    want = sha256(NAME.encode() + b"\n\x01" + raw).hexdigest()[:8]
    coded = base64.b64encode(b"\x01" + raw).decode()
    assert public_key_text(KEY, NAME) == f"{NAME}+{want}+{coded}"


def test_text_with_blank_lines_comes_back_whole() -> None:
    assert open_note(NOTE, VERIFIER) == "first line\n\nthird line\n"


def test_any_changed_character_of_a_note_is_refused() -> None:
    for at in range(len(NOTE)):
        for other in {"A", "\n", " ", "+", chr(ord(NOTE[at]) ^ 1)} - {NOTE[at]}:
            with pytest.raises(CheckpointError):
                open_note(NOTE[:at] + other + NOTE[at + 1 :], VERIFIER)


def test_any_changed_or_cut_verifier_key_is_refused() -> None:
    text = public_key_text(KEY, NAME)
    for at in range(len(text)):
        with pytest.raises(CheckpointError):
            read_verifier_key(text[:at])
        with pytest.raises(CheckpointError):
            read_verifier_key(text[:at] + chr(ord(text[at]) ^ 1) + text[at + 1 :])


@given(st.text(max_size=80))
def test_any_text_as_note_or_key_is_refused_with_our_own_error(text: str) -> None:
    with pytest.raises(CheckpointError):
        open_note(text, VERIFIER)
    with pytest.raises(CheckpointError):
        read_verifier_key(text)


def test_signature_of_a_witness_beside_ours_is_ignored() -> None:
    witness = Ed25519PrivateKey.from_private_bytes(bytes(32))
    second = sign_note("first line\n\nthird line\n", witness, "witness.example").rpartition(
        "\n\n"
    )[2]
    assert open_note(NOTE + second, VERIFIER) == "first line\n\nthird line\n"
    assert [name for name, _ in split_note(NOTE + second)[1]] == [NAME, "witness.example"]


def test_note_with_one_good_and_one_bad_signature_of_our_key_is_refused() -> None:
    other = sign_note("something else\n", KEY, NAME).rpartition("\n\n")[2]
    with pytest.raises(CheckpointError, match="does not fit the text"):
        open_note(NOTE + other, VERIFIER)


def test_note_signed_by_another_key_of_the_same_name_names_both_keys() -> None:
    other = Ed25519PrivateKey.from_private_bytes(bytes(32))
    note = sign_note("text\n", other, NAME)
    found = read_verifier_key(public_key_text(other, NAME)).key_id.hex()
    with pytest.raises(CheckpointError) as caught:
        open_note(note, VERIFIER)
    wanted = VERIFIER.key_id.hex()
    assert f"not signed by {NAME}+{wanted} but by {NAME}+{found}" in str(caught.value)


@pytest.mark.parametrize(
    "note",
    [
        "",
        "text\n",
        "text\n\n",
        NOTE[:-1],
        NOTE + "an unexpected line\n",
        NOTE.replace("— ", "-- "),
        NOTE.replace("first", "fir\rst"),
        NOTE.replace("first", "fir\ud800st"),
        "\n\n" + NOTE.rpartition("\n\n")[2],
        NOTE + NOTE.rpartition("\n\n")[2] * SIGNATURE_LIMIT,
        "x" * NOTE_LIMIT + NOTE,
        "text\n\n— name with-space AAAAAAAA\n",
        "text\n\n— name AAAA\n",
        "text\n\n— name AAAAAAA=\n\n",
        "text\n\n— name AAAAAAB=\n",
    ],
)
def test_what_is_no_signed_note_is_refused(note: str) -> None:
    with pytest.raises(CheckpointError, match=r"^(note|key name)\b"):
        split_note(note)


@pytest.mark.parametrize(
    "name", ["", "two words", "a+b", "line\n", "thin\u2009space", "half\ud800"]
)
def test_key_name_that_the_format_forbids_is_refused(name: str) -> None:
    with pytest.raises(CheckpointError, match="expected text without spaces and plus"):
        public_key_text(KEY, name)


@pytest.mark.parametrize("text", ["no line end", "tab\there\n", "half\ud800\n"])
def test_text_that_a_note_cannot_carry_is_not_signed(text: str) -> None:
    with pytest.raises(CheckpointError, match="must end with a line end"):
        sign_note(text, KEY, NAME)


def test_key_of_another_kind_is_refused_and_says_what_to_copy() -> None:
    with pytest.raises(CheckpointError, match=r"copy the whole line that `ingestd status` prints"):
        read_verifier_key("lab.example+00000000+" + base64.b64encode(b"\x02" + bytes(32)).decode())
