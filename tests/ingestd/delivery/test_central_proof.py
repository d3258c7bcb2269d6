"""The centre checks a site's journal and tables by itself, and sees every change made there."""

from collections.abc import Callable

import pytest

from ingestd.audit.checkpoints import key_path, origin_of, write_checkpoint
from ingestd.config import PostgresTarget
from ingestd.delivery.central_proof import CentralReport, verify_central
from ingestd.delivery.connecting import connect
from ingestd.errors import TargetRejected
from ingestd.ledger.journal.checkpoints import load_key, make_key, public_key_text
from tests.ingestd.delivery.conftest import Centre, Site
from tests.ingestd.delivery.server import OWNER


def verify(centre: Centre, **options: object) -> list[CentralReport]:
    settings = PostgresTarget(
        conninfo=centre.server.conninfo(centre.database, OWNER), tls="disable"
    )
    with connect(settings) as conn:
        return verify_central(conn, **options)  # type: ignore[arg-type]  # given through


def public_key(site: Site) -> str:
    return public_key_text(load_key(key_path(site.lab.config)), origin_of(site.name))


@pytest.fixture
def filled(site: Site) -> Site:
    """A site with a released, a superseded and a withdrawn version, and two checkpoints."""
    site.work(2)
    write_checkpoint(site.lab.ledger.conn, site.lab.config)
    site.deliver()
    site.note("R1", 4, "dilution=1+4")
    site.release(site.result_of("W1b"), "sheet said 1+4")
    site.withdraw(site.result_of("W2a"), "mixed up")
    write_checkpoint(site.lab.ledger.conn, site.lab.config)
    site.deliver()
    return site


def test_untouched_centre_holds(filled: Site) -> None:
    (report,) = verify(filled.centre, keys={filled.name: public_key(filled)})
    assert (report.faults, report.cautions) == ([], [])
    assert report.entries == filled.centre.one("SELECT count(*) FROM ingestd.journal")
    assert report.checkpoints == 2
    assert report.rows > 50


def test_missing_public_key_is_a_caution(filled: Site) -> None:
    (report,) = verify(filled.centre)
    assert report.holds
    assert "signatures of checkpoints were not checked" in report.cautions[0]


def test_checkpoint_signed_by_another_key_is_found(filled: Site) -> None:
    other = make_key(filled.lab.folder / "other.key")
    key = public_key_text(other, origin_of(filled.name))
    (report,) = verify(filled.centre, keys={filled.name: key})
    assert "not signed by" in report.faults[0]


TAMPERED = {
    "entry altered": (
        (
            "UPDATE {journal} SET body = convert_to(replace(convert_from(body, 'UTF8'), "
            "'\"by\":\"rita\"', '\"by\":\"zita\"'), 'UTF8') WHERE kind = 'decided' AND entry = "
            "(SELECT min(entry) FROM {journal} WHERE kind = 'decided')"
        ),
        "are not those that the checkpoint",
    ),
    "entry removed": (
        "DELETE FROM {journal} WHERE entry = 7",
        "journal entry 7 is missing",
    ),
    "end cut off": (
        ("DELETE FROM {journal} WHERE entry >= (SELECT max(size) - 1 FROM ingestd.checkpoints)"),
        "its end was cut off",
    ),
    "filed under another time": (
        "UPDATE {journal} SET at = at + interval '1 second' WHERE entry = 5",
        "journal entry 5 is filed under a wrong time",
    ),
    "value altered": (
        "UPDATE {results} SET value = value + 1 WHERE sample = 'W1a'",
        "table results lacks",
    ),
    "finding removed": (
        "DELETE FROM {findings} WHERE ordinal = 0 AND result = 1 AND version = 1",
        "table findings lacks",
    ),
    "withdrawal removed": (
        "DELETE FROM {standings} WHERE standing = 'withdrawn'",
        "table standings lacks",
    ),
    "release invented": (
        (
            "INSERT INTO {standings} SELECT site, month, result, version, entry - 1, "
            "'released', NULL, NULL, '', actor, at FROM {standings} WHERE standing = "
            "'withdrawn'"
        ),
        "table standings alone holds",
    ),
    "result invented": (
        (
            "INSERT INTO {results} SELECT site, month, 99, version, entry, run, method, "
            "sample, point, analyte, fraction, basis, sampled_at, verdict, text, value, "
            "censored, unit, uncertainty, repeats, cause, made_at FROM {results} WHERE result "
            "= 1 AND version = 1"
        ),
        "table results holds 1 rows that no journal entry explains",
    ),
    "reading altered": (
        "UPDATE {readings} SET raw = '641' WHERE sample = 'W1a'",
        "table readings lacks",
    ),
    "capture's hash altered": (
        "UPDATE {captures} SET sha256 = reverse(sha256) WHERE capture = 1",
        "table captures lacks",
    ),
    "row of the future": (
        (
            "INSERT INTO {samples} SELECT site, month, 9999, 'X', 1, '', '', NULL, NULL, '', "
            "NULL FROM {samples} LIMIT 1"
        ),
        "table samples holds 1 rows",
    ),
    "cursor moved": (
        "UPDATE ingestd.cursors SET next_index = next_index + 1",
        "the cursor says",
    ),
}


@pytest.mark.parametrize("what", TAMPERED)
def test_change_made_at_the_centre_is_found(filled: Site, what: str) -> None:
    statement, found = TAMPERED[what]
    tables = ("journal", "results", "findings", "standings", "readings", "captures", "samples")
    parts = {table: f"ingestd.{table}_y2026m03" for table in tables}
    with filled.centre.connect() as conn:
        for part in parts.values():
            conn.execute(f"ALTER TABLE {part} DISABLE TRIGGER USER".encode())
        changed = conn.execute(statement.format(**parts).encode())
        assert changed.rowcount > 0
    (report,) = verify(filled.centre, keys={filled.name: public_key(filled)})
    assert any(found in fault for fault in report.faults), report


def test_rows_set_aside_are_not_missed(site: Site) -> None:
    site.centre.do("ALTER TABLE ingestd.results ADD CONSTRAINT odd CHECK (sample <> 'W1a')")
    site.work(1)
    site.deliver()  # the note of what was set aside goes there by itself
    (report,) = verify(site.centre)
    assert report.faults == []
    site.centre.do("ALTER TABLE ingestd.results DROP CONSTRAINT odd")
    target = site.target()
    target.retry(site.lab.ledger.conn)
    site.deliver(target)
    target.close()
    (report,) = verify(site.centre)
    assert report.faults == []


def test_every_site_is_checked_or_the_one_named(make_site: Callable[..., Site]) -> None:
    north, south = make_site("North"), make_site("South")
    for site in (north, south):
        site.work(1)
        site.deliver()
    assert [report.site for report in verify(north.centre)] == ["North", "South"]
    assert [report.site for report in verify(north.centre, site="South")] == ["South"]
    with pytest.raises(TargetRejected, match="knows none of this name"):
        verify(north.centre, site="West")
