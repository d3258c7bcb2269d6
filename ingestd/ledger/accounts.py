"""Passwords, sessions and tokens of accounts: what is kept of each, and until when it counts.

Of sessions and tokens only a hash is kept, of passwords only what Argon2 made of them. None of
it stands in the journal; who may do what does, as the person's roles.
"""

from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256

from ingestd.errors import Refused
from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Change
from ingestd.times import instant, stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One sign-in that has not ended by itself; `token` is the hash that is kept."""

    token: bytes
    account: str
    client: str
    made_at: datetime
    seen_at: datetime
    ends_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ApiToken:
    """What lets a program act as an account; `may_change` False: it only reads."""

    token: bytes
    account: str
    name: str
    may_change: bool
    made_at: datetime
    ends_at: datetime


def digest(secret: str) -> bytes:
    """What is kept of a session's or token's secret, 32 bytes.

    The secrets are 256 random bits, so one round of SHA-256 is as good as a slow hash.
    """
    return sha256(secret.encode()).digest()


def find_password(conn: Connection, account: str) -> str | None:
    """The Argon2 hash of an account's password."""
    row = conn.execute("SELECT hash FROM passwords WHERE account = ?", (account,)).fetchone()
    return None if row is None else str(row[0])


def set_password(change: Change, account: str, hashed: str) -> None:
    """Keep a new password's hash; every session of the account ends."""
    change.conn.execute(
        "INSERT OR REPLACE INTO passwords VALUES (?, ?, ?)", (account, hashed, stamp(change.at))
    )
    change.conn.execute("DELETE FROM sessions WHERE account = ?", (account,))


def begin_session(
    change: Change, secret: str, account: str, *, client: str, ends_at: datetime
) -> None:
    """Keep a new session; those that have ended go."""
    now = stamp(change.at)
    change.conn.execute("DELETE FROM sessions WHERE ends_at <= ?", (now,))
    change.conn.execute(
        "INSERT INTO sessions VALUES (?, ?, ?, ?, ?, ?)",
        (digest(secret), account, client, now, now, stamp(ends_at)),
    )


def find_session(conn: Connection, secret: str) -> Session | None:
    """The session that a browser's secret belongs to, ended or not."""
    row = conn.execute(
        "SELECT token, account, client, made_at, seen_at, ends_at FROM sessions WHERE token = ?",
        (digest(secret),),
    ).fetchone()
    return None if row is None else _session(row)


def sessions_of(conn: Connection, account: str, *, at: datetime) -> list[Session]:
    """The sessions of an account that have not ended, newest first."""
    rows = conn.execute(
        "SELECT token, account, client, made_at, seen_at, ends_at FROM sessions"
        " WHERE account = ? AND ends_at > ? ORDER BY made_at DESC, token",
        (account, stamp(at)),
    )
    return [_session(row) for row in rows]


def _session(row: tuple[bytes, str, str, str, str, str]) -> Session:
    return Session(
        token=row[0],
        account=row[1],
        client=row[2],
        made_at=instant(row[3]),
        seen_at=instant(row[4]),
        ends_at=instant(row[5]),
    )


def see_session(change: Change, token: bytes) -> None:
    """Note that a session is in use."""
    change.conn.execute(
        "UPDATE sessions SET seen_at = ? WHERE token = ?", (stamp(change.at), token)
    )


def end_session(change: Change, token: bytes, *, account: str) -> None:
    """End one session of an account."""
    change.conn.execute("DELETE FROM sessions WHERE token = ? AND account = ?", (token, account))


def add_token(
    change: Change,
    secret: str,
    account: str,
    name: str,
    *,
    may_change: bool,
    ends_at: datetime,
) -> None:
    """Keep a new token for a program.

    Raises:
        Refused: the account has one of that name already.
    """
    taken = change.conn.execute(
        "SELECT 1 FROM api_tokens WHERE account = ? AND name = ?", (account, name)
    ).fetchone()
    if taken:
        raise Refused(f"token {name!r}", "there is one of this name", "end it, or use another")
    change.conn.execute(
        "INSERT INTO api_tokens VALUES (?, ?, ?, ?, ?, ?)",
        (digest(secret), account, name, may_change, stamp(change.at), stamp(ends_at)),
    )


def find_token(conn: Connection, secret: str) -> ApiToken | None:
    """The token that a program's secret belongs to, ended or not."""
    row = conn.execute(
        "SELECT token, account, name, may_change, made_at, ends_at FROM api_tokens"
        " WHERE token = ?",
        (digest(secret),),
    ).fetchone()
    return None if row is None else _token(row)


def tokens_of(conn: Connection, account: str) -> list[ApiToken]:
    """The tokens of an account by name."""
    rows = conn.execute(
        "SELECT token, account, name, may_change, made_at, ends_at FROM api_tokens"
        " WHERE account = ? ORDER BY name",
        (account,),
    )
    return [_token(row) for row in rows]


def _token(row: tuple[bytes, str, str, int, str, str]) -> ApiToken:
    return ApiToken(
        token=row[0],
        account=row[1],
        name=row[2],
        may_change=bool(row[3]),
        made_at=instant(row[4]),
        ends_at=instant(row[5]),
    )


def end_token(change: Change, account: str, name: str) -> None:
    """End a token.

    Raises:
        Refused: there is none of this name.
    """
    done = change.conn.execute(
        "DELETE FROM api_tokens WHERE account = ? AND name = ?", (account, name)
    )
    if not done.rowcount:
        raise Refused(f"token {name!r}", "there is none", "see the account's page")
