"""The central schema: forward migrations, which programs may write to it, and admitted sites."""

import hashlib
from dataclasses import dataclass
from importlib.resources import files

import psycopg
from psycopg import sql

from ingestd.delivery.connecting import SUBJECT, Connection, translate
from ingestd.errors import TargetRejected
from ingestd.ledger.journal.checkpoints import read_verifier_key
from ingestd.ledger.journal.merkle import Frontier


@dataclass(frozen=True, slots=True)
class Step:
    """One migration.

    Attributes:
        writers_from: the oldest step a program must know to go on writing after this one.
    """

    number: int
    name: str
    writers_from: int

    @property
    def text(self) -> str:
        """Its statements."""
        return files("ingestd.delivery").joinpath("sql", self.name).read_text(encoding="utf-8")

    @property
    def sha256(self) -> str:
        """Hash of its statements; an applied step never changes."""
        return hashlib.sha256(self.text.encode()).hexdigest()


STEPS = (Step(1, "0001_first_schema.sql", 1), Step(2, "0002_views.sql", 1))
NUMBER = STEPS[-1].number
OLDEST_SERVER = 150000  # views that look with the rights of whoever asks


def migrate(conn: Connection) -> list[str]:
    """Bring the central schema up to this program's; each step in one transaction.

    Args:
        conn: as the owner of the database, who may make roles.

    Returns:
        Names of the steps applied now.

    Raises:
        TargetRejected: an applied step differs, the schema is newer, the server too old, or the
            user may not.
    """
    if conn.info.server_version < OLDEST_SERVER:
        raise TargetRejected(
            SUBJECT, f"PostgreSQL {conn.info.server_version // 10000}", "15 or newer is needed"
        )
    try:
        return _migrate(conn)
    except psycopg.Error as error:
        raise translate(error) from error


def _migrate(conn: Connection) -> list[str]:
    done: list[str] = []
    with conn.transaction():
        conn.execute("SELECT pg_advisory_xact_lock(hashtext('ingestd.migrate'))")
        applied = _applied(conn)
        _check_applied(applied)
        for step in STEPS:
            if step.number in applied:
                continue
            conn.execute(step.text.encode())
            conn.execute(
                "INSERT INTO ingestd.schema_steps (number, name, sha256, writers_from)"
                " VALUES (%s, %s, %s, %s)",
                (step.number, step.name, step.sha256, step.writers_from),
            )
            done.append(step.name)
    return done


def _applied(conn: Connection) -> dict[int, tuple[str, str, int]]:
    (there,) = conn.execute("SELECT to_regclass('ingestd.schema_steps')").fetchone() or (None,)
    if there is None:
        return {}
    rows = conn.execute("SELECT number, name, sha256, writers_from FROM ingestd.schema_steps")
    return {number: (name, sha256, oldest) for number, name, sha256, oldest in rows}


def _check_applied(applied: dict[int, tuple[str, str, int]]) -> None:
    known = {step.number: step for step in STEPS}
    for number, (name, sha256, _) in sorted(applied.items()):
        if number not in known:
            raise TargetRejected(
                SUBJECT, f"its schema has step {name}, which is newer", "use that ingestd"
            )
        if sha256 != known[number].sha256:
            raise TargetRejected(
                SUBJECT, f"its step {name} is not ours", "it was made by something else"
            )


def check_schema(conn: Connection) -> None:
    """Whether this program may write to the schema that is there.

    Raises:
        TargetRejected: no schema, an older one, or a newer one that shuts this program out.
    """
    applied = _applied(conn)
    newest = max(applied, default=0)
    if newest < NUMBER:
        raise TargetRejected(
            SUBJECT,
            f"its schema is at step {newest}, this program needs {NUMBER}",
            "an owner brings it up to date with `ingestd central migrate`",
        )
    oldest = max(writers_from for _, _, writers_from in applied.values())
    if oldest > NUMBER:
        raise TargetRejected(
            SUBJECT,
            f"its schema takes rows only from programs that know step {oldest},"
            f" this one knows {NUMBER}",
            "install a newer ingestd at this site",
        )


def admit_site(
    conn: Connection, site: str, role: str, *, password: str = "", public_key: str = ""
) -> None:
    """Let a login role write for a site; made where there is none yet, changed where there is.

    Args:
        conn: as the owner of the schema.
        site: exactly the name in the site's configuration.
        password: set for the role if given; it leaves this program only as a SCRAM verifier.
        public_key: verifier key of the site's checkpoints, if given.

    Raises:
        TargetRejected: the role writes for another site already, or the user may not.
    """
    if public_key:
        read_verifier_key(public_key)
    try:
        with conn.transaction():
            _make_role(conn, role, password)
            other = conn.execute(
                "SELECT site FROM ingestd.sites WHERE writer = %s AND site <> %s", (role, site)
            ).fetchone()
            if other is not None:
                raise TargetRejected(
                    f"role {role}", f"it writes for site {other[0]!r}", "one role a site"
                )
            conn.execute(
                "INSERT INTO ingestd.sites (site, writer, public_key) VALUES (%s, %s, %s)"
                " ON CONFLICT (site) DO UPDATE SET writer = excluded.writer, public_key ="
                " coalesce(nullif(excluded.public_key, ''), ingestd.sites.public_key)",
                (site, role, public_key),
            )
            conn.execute(
                "INSERT INTO ingestd.cursors (site, next_index, nodes) VALUES (%s, 0, %s)"
                " ON CONFLICT (site) DO NOTHING",
                (site, Frontier().to_bytes()),
            )
    except psycopg.Error as error:
        raise translate(error) from error


def _make_role(conn: Connection, role: str, password: str) -> None:
    name = sql.Identifier(role)
    if not conn.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", (role,)).fetchone():
        conn.execute(sql.SQL("CREATE ROLE {} LOGIN").format(name))
    if password:
        verifier = conn.pgconn.encrypt_password(
            password.encode(), role.encode(), b"scram-sha-256"
        ).decode()
        conn.execute(sql.SQL("ALTER ROLE {} PASSWORD {}").format(name, sql.Literal(verifier)))
    conn.execute(sql.SQL("GRANT ingestd_writer TO {}").format(name))
    conn.execute(
        sql.SQL("GRANT TEMPORARY ON DATABASE {} TO ingestd_writer").format(
            sql.Identifier(conn.info.dbname)
        )
    )
