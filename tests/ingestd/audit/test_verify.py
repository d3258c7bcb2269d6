"""Verification: what fits holds, what does not is named, and nothing makes it crash."""

from collections.abc import Callable

import pytest

from ingestd.audit.checkpoints import write_checkpoint
from ingestd.audit.verify import VerifyReport, verify_ledger
from ingestd.ledger.connection import Connection
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, Lab


@pytest.fixture
def judged(lab: Lab) -> Lab:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + GOOD_ROWS[0], final=False)
    lab.arrive(GOOD_EXPORT)
    return lab


def without_guards(conn: Connection) -> None:
    """What somebody with the file and any SQLite tool can do."""
    for (name,) in conn.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    ).fetchall():
        conn.execute(f"DROP TRIGGER {name}")
    conn.execute("PRAGMA foreign_keys = OFF")


def tamper(lab: Lab, *statements: str) -> None:
    without_guards(lab.ledger.conn)
    for statement in statements:
        lab.ledger.conn.execute(statement)


def rebuilt(lab: Lab) -> VerifyReport:
    return verify_ledger(lab.ledger.conn, rebuild=True)


def test_untouched_ledger_holds_and_says_what_was_checked(judged: Lab) -> None:
    first = write_checkpoint(judged.ledger.conn, judged.config)
    judged.arrive(b"", name="empty.csv")
    second = write_checkpoint(judged.ledger.conn, judged.config)
    report = verify_ledger(judged.ledger.conn, checkpoints=[second, first], rebuild=True)
    assert report.holds
    assert report.rebuilt
    assert report.size == judged.one("SELECT size FROM frontier")
    assert report.root == second.root.hex()
    assert report.captures == judged.one("SELECT count(*) FROM captures")
    assert report.checkpoints == 2


ALTERED: dict[str, tuple[str, str, int | None]] = {
    "body_changed": (
        "UPDATE journal SET body = CAST(CAST(body AS TEXT) || ' ' AS BLOB) WHERE idx = 20",
        "journal entry 20 does not fit its hash",
        20,
    ),
    "entry_deleted": ("DELETE FROM journal WHERE idx = 12", "journal entry 12 is missing", 12),
    "end_cut_off": (
        "DELETE FROM journal WHERE idx > 20",
        "the frontier says",
        None,
    ),
    "leaf_changed": (
        "UPDATE journal SET leaf = zeroblob(32) WHERE idx = 3",
        "journal entry 3 does not fit its hash",
        3,
    ),
    "entries_swapped": (
        "UPDATE journal SET idx = CASE idx WHEN 4 THEN -5 ELSE -4 END WHERE idx IN (4, 5)",
        "journal entry",
        0,
    ),
    "capture_bytes_changed": (
        (
            "UPDATE captures SET bytes = CAST(replace(CAST(bytes AS TEXT), '640', '641') AS BLOB)"
            " WHERE source = 'p1' AND continues IS NOT NULL"
        ),
        "its bytes were altered",
        None,
    ),
    "capture_bytes_gone": (
        "UPDATE captures SET bytes = NULL WHERE source = 'p1' AND continues IS NULL",
        "differs from journal entry",
        None,
    ),
    "capture_deleted": ("DELETE FROM captures WHERE source = 'p1'", "is missing", None),
    "capture_renamed": ("UPDATE captures SET name = 'x' WHERE source = 'p1'", "differs", None),
    "capture_of_another_lineage": (
        "UPDATE captures SET lineage = 1 WHERE source = 'p1'",
        "differs",
        None,
    ),
    "capture_added": (
        (
            "INSERT INTO captures VALUES (999, 'export', 'p1', 'new', '2026', 0,"
            " 'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855',"
            " NULL, 0, 999, x'')"
        ),
        "capture 999 is in no journal entry",
        None,
    ),
    "frontier_lost": ("DELETE FROM frontier", "the frontier says nothing", None),
}


@pytest.mark.parametrize("kind", ALTERED)
def test_altered_journal_or_capture_is_found_without_any_checkpoint(
    judged: Lab, kind: str
) -> None:
    statement, sentence, entry = ALTERED[kind]
    tamper(judged, statement)
    report = verify_ledger(judged.ledger.conn)
    assert not report.holds
    assert sentence in report.faults[0]
    if entry is not None:
        assert report.entry == entry


TABLES = {
    "result_raised": "UPDATE result_versions SET value = '12', text = '12' WHERE result = 1",
    "result_released": "UPDATE results SET state = 'released' WHERE id = 1",
    "reading_changed": "UPDATE readings SET value = '641' WHERE id = 3",
    "reading_gone": "DELETE FROM readings WHERE id = 1",
    "reading_moved": "UPDATE placements SET position = 4 WHERE reading = 3",
    "person_made_reviewer": (
        "UPDATE inputs SET body = replace(body, 'analyst', 'reviewer') WHERE name = 'mara'"
    ),
    "observation_added": (
        "INSERT INTO observations VALUES (99, 'R1', 3, 'turbidity', 'clear', '2026', 'mara', 1)"
    ),
    "sighting_added": "INSERT INTO sightings VALUES (1, 1)",
    "lot_use_changed": "UPDATE lot_use SET determinations = 0",
}


@pytest.mark.parametrize("kind", TABLES)
def test_altered_table_is_found_by_a_rebuild(judged: Lab, kind: str) -> None:
    judged.ledger.conn.execute("PRAGMA foreign_keys = OFF")
    judged.ledger.conn.execute(TABLES[kind])
    assert verify_ledger(judged.ledger.conn).holds, "journal and captures themselves are whole"
    report = rebuilt(judged)
    assert report.faults[0].startswith("table ")
    assert not report.rebuilt


@pytest.mark.parametrize(
    ("statement", "sentence"),
    [
        ("DROP TRIGGER journal_never_changes", "trigger journal_never_changes is missing"),
        ("CREATE TABLE notes (a)", "table notes is not ours"),
        ("DROP INDEX readings_by_identity", "index readings_by_identity is missing"),
    ],
)
def test_altered_schema_is_found_by_a_rebuild(judged: Lab, statement: str, sentence: str) -> None:
    judged.ledger.conn.execute(statement)
    assert sentence in rebuilt(judged).faults[0]


def test_journal_rewritten_with_fitting_hashes_is_found_by_a_checkpoint_from_elsewhere(
    judged: Lab,
) -> None:
    from ingestd.ledger.journal.merkle import Frontier, leaf_hash

    kept = write_checkpoint(judged.ledger.conn, judged.config)
    conn = judged.ledger.conn
    without_guards(conn)
    conn.execute(
        "UPDATE journal SET body = CAST(replace(CAST(body AS TEXT), '1280', '1180') AS BLOB)"
    )
    conn.execute("UPDATE result_versions SET value = '1180', text = '1180' WHERE value = '1280'")
    leaves = []
    for index, body in conn.execute("SELECT idx, body FROM journal ORDER BY idx").fetchall():
        leaves.append(leaf_hash(body))
        conn.execute("UPDATE journal SET leaf = ? WHERE idx = ?", (leaves[-1], index))
    frontier = Frontier().extend(leaves)
    conn.execute("UPDATE frontier SET nodes = ?", (frontier.to_bytes(),))
    assert verify_ledger(conn).holds, "nothing inside can tell"
    report = verify_ledger(conn, checkpoints=[kept])
    assert "was signed over" in report.faults[0]
    assert report.entry == 0


def test_first_checkpoint_that_disagrees_narrows_the_entries_down(judged: Lab) -> None:
    from dataclasses import replace

    good = write_checkpoint(judged.ledger.conn, judged.config)
    judged.arrive(b"", name="empty.csv")
    bad = replace(write_checkpoint(judged.ledger.conn, judged.config), root=b"\1" * 32)
    report = verify_ledger(judged.ledger.conn, checkpoints=[bad, good])
    assert report.entry == good.size
    assert f"journal entries {good.size} to {bad.size - 1} are not those" in report.faults[0]


def test_cut_end_is_found_by_a_checkpoint_and_the_missing_entry_named(judged: Lab) -> None:
    from ingestd.ledger.journal.merkle import Frontier

    kept = write_checkpoint(judged.ledger.conn, judged.config)
    conn = judged.ledger.conn
    without_guards(conn)
    conn.execute("DELETE FROM journal WHERE idx >= 30")
    leaves = [leaf for (leaf,) in conn.execute("SELECT leaf FROM journal ORDER BY idx")]
    conn.execute(
        "UPDATE frontier SET size = 30, nodes = ?", (Frontier().extend(leaves).to_bytes(),)
    )
    report = verify_ledger(conn, checkpoints=[kept])
    assert report.entry == 30
    assert "its end was cut off" in report.faults[0]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE journal SET body = x'ff00' WHERE idx = 5",
        "UPDATE frontier SET nodes = x'01'",
        "UPDATE captures SET continues = 777 WHERE source = 'p1'",
        "UPDATE captures SET bytes = NULL",
        "DROP TABLE captures",
        "DROP TABLE frontier",
        "DELETE FROM journal",
    ],
)
def test_whatever_was_done_the_answer_is_a_sentence(judged: Lab, statement: str) -> None:
    tamper(judged, statement)
    assert not rebuilt(judged).holds
    assert not judged.ledger.conn.in_transaction


def test_entries_that_no_program_wrote_are_named_even_with_fitting_hashes(lab: Lab) -> None:
    from ingestd.ledger.journal.merkle import Frontier, leaf_hash

    bodies: list[bytes] = [
        b"[]",
        b"not json",
        b'{"kind":"unheard_of"}',
        b'{"kind":"capture_stored"}',
    ]
    conn = lab.ledger.conn
    without_guards(conn)
    for body in bodies:
        conn.execute("SAVEPOINT one")
        (size,) = conn.execute("SELECT size FROM frontier").fetchone()
        conn.execute("INSERT INTO journal VALUES (?, ?, ?)", (size, body, leaf_hash(body)))
        leaves = [leaf for (leaf,) in conn.execute("SELECT leaf FROM journal ORDER BY idx")]
        conn.execute(
            "UPDATE frontier SET size = ?, nodes = ?",
            (size + 1, Frontier().extend(leaves).to_bytes()),
        )
        conn.execute("RELEASE one")
        assert not verify_ledger(conn, rebuild=True).holds, body
        conn.execute("DELETE FROM journal WHERE idx = ?", (size,))
        conn.execute(
            "UPDATE frontier SET size = ?, nodes = ?",
            (size, Frontier().extend(leaves[:-1]).to_bytes()),
        )


def test_ledger_of_an_empty_laboratory_holds(make_lab: Callable[..., Lab]) -> None:
    lab = make_lab(plan=None)
    assert rebuilt(lab).holds
