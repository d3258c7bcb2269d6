"""A connection to the central PostgreSQL that cannot hang, and what its errors mean to us.

psycopg has no time limit of its own once connected, and neither server settings nor keep-alives
end every wait (a peer that acknowledges and never answers). So each use runs under a deadline
that shuts the socket; whatever waits on it then fails at once.
"""

import os
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeAlias

import psycopg

from ingestd.config import PostgresTarget
from ingestd.errors import IngestError, TargetRejected, TargetUnavailable

Connection: TypeAlias = "psycopg.Connection[tuple[Any, ...]]"

SUBJECT = "central database"
CONNECT_S = 10
CREDENTIALS = "CREDENTIALS_DIRECTORY"  # set by systemd for a unit with LoadCredential=

# Classes of SQLSTATE after which the same batch may succeed later: connection, resources,
# rollback, operator, system and internal errors; also a server that only reads for now.
# Source: PostgreSQL documentation, appendix "PostgreSQL Error Codes".
_PASSING = ("08", "25", "40", "53", "55", "57", "58", "XX")
# Classes that speak against rows themselves: data, integrity.
_ROWS_AT_FAULT = ("22", "23")


def connect(target: PostgresTarget) -> Connection:
    """An open connection in autocommit mode, with limits on every wait the server knows.

    Raises:
        TargetUnavailable: nobody answers, or not now.
        TargetRejected: password file missing, password or certificate refused.
    """
    try:
        conn = psycopg.connect(
            target.conninfo,
            autocommit=True,
            prepare_threshold=None,
            **_secrets(target),  # type: ignore[arg-type]  # libpq takes them as text or numbers
        )
        _limit(conn, target.deadline_s)
    except psycopg.Error as error:
        raise _refusal(error) from error
    return conn


def _secrets(target: PostgresTarget) -> dict[str, str | int]:
    found: dict[str, str | int] = {
        "application_name": "ingestd",
        "connect_timeout": CONNECT_S,
        "keepalives_idle": 30,
        "keepalives_interval": 10,
        "keepalives_count": 3,
        "tcp_user_timeout": int(target.deadline_s * 1000),
        "sslmode": target.tls,
    }
    if target.tls != "disable":
        found["sslrootcert"] = str(target.ca)
    if target.certificate is not None and target.key is not None:
        found["sslcert"], found["sslkey"] = str(target.certificate), str(target.key)
    path = password_path(target)
    if path is not None:
        try:
            found["password"] = path.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise TargetRejected(
                f"password in {path}", f"it cannot be read: {error}", "mend the file or its rights"
            ) from error
    return found


def password_path(target: PostgresTarget) -> Path | None:
    """The file that holds the password, None where none is needed.

    Raises:
        TargetRejected: a systemd credential is named, but systemd handed none over.
    """
    if not target.credential:
        return target.password_file
    folder = os.environ.get(CREDENTIALS)
    if not folder:
        raise TargetRejected(
            f"credential {target.credential!r}",
            f"{CREDENTIALS} is not set",
            f"add LoadCredential={target.credential}:FILE to the unit, or use password_file",
        )
    return Path(folder) / target.credential


def _limit(conn: Connection, deadline_s: float) -> None:
    """Limits that the server keeps, and commits that are on its disk when it says so."""
    milliseconds = str(int(deadline_s * 1000))
    for setting, value in (
        ("statement_timeout", milliseconds),
        ("lock_timeout", milliseconds),
        ("idle_in_transaction_session_timeout", milliseconds),
        ("synchronous_commit", "on"),
        ("timezone", "UTC"),
        ("search_path", ""),
    ):
        conn.execute("SELECT set_config(%s, %s, false)", (setting, value))


@contextmanager
def deadline(conn: Connection, seconds: float) -> Iterator[Callable[[], None]]:
    """Shut the connection's socket if the block takes longer.

    Yields:
        A function that grants the whole time anew, called between one transaction and the next.
    """
    running: list[threading.Timer] = []

    def renew() -> None:
        while running:
            running.pop().cancel()
        timer = threading.Timer(seconds, cut, (conn,))
        timer.daemon = True
        timer.start()
        running.append(timer)

    renew()
    try:
        yield renew
    finally:
        running.pop().cancel()


def cut(conn: Connection) -> None:
    """End whatever waits on this connection, from any thread."""
    try:
        with socket.socket(fileno=os.dup(conn.fileno())) as line:
            line.shutdown(socket.SHUT_RDWR)
    except (OSError, psycopg.Error):
        return  # it is closed already


def is_about_rows(error: Exception) -> bool:
    """Whether rows are at fault that would be refused every time, not server or connection."""
    if isinstance(error, UnicodeEncodeError):
        return True
    if not isinstance(error, psycopg.Error):
        return False
    if error.sqlstate is None:  # found by the client before anything was sent, e.g. a NUL in text
        return isinstance(error, psycopg.DataError)
    return error.sqlstate[:2] in _ROWS_AT_FAULT


def translate(error: psycopg.Error) -> IngestError:
    """What an error after connecting means: try again, or a person is needed."""
    state = error.sqlstate
    said = str(error).strip() or type(error).__name__
    if state is None or state[:2] in _PASSING:
        hint = "make room there; delivery goes on by itself" if state == "53100" else ""
        return TargetUnavailable(SUBJECT, said, hint or "delivery tries again by itself")
    hints = {
        "28": "mend user, password or the server's access rules",
        "3D": "mend dbname in [delivery.postgres] conninfo",
        "3F": "an owner brings the schema with `ingestd central migrate`",
        "42": "an owner brings the schema up to date with `ingestd central migrate`",
    }
    return TargetRejected(SUBJECT, f"{said} ({state})", hints.get(state[:2], "ask its owner"))


def _refusal(error: psycopg.Error) -> IngestError:
    """What an error while connecting means; libpq gives no SQLSTATE there, only its text."""
    if error.sqlstate is not None:
        return translate(error)
    said = " ".join(str(error).split())
    pgconn = error.pgconn
    refused = pgconn is not None and (pgconn.needs_password or pgconn.used_password)
    if refused and "starting up" not in said and "shutting down" not in said:
        return TargetRejected(
            SUBJECT, said, "mend user, password or the server's access rules in pg_hba.conf"
        )
    if "certificate" in said or "does not support SSL" in said:
        return TargetRejected(
            SUBJECT, said, "mend tls or ca in [delivery.postgres], or the server"
        )
    return TargetUnavailable(SUBJECT, said, "delivery tries again by itself")
