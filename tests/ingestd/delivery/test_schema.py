"""The central schema: steps forward only, months made by themselves, rights that hold."""

from collections.abc import Callable, Iterator

import psycopg
import pytest

from ingestd.config import PostgresTarget
from ingestd.delivery.connecting import connect
from ingestd.delivery.entry_rows import CHECKPOINTS, COLUMNS, JOURNAL
from ingestd.delivery.schema import STEPS, admit_site, check_schema, migrate
from ingestd.errors import TargetRejected
from ingestd.ledger.journal.checkpoints import CheckpointError
from tests.ingestd.delivery.conftest import Centre, Site
from tests.ingestd.delivery.server import OWNER, Server


def owner_settings(centre: Centre) -> PostgresTarget:
    return PostgresTarget(conninfo=centre.server.conninfo(centre.database, OWNER), tls="disable")


@pytest.fixture
def empty(server: Server) -> Iterator[Centre]:
    with server.as_owner("postgres") as conn:
        conn.execute("CREATE DATABASE empty_one")
    made = Centre(server, "empty_one")
    yield made
    made.leave()
    with server.as_owner("postgres") as conn:
        conn.execute("DROP DATABASE empty_one WITH (FORCE)")


def test_steps_are_numbered_without_gap_and_named_for_their_number() -> None:
    assert [step.number for step in STEPS] == list(range(1, len(STEPS) + 1))
    for step in STEPS:
        assert step.name.startswith(f"{step.number:04}_")
        assert step.name == step.name.lower()
        assert 1 <= step.writers_from <= step.number


def test_migrating_applies_each_step_once_with_its_hash(empty: Centre) -> None:
    with connect(owner_settings(empty)) as conn:
        assert migrate(conn) == [step.name for step in STEPS]
        assert migrate(conn) == []
        check_schema(conn)
    assert empty.ask("SELECT number, name, sha256 FROM ingestd.schema_steps ORDER BY 1") == [
        (step.number, step.name, step.sha256) for step in STEPS
    ]


def test_step_that_differs_from_ours_is_refused(empty: Centre) -> None:
    with connect(owner_settings(empty)) as conn:
        migrate(conn)
        empty.do("UPDATE ingestd.schema_steps SET sha256 = 'other' WHERE number = 1")
        with pytest.raises(TargetRejected, match=r"step 0001_first_schema\.sql is not ours"):
            migrate(conn)


def test_newer_schema_is_not_migrated(empty: Centre) -> None:
    with connect(owner_settings(empty)) as conn:
        migrate(conn)
        empty.do("INSERT INTO ingestd.schema_steps VALUES (99, '0099_x.sql', 'x', 1, now())")
        with pytest.raises(TargetRejected, match=r"step 0099_x\.sql, which is newer"):
            migrate(conn)


def test_tables_have_the_columns_that_rows_are_made_for(centre: Centre) -> None:
    for table, columns in {**COLUMNS, "journal": JOURNAL, "checkpoints": CHECKPOINTS}.items():
        there = centre.ask(
            "SELECT column_name FROM information_schema.columns WHERE table_schema = 'ingestd'"
            " AND table_name = %s ORDER BY ordinal_position",
            table,
        )
        assert tuple(name for (name,) in there) == ("site", "month", *columns)


def test_every_key_begins_with_the_site_and_every_growing_table_is_by_month(
    centre: Centre,
) -> None:
    """What spreading by site asks for: see GROWTH.md."""
    keys = centre.ask(
        "SELECT c.relname, i.indexrelid::regclass::text, a.attname FROM pg_index i"
        " JOIN pg_class c ON c.oid = i.indrelid JOIN pg_namespace n ON n.oid = c.relnamespace"
        " JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = i.indkey[0]"
        " WHERE n.nspname = 'ingestd' AND c.relkind = 'p'"
    )
    assert {first for _, _, first in keys} == {"site"}
    assert {table for table, _, _ in keys} == {*COLUMNS, "journal", "checkpoints"}
    assert centre.ask(
        "SELECT DISTINCT pg_get_partkeydef(c.oid) FROM pg_class c JOIN pg_namespace n"
        " ON n.oid = c.relnamespace WHERE n.nspname = 'ingestd' AND c.relkind = 'p'"
    ) == [("RANGE (month)",)]


def test_months_ahead_are_there_after_a_delivery(site: Site) -> None:
    site.lab.now = site.lab.now.replace(year=2031, month=11)
    site.work(1)
    site.deliver()
    parts = site.centre.ask(
        "SELECT inhrelid::regclass::text FROM pg_inherits"
        " WHERE inhparent = 'ingestd.results'::regclass ORDER BY 1"
    )
    assert [name for (name,) in parts][-3:] == [
        "ingestd.results_y2031m11",
        "ingestd.results_y2031m12",
        "ingestd.results_y2032m01",
    ]


def test_partitions_are_all_alike(centre: Centre) -> None:
    """Indexes and triggers of every partition are those of its table."""
    odd = centre.ask(
        "SELECT p.inhrelid::regclass FROM pg_inherits p WHERE p.inhparent IN"
        " (SELECT c.oid FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace"
        " WHERE n.nspname = 'ingestd' AND c.relkind = 'p') AND"
        " ((SELECT count(*) FROM pg_index WHERE indrelid = p.inhrelid) <>"
        " (SELECT count(*) FROM pg_index WHERE indrelid = p.inhparent) OR"
        " (SELECT count(*) FROM pg_trigger WHERE tgrelid = p.inhrelid"
        " AND tgname = 'only_added') <> 1)"
    )
    assert odd == []


# --- rights ----------------------------------------------------------------------------------


@pytest.fixture
def writer(make_site: Callable[..., Site]) -> Iterator[tuple[Site, Site, "psycopg.Connection"]]:
    north, south = make_site("North"), make_site("South")
    for site in (north, south):
        site.work(1)
        site.deliver()
    settings = north.lab.config.delivery.postgres
    assert settings is not None
    with connect(settings) as conn:
        yield north, south, conn


REFUSED = {
    "row of another site": "INSERT INTO ingestd.samples (site, month, entry, sample, version,"
    " point, matrix, preservation) VALUES ('South', '2026-03-01', 999, 'X', 1, '', '', '')",
    "update": "UPDATE ingestd.results SET value = 1",
    "delete": "DELETE FROM ingestd.standings",
    "truncate": "TRUNCATE ingestd.journal",
    "partition behind the table": "INSERT INTO ingestd.samples_y2026m03 (site, month, entry,"
    " sample, version, point, matrix, preservation)"
    " VALUES ('South', '2026-03-01', 999, 'X', 1, '', '', '')",
    "reading a partition": "SELECT * FROM ingestd.results_y2026m03",
    "admitting a site": "INSERT INTO ingestd.sites VALUES ('West', 'x', '', now())",
    "a cursor of its own making": "INSERT INTO ingestd.cursors VALUES ('West', 0, '')",
    "cursor backwards": "UPDATE ingestd.cursors SET next_index = 1",
    "renaming its cursor": "UPDATE ingestd.cursors SET site = 'West'",
    "schema step": "INSERT INTO ingestd.schema_steps VALUES (9, 'x', 'x', 1, now())",
    "another table": "CREATE TABLE ingestd.mine ()",
    "acting as the owner": "SET ROLE owner",
}


@pytest.mark.parametrize("what", REFUSED)
def test_writer_may_only_add_to_its_own_site(
    writer: tuple[Site, Site, "psycopg.Connection"],
    what: str,
) -> None:
    _, _, conn = writer
    with pytest.raises((psycopg.errors.InsufficientPrivilege, psycopg.errors.RestrictViolation)):
        conn.execute(REFUSED[what].encode())


def test_writer_sees_and_moves_no_other_site(
    writer: tuple[Site, Site, "psycopg.Connection"],
) -> None:
    _, _, conn = writer
    for table in (*COLUMNS, "journal", "sites", "cursors"):
        query = f"SELECT DISTINCT site FROM ingestd.{table}"  # noqa: S608 - our own names
        sites = conn.execute(query.encode()).fetchall()
        assert sites in ([("North",)], []), table
    assert conn.execute("SELECT DISTINCT site FROM ingestd.released_results").fetchall() == [
        ("North",)
    ]
    moved = conn.execute(
        "UPDATE ingestd.cursors SET next_index = next_index + 1 WHERE site = 'South'"
    )
    assert moved.rowcount == 0


def test_reader_reads_every_site_and_changes_nothing(
    writer: tuple[Site, Site, "psycopg.Connection"],
) -> None:
    north, _, _ = writer
    with north.centre.connect() as conn:
        conn.execute("SET ROLE ingestd_reader")
        assert conn.execute(
            "SELECT site, count(*) FROM ingestd.reported_values GROUP BY site ORDER BY 1"
        ).fetchall() == [("North", 2), ("South", 2)]
        for statement in (
            "INSERT INTO ingestd.cursors VALUES ('West', 0, '')",
            "INSERT INTO ingestd.checkpoints VALUES ('North', '2026-03-01', 1, '', '')",
            "UPDATE ingestd.cursors SET next_index = 99",
            "SELECT ingestd.make_months('{2040-01-01}')",
        ):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                conn.execute(statement)


def test_owner_is_kept_from_accidents_too(site: Site) -> None:
    site.work(1)
    site.deliver()
    for statement in (
        "UPDATE ingestd.results SET value = 1",
        "DELETE FROM ingestd.journal",
        "TRUNCATE ingestd.standings",
    ):
        with pytest.raises(psycopg.errors.RestrictViolation, match="only added to"):
            site.centre.do(statement)


def test_one_role_writes_for_one_site(site: Site) -> None:
    with (
        connect(owner_settings(site.centre)) as conn,
        pytest.raises(TargetRejected, match="it writes for site 'Lab one'; one role a site"),
    ):
        admit_site(conn, "Lab two", site.role)


def test_admitting_again_keeps_the_cursor_and_takes_a_new_password(site: Site) -> None:
    site.work(1)
    site.deliver()
    (site.lab.folder / "password").write_text("new one\n")
    with pytest.raises(TargetRejected):
        site.deliver()
    with connect(owner_settings(site.centre)) as conn:
        admit_site(conn, site.name, site.role, password="new one")  # noqa: S106 - of the test
    assert site.deliver() == 0


def test_public_key_that_is_none_is_refused(site: Site) -> None:
    with connect(owner_settings(site.centre)) as conn, pytest.raises(CheckpointError):
        admit_site(conn, site.name, site.role, public_key="no key")


def test_server_log_and_catalog_hold_no_password(site: Site) -> None:
    (kept,) = site.centre.ask("SELECT rolpassword FROM pg_authid WHERE rolname = %s", site.role)
    assert str(kept[0]).startswith("SCRAM-SHA-256$")
