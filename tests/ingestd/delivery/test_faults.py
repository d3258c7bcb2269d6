"""Network, server and ourselves failing at the worst moments: each result is there once."""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from ingestd.delivery.central import CentralTarget
from ingestd.errors import StoreFull, TargetRejected, TargetUnavailable
from ingestd.ledger.deliveries import delivery_standings, set_aside_entries
from ingestd.ledger.inputs import take_input
from ingestd.ledger.store import Ledger
from ingestd.model import Sample
from tests.ingestd.delivery.conftest import START, Site
from tests.ingestd.delivery.equal import assert_centre_equals
from tests.ingestd.delivery.server import Line, Server, wait_until


def state_of(site: Site) -> str:
    return delivery_standings(site.lab.ledger.conn, ["postgres"])[0].state


def problem_of(site: Site) -> str:
    return delivery_standings(site.lab.ledger.conn, ["postgres"])[0].problem


@contextmanager
def stopped(server: Server, how: signal.Signals) -> Iterator[None]:
    server.stop(how)
    try:
        yield
    finally:
        server.start()


@pytest.mark.parametrize("how", [signal.SIGQUIT, signal.SIGINT])
def test_server_gone_and_back_loses_and_doubles_nothing(site: Site, how: signal.Signals) -> None:
    site.work(1)
    site.worker()
    site.wait_there()
    with stopped(site.centre.server, how):
        site.work(2)
        wait_until(lambda: "Connection refused" in problem_of(site), what="the courier notices")
        assert state_of(site) == "waiting"
    site.wait_there()
    wait_until(lambda: state_of(site) == "working", what="the courier goes on")
    assert_centre_equals(site)


@pytest.mark.parametrize(
    "after",
    [
        "UPDATE ingestd.cursors",
        'COPY "pg_temp"."stage_journal"',
        'INSERT INTO ingestd."journal"',
        'COPY "pg_temp"."stage_readings"',
        'COPY "pg_temp"."stage_results"',
        'INSERT INTO ingestd."standings"',
    ],
)
def test_line_cut_in_the_middle_of_a_batch(
    make_site: Callable[..., Site], line: Line, after: str
) -> None:
    site = make_site(line=line)
    site.work(2)
    line.cut_after = after.encode()
    with pytest.raises(TargetUnavailable):
        site.deliver()
    assert line.cuts == 1
    assert site.centre.one("SELECT count(*) FROM ingestd.journal") == 0, "all or nothing"
    line.cut_after = None
    site.deliver()
    assert_centre_equals(site)


def test_commit_whose_answer_is_lost_is_found_at_the_next_try(
    make_site: Callable[..., Site], line: Line
) -> None:
    site = make_site(line=line)
    site.work(1)
    target = site.target()
    assert target.step(site.lab.ledger.conn).entries > 0
    site.withdraw(site.result_of("W1b"), "mixed up")
    line.loses_commit = True
    with pytest.raises(TargetUnavailable):
        target.step(site.lab.ledger.conn)
    assert line.lost_commits == 1
    assert site.is_there(), "it was committed, only nobody told us"
    line.loses_commit = False
    assert site.deliver(target) == 0
    target.close()
    assert_centre_equals(site)
    (standing,) = delivery_standings(site.lab.ledger.conn, ["postgres"])
    assert (standing.results_behind, standing.behind) == (0, 0)


def test_stop_between_remote_commit_and_local_mark(site: Site) -> None:
    site.work(2)

    def never_marked(_job: Callable[[Ledger], None]) -> None:
        raise StoreFull("ledger", "no room left on its disk")

    broken = CentralTarget(site.lab.config, apply=never_marked, clock=lambda: START)
    with pytest.raises(StoreFull):
        broken.step(site.lab.ledger.conn)
    broken.close()
    assert site.is_there()
    assert site.lab.one("SELECT count(*) FROM deliveries") == 0
    assert site.deliver() == 0
    site.work(1)
    site.deliver()
    assert_centre_equals(site)


def test_refusal_that_went_unheard_is_heard_at_the_next_try(site: Site) -> None:
    site.centre.do("ALTER TABLE ingestd.results ADD CONSTRAINT odd CHECK (sample <> 'W1a')")
    site.work(1)

    def never_marked(_job: Callable[[Ledger], None]) -> None:
        raise StoreFull("ledger", "no room left on its disk")

    broken = CentralTarget(site.lab.config, apply=never_marked, clock=lambda: START)
    with pytest.raises(StoreFull):
        broken.step(site.lab.ledger.conn)
    broken.close()
    site.deliver()
    (problem,) = set_aside_entries(site.lab.ledger.conn, "postgres").values()
    assert 'violates check constraint "odd"' in problem


def test_connection_with_nothing_to_do_is_given_up_and_taken_up_again(site: Site) -> None:
    target = CentralTarget(
        site.lab.config,
        apply=lambda job: job(site.lab.ledger),
        clock=lambda: START,
        linger_s=0.0,
    )
    connected = (
        "SELECT count(*) FROM pg_stat_activity WHERE application_name = 'ingestd' AND usename = %s"
    )
    site.work(1)
    site.deliver(target)
    assert target.step(site.lab.ledger.conn).entries == 0  # idle for longer than nothing
    wait_until(lambda: site.centre.one(connected, site.role) == 0, what="the server sees it go")
    site.work(1)
    assert target.step(site.lab.ledger.conn).entries > 0
    assert site.centre.one(connected, site.role) == 1
    site.deliver(target)
    target.close()
    assert_centre_equals(site)


def test_full_disk_at_the_centre_is_waited_out(site: Site) -> None:
    """The server is real and answers with its own code for a full disk; the disk is not."""
    site.centre.do(
        "CREATE FUNCTION no_room() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION"
        " 'could not extend file: No space left on device' USING ERRCODE = 'disk_full'; END $$;"
        " CREATE TRIGGER no_room BEFORE INSERT ON ingestd.results FOR EACH ROW"
        " EXECUTE FUNCTION public.no_room()"
    )
    site.work(1)
    site.worker()
    wait_until(lambda: "No space left" in problem_of(site), what="the courier notices")
    assert state_of(site) == "waiting"
    assert "make room there" in problem_of(site)
    site.centre.do("DROP TRIGGER no_room ON ingestd.results")
    site.wait_there()
    assert_centre_equals(site)


def test_wrong_password_is_said_and_goes_on_once_mended(make_site: Callable[..., Site]) -> None:
    site = make_site(right=False)
    site.work(1)
    with pytest.raises(TargetRejected, match="password authentication failed"):
        site.deliver()
    site.worker()
    wait_until(lambda: state_of(site) == "refused", what="the courier notices")
    number = site.role.removeprefix("writer_")
    (site.lab.folder / "password").write_text(f"secret {number}\n")
    site.wait_there()
    assert_centre_equals(site)


def test_missing_password_file_is_named(site: Site) -> None:
    (site.lab.folder / "password").unlink()
    with pytest.raises(TargetRejected, match=r"password in .*/password: it cannot be read"):
        site.deliver()


def test_systemd_credential_holds_the_password(
    make_site: Callable[..., Site], monkeypatch: pytest.MonkeyPatch
) -> None:
    site = make_site()
    settings = site.lab.config.delivery
    assert settings.postgres is not None
    by_credential = settings.postgres.model_copy(
        update={"password_file": None, "credential": "password"}
    )
    delivery = settings.model_copy(update={"postgres": by_credential})
    site.lab.config = site.lab.config.model_copy(update={"delivery": delivery})
    with pytest.raises(TargetRejected, match="CREDENTIALS_DIRECTORY is not set"):
        site.deliver()
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(site.lab.folder))
    site.work(1)
    site.deliver()
    assert_centre_equals(site)


def test_older_central_schema_is_refused_with_the_remedy(site: Site) -> None:
    site.centre.do("DELETE FROM ingestd.schema_steps WHERE number > 1")
    with pytest.raises(TargetRejected, match=r"step 1, this program needs 2.*central migrate"):
        site.deliver()


def test_absent_central_schema_is_refused(site: Site) -> None:
    site.centre.do("DROP SCHEMA ingestd CASCADE")
    with pytest.raises(TargetRejected, match="schema is at step 0"):
        site.deliver()


def test_newer_central_schema_decides_whether_older_programs_may_write(site: Site) -> None:
    site.work(1)
    site.centre.do(
        "INSERT INTO ingestd.schema_steps VALUES (98, '0098_column.sql', 'x', 1, now());"
        " ALTER TABLE ingestd.results ADD COLUMN newer text NOT NULL DEFAULT ''"
    )
    site.deliver()
    assert_centre_equals(site)
    site.centre.do("INSERT INTO ingestd.schema_steps VALUES (99, '0099_x.sql', 'x', 99, now())")
    with pytest.raises(TargetRejected, match="only from programs that know step 99"):
        site.deliver()


def test_clock_jumps_make_the_months_they_need(site: Site) -> None:
    for year in (2099, 1999, 2026):
        site.lab.now = site.lab.now.replace(year=year)
        site.work(1)
        site.deliver()
    assert_centre_equals(site)
    months = site.centre.ask("SELECT DISTINCT month::text FROM ingestd.results ORDER BY 1")
    assert months == [("1999-03-01",), ("2026-03-01",), ("2099-03-01",)]


def test_frozen_line_is_given_up_after_the_deadline(
    make_site: Callable[..., Site], line: Line
) -> None:
    site = make_site(line=line, extra="deadline_s = 1.0")
    site.work(1)
    target = site.target()
    target.step(site.lab.ledger.conn)
    site.work(1)
    line.is_frozen = True
    with pytest.raises(TargetUnavailable):
        target.step(site.lab.ledger.conn)
    line.is_frozen = False
    site.deliver(target)
    target.close()
    assert_centre_equals(site)


def test_frozen_line_delays_neither_results_nor_the_end(
    make_site: Callable[..., Site], line: Line
) -> None:
    site = make_site(line=line)
    site.work(1)
    worker = site.worker()
    site.wait_there()
    line.is_frozen = True
    site.work(3)  # would hang here if anything waited for the network
    assert site.lab.one("SELECT count(*) FROM results WHERE state = 'released'") == 8
    worker.stop()
    worker.join(timeout=0.1)
    assert not worker.is_alive
    assert site.failures == []


def test_row_that_the_centre_refuses_is_set_aside_and_the_rest_goes_on(site: Site) -> None:
    site.centre.do("ALTER TABLE ingestd.results ADD CONSTRAINT odd CHECK (sample <> 'W2a')")
    site.work(3)
    site.deliver()
    assert site.centre.ask("SELECT sample FROM ingestd.results ORDER BY 1") == [
        ("W1a",), ("W1b",), ("W2b",), ("W3a",), ("W3b",),
    ]  # fmt: skip
    assert site.centre.one("SELECT count(*) FROM ingestd.journal") == site.lab.one(
        "SELECT up_to FROM deliveries"
    ), "the journal goes there whole"
    ((entry, problem),) = set_aside_entries(site.lab.ledger.conn, "postgres").items()
    assert entry == site.lab.one(
        "SELECT o.entry FROM outbox o JOIN results r ON r.id = o.result WHERE r.sample = 'W2a'"
    )
    assert 'violates check constraint "odd"' in problem
    (standing,) = delivery_standings(site.lab.ledger.conn, ["postgres"])
    assert (standing.set_aside, standing.results_behind) == (1, 0)


def test_retry_brings_what_was_set_aside_once_the_cause_is_mended(site: Site) -> None:
    site.centre.do("ALTER TABLE ingestd.results ADD CONSTRAINT odd CHECK (sample <> 'W1a')")
    site.work(1)
    site.deliver()
    target = site.target()
    assert list(target.retry(site.lab.ledger.conn).refused) == list(
        set_aside_entries(site.lab.ledger.conn, "postgres")
    )
    size = site.lab.one("SELECT size FROM frontier")
    target.retry(site.lab.ledger.conn)
    assert site.lab.one("SELECT size FROM frontier") == size, "nothing new, nothing journalled"
    site.centre.do("ALTER TABLE ingestd.results DROP CONSTRAINT odd")
    assert target.retry(site.lab.ledger.conn).entries == 1
    target.close()
    assert set_aside_entries(site.lab.ledger.conn, "postgres") == {}
    assert_centre_equals(site)


def test_text_that_postgresql_cannot_hold_is_set_aside(site: Site) -> None:
    with site.lab.ledger.change(at=site.lab.clock(), by="mara") as change:
        take_input(change, "sample", Sample(code="A\x00B"), capture=None)
        take_input(change, "sample", Sample(code="A-B"), capture=None)
    site.deliver()
    assert site.centre.ask("SELECT sample FROM ingestd.samples") == [("A-B",)]
    (problem,) = set_aside_entries(site.lab.ledger.conn, "postgres").values()
    assert "NUL" in problem


def test_second_sender_of_a_site_changes_nothing(site: Site) -> None:
    site.work(2)
    first, second = site.target(), site.target()
    first.step(site.lab.ledger.conn)
    site.work(1)
    second.step(site.lab.ledger.conn)
    site.work(1)
    with pytest.raises(TargetUnavailable, match="does not stand at"):
        first.step(site.lab.ledger.conn)
    site.deliver(first)
    first.close()
    second.close()
    assert_centre_equals(site)


def test_twenty_sites_at_once_through_a_restart_end_up_equal(
    make_site: Callable[..., Site], server: Server
) -> None:
    sites = [make_site(f"Lab {number}", extra="batch = 20") for number in range(20)]
    for site in sites:
        site.work(1)
        site.worker()
    server.stop(signal.SIGQUIT)
    server.start()
    for site in sites[::5]:
        site.withdraw(site.result_of("W1a"), "mixed up")
    for site in sites:
        site.wait_there()
        assert_centre_equals(site)
        assert site.failures == []
