"""The command that serves the page, and those that give passwords and tokens."""

import os
import re
import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from click.testing import CliRunner

from ingestd.cli.main import main
from ingestd.ledger.accounts import find_password, find_token
from ingestd.web.passwords import is_right
from tests.conftest import Lab


def run(lab: Lab, *words: str, text: str = "") -> tuple[int, str]:
    answer = CliRunner().invoke(
        main, ["--config", str(lab.folder / "ingestd.toml"), *words], input=text
    )
    return answer.exit_code, answer.output


def test_password_is_asked_for_twice_and_kept_as_a_hash(lab: Lab) -> None:
    words = "four unrelated words here"
    code, said = run(lab, "user", "password", "mara", text=f"{words}\n{words}\n")
    assert (code, words in said) == (0, False)
    kept = find_password(lab.ledger.conn, "mara")
    assert is_right(kept, words)
    assert not is_right(kept, words + " ")


def test_password_comes_from_a_file(lab: Lab, tmp_path: Path) -> None:
    file = tmp_path / "secret"
    file.write_text("four unrelated words here\n")
    assert run(lab, "user", "password", "mara", "--file", str(file))[0] == 0
    assert is_right(find_password(lab.ledger.conn, "mara"), "four unrelated words here")


def test_unknown_account_and_weak_password_are_refused(lab: Lab) -> None:
    for account, text, words in (
        ("nobody", "four unrelated words\n" * 2, "there is none"),
        ("mara", "short\nshort\n", "at least 15 are needed"),
        ("mara", "aaaaaaaaaaaaaaaaaaaa\n" * 2, "too uniform"),
    ):
        code, said = run(lab, "user", "password", account, text=text)
        assert code == 1
        assert words in said


def test_token_is_printed_once_and_ended(lab: Lab) -> None:
    code, said = run(lab, "user", "token", "mara", "export", "--days", "3")
    secret = said.strip().splitlines()[-1]
    assert code == 0
    token = find_token(lab.ledger.conn, secret)
    assert token is not None
    assert (token.account, token.may_change) == ("mara", False)
    assert run(lab, "user", "token", "mara", "export", "--end")[0] == 0
    assert find_token(lab.ledger.conn, secret) is None


@contextmanager
def ended(process: subprocess.Popen[str]) -> Iterator[None]:
    """Whatever fails meanwhile, the process does not outlive its test."""
    try:
        yield
    finally:
        if process.poll() is None:
            process.kill()


def test_command_serves_until_it_is_told_to_stop(lab: Lab) -> None:
    config = str(lab.folder / "ingestd.toml")
    with (
        subprocess.Popen(
            [sys.executable, "-m", "ingestd", "--config", config, "web", "--port", "0"],
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        ) as process,
        ended(process),
    ):
        assert process.stderr is not None
        address = ""
        for line in process.stderr:
            found = re.search(r"http://127\.0\.0\.1:\d+/", line)
            address = found[0] if found else address
            if "page_started" in line:
                break
        with urllib.request.urlopen(f"{address}health", timeout=10) as answer:  # noqa: S310 - our own
            assert answer.status == 200
        process.send_signal(signal.SIGTERM)
        rest = process.stderr.read()
        assert process.wait(15) == 0
    assert "page_stopped" in rest


def test_taken_port_is_said_with_what_to_do(lab: Lab) -> None:
    from ingestd.web.serving import listen_on

    listener = listen_on("127.0.0.1", 0)
    port = str(listener.getsockname()[1])
    code, said = run(lab, "web", "--port", port)
    listener.close()
    assert code == 2
    assert "end what uses it" in said


def test_answers_of_several_packets_wait_for_no_acknowledgement() -> None:
    from ingestd.web.serving import listen_on

    with (
        listen_on("127.0.0.1", 0) as listener,
        socket.create_connection(listener.getsockname()),
    ):
        taken, _ = listener.accept()
        with taken:
            assert taken.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
