"""The whole service with a centre: from a file in a folder to the central database."""

from collections.abc import Callable

import structlog

from ingestd.audit.verify import verify_ledger
from ingestd.errors import TargetUnavailable
from ingestd.pipeline.decisions import set_release_policy
from ingestd.service.daemon import Service
from tests.conftest import GOOD_EXPORT, SHEET
from tests.ingestd.delivery.conftest import Site
from tests.ingestd.delivery.equal import assert_centre_equals
from tests.ingestd.delivery.server import Line, wait_until


def quiet() -> object:
    def drop(*_: object) -> str:
        raise structlog.DropEvent

    return structlog.wrap_logger(None, processors=[drop])


def sign_policy(site: Site) -> None:
    with site.lab.ledger.change(at=site.lab.clock(), by="rita") as change:
        in_force = site.lab.pipeline.in_force_cache.current(site.lab.ledger.conn)
        set_release_policy(change, in_force, mode="automatic", by="rita", reason="trial")


def test_file_in_a_folder_becomes_a_result_at_the_centre(site: Site) -> None:
    sign_policy(site)
    site.lab.load("sheet.csv", SHEET)
    service = Service(site.lab.config, log=quiet())
    service.start()
    try:
        (site.lab.folder / "exports" / "day.csv").write_text(GOOD_EXPORT)
        wait_until(lambda: site.lab.one("SELECT count(*) FROM outbox") == 2, what="released")
        site.wait_there()
    finally:
        service.stop()
    assert_centre_equals(site)
    assert verify_ledger(site.lab.ledger.conn, rebuild=True).faults == []


def test_service_works_and_ends_while_the_centre_answers_nothing(
    make_site: Callable[..., Site], line: Line
) -> None:
    site = make_site(line=line)
    sign_policy(site)
    site.lab.load("sheet.csv", SHEET)
    line.is_frozen = True
    service = Service(site.lab.config, log=quiet())
    service.start()
    try:
        (site.lab.folder / "exports" / "day.csv").write_text(GOOD_EXPORT)
        wait_until(lambda: site.lab.one("SELECT count(*) FROM outbox") == 2, what="released")
    finally:
        service.stop()
    assert site.centre.one("SELECT count(*) FROM ingestd.journal") == 0
    line.is_frozen = False

    def is_delivered() -> bool:
        """As the courier does: what was frozen on the line may still reach the centre first."""
        try:
            site.deliver()
        except TargetUnavailable:
            return False
        return True

    wait_until(is_delivered, what="delivered")
    assert_centre_equals(site)
