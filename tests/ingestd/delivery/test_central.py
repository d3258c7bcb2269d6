"""What reaches the centre from sites at work."""

from collections.abc import Callable

import pytest

from ingestd.audit.checkpoints import write_checkpoint
from ingestd.audit.verify import verify_ledger
from ingestd.errors import TargetRejected
from ingestd.ledger.deliveries import delivery_standings
from tests.ingestd.delivery.conftest import Centre, Site
from tests.ingestd.delivery.equal import assert_centre_equals


def test_released_results_arrive_with_everything_they_rest_on(site: Site) -> None:
    site.work(2)
    site.deliver()
    assert_centre_equals(site)
    assert site.centre.ask(
        "SELECT sample, text, unit FROM ingestd.reported_values ORDER BY sample"
    ) == [("W1a", "1280", "mg/L"), ("W1b", "301", "mg/L"), ("W2a", "1280", "mg/L"),
          ("W2b", "302", "mg/L")]  # fmt: skip


def test_what_is_not_released_is_no_result_at_the_centre(site: Site) -> None:
    site.work(1, release_them=False)
    site.deliver()
    assert site.centre.one("SELECT count(*) FROM ingestd.results") == 0
    assert site.centre.one("SELECT count(*) FROM ingestd.readings") == 4


def test_second_delivery_finds_nothing_to_do(site: Site) -> None:
    site.work(1)
    assert site.deliver() > 0
    assert site.deliver() == 0


def test_small_batches_give_the_same_centre(make_site: Callable[..., Site]) -> None:
    site = make_site(extra="batch = 3")
    site.work(2)
    site.deliver()
    assert_centre_equals(site)


def test_withdrawn_result_reaches_the_centre_as_such(site: Site) -> None:
    site.work(1)
    site.deliver()
    site.withdraw(site.result_of("W1b"), "bottle was mixed up")
    site.deliver()
    assert_centre_equals(site)
    assert site.centre.ask(
        "SELECT s.standing, s.reason, s.actor FROM ingestd.standing_now s JOIN ingestd.results r"
        " USING (site, result, version) WHERE r.sample = 'W1b'"
    ) == [("withdrawn", "bottle was mixed up", "rita")]
    assert site.centre.ask("SELECT sample FROM ingestd.released_results") == [("W1a",)]


def test_superseding_version_names_what_it_replaces_and_why(site: Site) -> None:
    site.work(1)
    site.deliver()
    site.note("R1", 4, "dilution=1+4")
    site.release(site.result_of("W1b"), "sheet said 1+4")
    site.deliver()
    assert_centre_equals(site)
    assert site.centre.ask(
        "SELECT r.version, r.text, s.standing, s.replaces, s.replaced_by, s.reason"
        " FROM ingestd.standing_now s JOIN ingestd.results r USING (site, result, version)"
        " WHERE r.sample = 'W1b' ORDER BY 1"
    ) == [
        (1, "301", "superseded", None, 2, "sheet said 1+4"),
        (2, "1500", "released", 1, None, "sheet said 1+4"),
    ]  # fmt: skip


def test_sites_see_only_their_own_at_one_centre(make_site: Callable[..., Site]) -> None:
    north, south = make_site("North"), make_site("South")
    for site in (north, south):
        site.work(1)
        site.deliver()
    assert_centre_equals(north)
    assert_centre_equals(south)


def test_rebuild_agrees_after_deliveries(site: Site) -> None:
    site.work(1)
    site.deliver()
    site.withdraw(site.result_of("W1b"), "mixed up")
    site.deliver()
    report = verify_ledger(site.lab.ledger.conn, rebuild=True)
    assert report.faults == []
    assert site.lab.one("SELECT count(*) FROM outbox") == 3


def test_standing_says_how_far_behind(site: Site) -> None:
    site.work(1)
    (before,) = delivery_standings(site.lab.ledger.conn, ["postgres"])
    assert (before.results_behind, before.delivered, before.up_to) == (2, 0, 0)
    assert before.oldest == site.lab.one("SELECT min(at) FROM outbox")
    rows = site.deliver()
    (after,) = delivery_standings(site.lab.ledger.conn, ["postgres"])
    assert (after.results_behind, after.behind, after.delivered) == (0, 0, rows)


def test_checkpoints_go_along(site: Site) -> None:
    site.work(1)
    first = write_checkpoint(site.lab.ledger.conn, site.lab.config)
    site.deliver()
    second = write_checkpoint(site.lab.ledger.conn, site.lab.config)
    assert second.size > first.size
    site.work(1)
    site.deliver()
    assert site.centre.ask("SELECT size, root, note FROM ingestd.checkpoints ORDER BY 1") == [
        (one.size, one.root, one.text) for one in (first, second)
    ]


def test_centre_restored_from_an_older_copy_gets_the_rest_again(site: Site) -> None:
    site.work(1)
    site.deliver()
    with site.centre.connect() as conn:
        kept = conn.execute("SELECT next_index, nodes FROM ingestd.cursors").fetchone()
    assert kept is not None
    site.work(1)
    site.deliver()
    with site.centre.connect() as conn:  # as the owner, who restores: everything newer is gone
        conn.execute("ALTER TABLE ingestd.cursors DISABLE TRIGGER only_forward")
        conn.execute("UPDATE ingestd.cursors SET next_index = %s, nodes = %s", kept)
        conn.execute("ALTER TABLE ingestd.cursors ENABLE TRIGGER only_forward")
        for (part,) in conn.execute(
            "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent ="
            " ANY('{ingestd.journal,ingestd.standings,ingestd.readings}'::regclass[])"
        ).fetchall():
            conn.execute(f"ALTER TABLE {part} DISABLE TRIGGER USER".encode())
            conn.execute(f"DELETE FROM {part} WHERE entry >= {kept[0]}".encode())  # noqa: S608 - both from the catalog
            conn.execute(f"ALTER TABLE {part} ENABLE TRIGGER USER".encode())
    site.work(1)
    site.deliver()
    assert_centre_equals(site)


def test_ledger_restored_from_an_older_copy_is_refused(
    make_site: Callable[..., Site], centre: Centre
) -> None:
    site = make_site("Lab two")
    site.work(1)
    site.deliver()
    other = make_site("Lab two")  # another ledger under the same name
    other.work(1, sample="X")
    with pytest.raises(TargetRejected, match="are not the first"):
        other.deliver()
    assert_centre_equals(site)


def test_other_site_name_than_admitted_is_refused(
    make_site: Callable[..., Site], centre: Centre
) -> None:
    site = make_site("Lab two")
    with centre.connect() as conn:
        conn.execute("UPDATE ingestd.sites SET site = 'Lab 2'")
        conn.execute("ALTER TABLE ingestd.cursors DISABLE TRIGGER only_forward")
        conn.execute("UPDATE ingestd.cursors SET site = 'Lab 2'")
    with pytest.raises(TargetRejected, match="may not write for site 'Lab two', but for 'Lab 2'"):
        site.deliver()
