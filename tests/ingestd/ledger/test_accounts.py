"""Secrets of accounts: kept as hashes, ended as asked, never in the journal or in a rebuild."""

from datetime import timedelta

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.errors import Refused
from ingestd.ledger.accounts import (
    add_token,
    begin_session,
    digest,
    end_session,
    end_token,
    find_password,
    find_session,
    find_token,
    see_session,
    sessions_of,
    set_password,
    tokens_of,
)
from tests.conftest import Lab

HOUR = timedelta(hours=1)


def begin(lab: Lab, secret: str, *, account: str = "mara", hours: int = 12) -> None:
    with lab.ledger.change(at=lab.clock(), by=account) as change:
        ends_at = lab.now + hours * HOUR
        begin_session(change, secret, account, client="10.0.0.7", ends_at=ends_at)


def test_session_is_found_by_its_secret_alone(lab: Lab) -> None:
    begin(lab, "secret")
    found = find_session(lab.ledger.conn, "secret")
    assert found is not None
    assert (found.account, found.client, found.token) == ("mara", "10.0.0.7", digest("secret"))
    assert find_session(lab.ledger.conn, "another") is None
    assert find_session(lab.ledger.conn, digest("secret").hex()) is None


def test_use_of_a_session_is_noted(lab: Lab) -> None:
    begin(lab, "secret")
    lab.now += HOUR
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        see_session(change, digest("secret"))
    found = find_session(lab.ledger.conn, "secret")
    assert found is not None
    assert found.seen_at - found.made_at >= HOUR


def test_only_the_account_itself_ends_its_session(lab: Lab) -> None:
    begin(lab, "secret")
    with lab.ledger.change(at=lab.clock(), by="rita") as change:
        end_session(change, digest("secret"), account="rita")
    assert find_session(lab.ledger.conn, "secret") is not None
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        end_session(change, digest("secret"), account="mara")
    assert find_session(lab.ledger.conn, "secret") is None


def test_ended_sessions_go_when_the_next_one_begins(lab: Lab) -> None:
    begin(lab, "short", hours=1)
    lab.now += 2 * HOUR
    begin(lab, "new")
    assert find_session(lab.ledger.conn, "short") is None
    assert [one.token for one in sessions_of(lab.ledger.conn, "mara", at=lab.now)] == [
        digest("new")
    ]


def test_new_password_replaces_the_old_one_and_ends_the_sessions(lab: Lab) -> None:
    begin(lab, "secret")
    begin(lab, "other", account="rita")
    for hashed in ("first", "second"):
        with lab.ledger.change(at=lab.clock(), by="mara") as change:
            set_password(change, "mara", hashed)
    assert find_password(lab.ledger.conn, "mara") == "second"
    assert find_password(lab.ledger.conn, "rita") is None
    assert find_session(lab.ledger.conn, "secret") is None
    assert find_session(lab.ledger.conn, "other") is not None


def test_token_names_are_unique_within_an_account(lab: Lab) -> None:
    for account in ("mara", "rita"):
        with lab.ledger.change(at=lab.clock(), by=account) as change:
            add_token(change, account, account, "export", may_change=False, ends_at=lab.now + HOUR)
    with (
        pytest.raises(Refused, match="there is one of this name"),
        lab.ledger.change(at=lab.clock(), by="mara") as change,
    ):
        add_token(change, "x", "mara", "export", may_change=True, ends_at=lab.now + HOUR)
    found = find_token(lab.ledger.conn, "mara")
    assert found is not None
    assert (found.account, found.may_change) == ("mara", False)
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        end_token(change, "mara", "export")
    assert tokens_of(lab.ledger.conn, "mara") == []
    assert len(tokens_of(lab.ledger.conn, "rita")) == 1
    with (
        pytest.raises(Refused, match="there is none"),
        lab.ledger.change(at=lab.clock(), by="mara") as change,
    ):
        end_token(change, "mara", "export")


def test_secrets_are_no_part_of_the_record(lab: Lab) -> None:
    size = lab.one("SELECT size FROM frontier")
    begin(lab, "secret")
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        set_password(change, "mara", "hashed")
    assert lab.one("SELECT size FROM frontier") == size
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []
