"""Mail and webhook against real servers: what is sent, what is refused, what nobody knows."""

import csv
import email
import json
from datetime import UTC, datetime
from email.message import EmailMessage
from email.policy import default
from pathlib import Path

import pytest

from ingestd.config.operation import HookChannel, MailChannel
from ingestd.service.notices.channel import MaybeTaken, NotTaken
from ingestd.service.notices.channels import Hook, Mail, sign
from ingestd.service.notices.letter import Letter, write_letter
from ingestd.service.notices.matters import Matter
from tests.ingestd.service.notices.servers import (
    PASSWORD,
    Hooks,
    Postbox,
    certificate,
    hook_server,
    mail_server,
)

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
VECTORS = Path(__file__).parent / "data" / "webhook_signatures.csv"


def letter() -> Letter:
    matters = [
        Matter(key="capture:7", kind="capture", text="capture 7, día.csv of p1"),
        Matter(key="disk", kind="operation", text="only 3 MiB are free"),
    ]
    return write_letter("Test works", matters, at=NOON)


def plain(port: int, **keys: object) -> Mail:
    settings = {"host": "127.0.0.1", "port": port, "tls": "none", "sender": "lab@works.example"}
    return Mail(MailChannel.model_validate({**settings, "to": ("it@works.example",), **keys}))


def parsed(content: object) -> EmailMessage:
    assert isinstance(content, bytes)
    message = email.message_from_bytes(content, policy=default)
    assert isinstance(message, EmailMessage)
    return message


# --- mail -------------------------------------------------------------------------------------


def test_mail_arrives_whole() -> None:
    postbox = Postbox()
    with mail_server(postbox) as port:
        plain(port, to=("it@works.example", "qm@works.example")).send(letter())
    (got,) = postbox.got
    assert got.mail_from == "lab@works.example"
    assert got.rcpt_tos == ["it@works.example", "qm@works.example"]
    message = parsed(got.content)
    assert message["Subject"] == "Test works: 2 matters need a hand"
    assert message["Auto-Submitted"] == "auto-generated"  # Source: RFC 3834, section 5
    assert message["Message-ID"] == f"<{letter().ident}@works.example>"
    text = message.get_content()
    assert text.index("only 3 MiB are free") < text.index("capture 7, día.csv of p1")


def test_some_of_the_addresses_suffice() -> None:
    postbox = Postbox()
    postbox.bad_addresses = {"gone@works.example"}
    with mail_server(postbox) as port:
        plain(port, to=("gone@works.example", "it@works.example")).send(letter())
        assert postbox.got[0].rcpt_tos == ["it@works.example"]
        with pytest.raises(NotTaken, match="550"):
            plain(port, to=("gone@works.example",)).send(letter())


@pytest.mark.parametrize("answer", ["451 try later", "554 no"])
def test_text_that_is_refused_is_not_taken(answer: str) -> None:
    postbox = Postbox()
    postbox.data_answer = answer
    with mail_server(postbox) as port, pytest.raises(NotTaken, match=answer[:3]):
        plain(port).send(letter())


def test_answer_lost_after_the_text_is_uncertain() -> None:
    postbox = Postbox()
    postbox.drop_after_data = True
    with mail_server(postbox) as port, pytest.raises(MaybeTaken):
        plain(port).send(letter())
    assert len(postbox.got) == 1


def test_nobody_there_is_not_taken() -> None:
    with mail_server(Postbox()) as port:
        pass
    with pytest.raises(NotTaken, match=r"127\.0\.0\.1"):
        plain(port).send(letter())


@pytest.mark.parametrize("tls", ["starttls", "implicit"])
def test_mail_over_tls_proves_the_server(tls: str, tmp_path: Path) -> None:
    ca, context = certificate(tmp_path)
    (tmp_path / "password").write_text(PASSWORD + "\n")
    signed_in = {"account": "lab", "password_file": tmp_path / "password"}
    keys = {"tls": tls, "ca": ca, **(signed_in if tls == "starttls" else {})}
    postbox = Postbox()
    with mail_server(postbox, tls=context, implicit=tls == "implicit") as port:
        plain(port, **keys).send(letter())
        assert len(postbox.got) == 1
        with pytest.raises(NotTaken, match="certificate verify failed"):
            plain(port, **{**keys, "ca": None}).send(letter())


def test_wrong_password_is_not_taken(tmp_path: Path) -> None:
    ca, context = certificate(tmp_path)
    (tmp_path / "password").write_text("wrong")
    with mail_server(Postbox(), tls=context) as port, pytest.raises(NotTaken, match="535"):
        plain(
            port, tls="starttls", ca=ca, account="lab", password_file=tmp_path / "password"
        ).send(letter())


def test_password_comes_from_a_credential(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ca, context = certificate(tmp_path)
    (tmp_path / "mail").write_text(PASSWORD)
    keys = {"tls": "starttls", "ca": ca, "account": "lab", "credential": "mail"}
    postbox = Postbox()
    with mail_server(postbox, tls=context) as port:
        monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
        with pytest.raises(NotTaken, match="LoadCredential=mail"):
            plain(port, **keys).send(letter())
        monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
        plain(port, **keys).send(letter())
    assert len(postbox.got) == 1


# --- webhook ----------------------------------------------------------------------------------


def vectors() -> list[dict[str, str]]:
    with VECTORS.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("case", vectors(), ids=lambda case: case["id"])
def test_signature_is_the_published_one(case: dict[str, str]) -> None:
    got = sign(case["secret"], case["message"], int(case["timestamp"]), case["body"].encode())
    assert got == case["expected"]


def test_secret_without_prefix_is_the_key_itself() -> None:
    # The published key, given as its bytes.
    assert sign("ab", "m", 1, b"x") == sign("whsec_YWI=", "m", 1, b"x")
    with pytest.raises(NotTaken, match="base64"):
        sign("whsec_?", "m", 1, b"x")


def hook(port: int, tmp_path: Path, **keys: object) -> Hook:
    (tmp_path / "secret").write_text("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw\n")
    settings = {
        "url": f"http://127.0.0.1:{port}/notices?lab=1",
        "secret_file": tmp_path / "secret",
    }
    return Hook(HookChannel.model_validate({**settings, **keys}), now=lambda: NOON)


def test_webhook_is_signed_and_says_the_same_as_the_mail(tmp_path: Path) -> None:
    hooks = Hooks()
    with hook_server(hooks) as port:
        hook(port, tmp_path).send(letter())
    ((headers, body),) = hooks.got
    said = json.loads(body)
    assert said["type"] == "matters.waiting"
    assert [one["key"] for one in said["data"]["matters"]] == ["disk", "capture:7"]
    assert headers["webhook-id"] == letter().ident
    assert headers["webhook-timestamp"] == str(int(NOON.timestamp()))
    assert headers["webhook-signature"] == sign(
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", letter().ident, int(NOON.timestamp()), body
    )


@pytest.mark.parametrize("status", [302, 400, 410, 500, 503])
def test_any_other_answer_is_not_taken_and_no_redirect_is_followed(
    tmp_path: Path, status: int
) -> None:
    hooks = Hooks()
    hooks.status = status
    with hook_server(hooks) as port, pytest.raises(NotTaken, match=str(status)):
        hook(port, tmp_path).send(letter())
    assert len(hooks.got) == 1


def test_lost_answer_is_tried_again_under_the_same_id(tmp_path: Path) -> None:
    hooks = Hooks()
    hooks.drop = True
    with hook_server(hooks) as port:
        for _ in range(2):
            with pytest.raises(NotTaken):
                hook(port, tmp_path).send(letter())
    first, second = (headers["webhook-id"] for headers, _ in hooks.got)
    assert first == second


def test_webhook_over_tls_proves_the_server(tmp_path: Path) -> None:
    ca, context = certificate(tmp_path)
    hooks = Hooks()
    with hook_server(hooks, tls=context) as port:
        url = f"https://127.0.0.1:{port}/"
        hook(port, tmp_path, url=url, ca=ca).send(letter())
        with pytest.raises(NotTaken, match="certificate verify failed"):
            hook(port, tmp_path, url=url).send(letter())
    assert len(hooks.got) == 1


def test_missing_or_empty_secret_sends_nothing(tmp_path: Path) -> None:
    hooks = Hooks()
    with hook_server(hooks) as port:
        with pytest.raises(NotTaken, match="cannot be read"):
            hook(port, tmp_path, secret_file=tmp_path / "none").send(letter())
        (tmp_path / "empty").write_text("\n")
        with pytest.raises(NotTaken, match="empty"):
            hook(port, tmp_path, secret_file=tmp_path / "empty").send(letter())
    assert hooks.got == []
