"""Checked against the example of the tlog-checkpoint format; files on a real folder."""

import base64
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from ingestd.ledger.journal.checkpoints import (
    Checkpoint,
    admit_checkpoint,
    covering_checkpoint,
    load_key,
    make_key,
    parse_checkpoint,
    read_checkpoints,
    sign_checkpoint,
    verify_checkpoint,
    write_checkpoint,
)
from ingestd.ledger.journal.merkle import EMPTY_ROOT, consistency_proof, leaf_hash, root_of
from ingestd.ledger.journal.signed_notes import CheckpointError, public_key_text, sign_note

# Example of the C2SP specification tlog-checkpoint. It prints no key to check the signature with;
# origin, size and root are read, the signature itself is checked on other vectors (test_notes).
PUBLISHED = (
    "example.com/behind-the-sofa\n"
    "20852163\n"
    "CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
    "\n"
    "— example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5"
    "/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n"
)

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
LOG = "lab.example/journal"
VERIFIER = public_key_text(KEY, LOG)
LEAVES = [leaf_hash(b"entry %d" % number) for number in range(40)]
FORKED = [*LEAVES[:3], leaf_hash(b"forged"), *LEAVES[4:]]


def signed(size: int, leaves: Sequence[bytes] = LEAVES, log: str = LOG) -> Checkpoint:
    return sign_checkpoint(KEY, log, size, root_of(leaves[:size]))


def prover(leaves: Sequence[bytes]) -> Callable[[int, int], Sequence[bytes]]:
    return lambda old_size, size: consistency_proof(leaves, old_size, size)


def files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_published_checkpoint_is_read_as_printed() -> None:
    got = parse_checkpoint(PUBLISHED)
    assert got.origin == "example.com/behind-the-sofa"
    assert got.size == 20852163
    assert base64.b64encode(got.root) == b"CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I="


def test_checkpoint_text_is_origin_size_root_blank_line_signature() -> None:
    checkpoint = signed(8)
    lines = checkpoint.text.split("\n")
    assert lines[:4] == [LOG, "8", base64.b64encode(root_of(LEAVES[:8])).decode(), ""]
    assert lines[4].startswith(f"— {LOG} ")
    assert lines[5:] == [""]
    assert verify_checkpoint(checkpoint.text, VERIFIER) == checkpoint


def test_checkpoint_of_an_empty_log_is_signed_and_read() -> None:
    checkpoint = signed(0)
    assert verify_checkpoint(checkpoint.text, VERIFIER).root == EMPTY_ROOT


def test_any_changed_character_of_a_checkpoint_is_refused() -> None:
    text = signed(30).text
    for at in range(len(text)):
        for other in {"0", "\n", chr(ord(text[at]) ^ 1)} - {text[at]}:
            with pytest.raises(CheckpointError):
                verify_checkpoint(text[:at] + other + text[at + 1 :], VERIFIER)


def test_checkpoint_signed_under_another_origin_is_refused() -> None:
    body = f"other.example/journal\n0\n{base64.b64encode(EMPTY_ROOT).decode()}\n"
    with pytest.raises(CheckpointError, match=r"of log other\.example/journal, but the key"):
        verify_checkpoint(sign_note(body, KEY, LOG), VERIFIER)


ROOT64 = base64.b64encode(EMPTY_ROOT).decode()


@pytest.mark.parametrize(
    ("body", "message"),
    [
        (f"{LOG}\n5\n", "expected the lines origin, size, root, found 2 lines"),
        (f"{LOG}\n05\n{ROOT64}\n", "line 2: size '05' is not a number"),
        (f"{LOG}\n-5\n{ROOT64}\n", "line 2: size '-5' is not a number"),
        (f"{LOG}\n\u0665\n{ROOT64}\n", "line 2: size"),
        (f"{LOG}\n{'9' * 5000}\n{ROOT64}\n", "line 2: size"),
        (f"{LOG}\n5\n{ROOT64[:-4]}\n", "line 3: expected base64 of 32 bytes"),
        (f"{LOG}\n5\n{ROOT64.replace('=', '')}\n", "line 3: expected base64 of 32 bytes"),
        (f"{LOG}\n5\n{ROOT64}\n\nextension\n", "expected the lines origin, size, root"),
        (f"\n5\n{ROOT64}\n", "expected the lines origin, size, root"),
    ],
)
def test_signed_text_that_is_no_checkpoint_is_refused_and_says_why(
    body: str, message: str
) -> None:
    with pytest.raises(CheckpointError, match=message):
        verify_checkpoint(sign_note(body, KEY, LOG), VERIFIER)


@pytest.mark.parametrize(("size", "root"), [(-1, bytes(32)), (3, bytes(31)), (3, b"")])
def test_impossible_checkpoint_is_not_signed(size: int, root: bytes) -> None:
    with pytest.raises(CheckpointError, match="expected 0 or more and 32 bytes"):
        sign_checkpoint(KEY, LOG, size, root)


def test_new_key_is_private_and_loads_again(tmp_path: Path) -> None:
    path = tmp_path / "journal.key"
    made = make_key(path)
    assert path.stat().st_mode & 0o777 == 0o600
    assert load_key(path).private_bytes_raw() == made.private_bytes_raw()
    assert files(tmp_path) == ["journal.key"]


def test_two_new_keys_differ(tmp_path: Path) -> None:
    first, second = make_key(tmp_path / "a"), make_key(tmp_path / "b")
    assert first.private_bytes_raw() != second.private_bytes_raw()


@pytest.mark.parametrize("content", [b"", b"anything"])
def test_making_a_key_never_replaces_what_stands_there(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "journal.key"
    path.write_bytes(content)
    with pytest.raises(CheckpointError, match="a signing key stands here already"):
        make_key(path)
    assert path.read_bytes() == content
    assert files(tmp_path) == ["journal.key"]


def test_absent_key_says_when_it_is_made(tmp_path: Path) -> None:
    with pytest.raises(CheckpointError, match="no signing key here; it is made at first start"):
        load_key(tmp_path / "journal.key")


@pytest.mark.parametrize("mode", [0o604, 0o620, 0o666])
def test_key_that_others_can_read_or_change_is_refused(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "journal.key"
    make_key(path)
    path.chmod(mode)
    with pytest.raises(CheckpointError, match=f"mode {mode:04o} lets other users at"):
        load_key(path)


def test_key_readable_by_its_group_as_service_credentials_are_is_loaded(tmp_path: Path) -> None:
    path = tmp_path / "journal.key"
    made = make_key(path)
    path.chmod(0o440)
    assert load_key(path).private_bytes_raw() == made.private_bytes_raw()


def test_file_that_is_no_ed25519_key_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "journal.key"
    path.touch(mode=0o600)
    with pytest.raises(CheckpointError, match="expected an Ed25519 key without password"):
        load_key(path)
    other = generate_private_key(SECP256R1())
    path.write_bytes(other.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    with pytest.raises(CheckpointError, match="expected an Ed25519 key, found EC"):
        load_key(path)


def test_checkpoints_are_kept_as_read_only_files_and_read_back_in_order(tmp_path: Path) -> None:
    kept = [signed(size) for size in (30, 2, 9)]
    paths = [write_checkpoint(tmp_path, checkpoint) for checkpoint in kept]
    assert [path.read_text(encoding="utf-8") for path in paths] == [item.text for item in kept]
    assert {path.stat().st_mode & 0o777 for path in paths} == {0o444}
    assert files(tmp_path) == sorted(path.name for path in paths)
    assert [item.size for item in read_checkpoints(tmp_path, VERIFIER)] == [2, 9, 30]


def test_same_checkpoint_again_leaves_the_file_alone(tmp_path: Path) -> None:
    path = write_checkpoint(tmp_path, signed(9))
    before = path.stat()
    assert write_checkpoint(tmp_path, signed(9)) == path
    after = path.stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


@pytest.mark.parametrize(
    "other", [signed(9, FORKED), signed(9, log="other.example/journal")], ids=["root", "log"]
)
def test_other_checkpoint_of_the_same_size_never_replaces_the_kept_one(
    tmp_path: Path, other: Checkpoint
) -> None:
    path = write_checkpoint(tmp_path, signed(9))
    with pytest.raises(CheckpointError, match="the kept file is the evidence"):
        write_checkpoint(tmp_path, other)
    assert path.read_text(encoding="utf-8") == signed(9).text
    assert files(tmp_path) == [path.name]


def test_disk_that_takes_only_part_of_a_checkpoint_leaves_no_file(tmp_path: Path) -> None:
    program = (
        "import resource, sys, pathlib\n"
        "from ingestd.ledger.journal.checkpoints import parse_checkpoint, write_checkpoint\n"
        "checkpoint = parse_checkpoint(sys.stdin.buffer.read().decode())\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (10, 10))\n"
        "try:\n"
        "    write_checkpoint(pathlib.Path(sys.argv[1]), checkpoint)\n"
        "except OSError as error:\n"
        "    print(error.strerror)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)],
        input=signed(9).text.encode(),
        capture_output=True,
        check=True,
    )
    assert done.stdout == b"File too large\n"
    assert files(tmp_path) == []


def test_absent_folder_is_an_error_not_a_silent_success(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_checkpoint(tmp_path / "unmounted", signed(9))


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", signed(9).text.encode()[:-5]])
def test_damaged_file_in_the_folder_is_named(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "checkpoint-0000000000000009.txt"
    path.write_bytes(content)
    with pytest.raises(CheckpointError, match=str(path)):
        read_checkpoints(tmp_path, VERIFIER)
    with pytest.raises(CheckpointError, match=str(path)):
        write_checkpoint(tmp_path, signed(9))


def test_folder_without_checkpoints_gives_none(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").touch()
    assert read_checkpoints(tmp_path, VERIFIER) == ()


def test_smallest_checkpoint_that_covers_an_entry_is_found_by_its_name(tmp_path: Path) -> None:
    for size in (2, 9, 30):
        write_checkpoint(tmp_path, signed(size))
    (tmp_path / "checkpoint-notes.doc").touch()
    found = [covering_checkpoint(tmp_path, VERIFIER, entry) for entry in (0, 1, 2, 8, 9, 29)]
    assert [one.size for one in found if one] == [2, 2, 9, 9, 30, 30]
    assert covering_checkpoint(tmp_path, VERIFIER, 30) is None


def test_covering_checkpoint_under_the_name_of_another_size_is_refused(tmp_path: Path) -> None:
    (tmp_path / "checkpoint-0000000000000012.txt").write_text(signed(9).text)
    with pytest.raises(CheckpointError, match="its name is not that of a size of 9"):
        covering_checkpoint(tmp_path, VERIFIER, 10)


def test_witness_admits_every_continuation(tmp_path: Path) -> None:
    for size in (0, 1, 5, 5, 8, 40):
        admit_checkpoint(tmp_path, signed(size).text, VERIFIER, prover(LEAVES))
    assert [item.size for item in read_checkpoints(tmp_path, VERIFIER)] == [0, 1, 5, 8, 40]


def test_witness_refuses_a_smaller_log(tmp_path: Path) -> None:
    admit_checkpoint(tmp_path, signed(20).text, VERIFIER, prover(LEAVES))
    with pytest.raises(CheckpointError, match="the journal was cut or rolled back"):
        admit_checkpoint(tmp_path, signed(19).text, VERIFIER, prover(LEAVES))
    assert len(files(tmp_path)) == 1


@pytest.mark.parametrize("size", [20, 21, 32, 40])
@pytest.mark.parametrize("proof_from", [LEAVES, FORKED], ids=["true log", "forked log"])
def test_witness_refuses_a_rewritten_log_whatever_proof_it_brings(
    tmp_path: Path, size: int, proof_from: Sequence[bytes]
) -> None:
    admit_checkpoint(tmp_path, signed(20).text, VERIFIER, prover(LEAVES))
    with pytest.raises(CheckpointError, match="the journal was rewritten"):
        admit_checkpoint(tmp_path, signed(size, FORKED).text, VERIFIER, prover(proof_from))
    assert len(files(tmp_path)) == 1


def test_witness_refuses_a_checkpoint_that_the_log_did_not_sign(tmp_path: Path) -> None:
    other = sign_checkpoint(Ed25519PrivateKey.from_private_bytes(bytes(32)), LOG, 0, EMPTY_ROOT)
    with pytest.raises(CheckpointError, match="not signed by"):
        admit_checkpoint(tmp_path, other.text, VERIFIER, prover(LEAVES))
    assert files(tmp_path) == []
