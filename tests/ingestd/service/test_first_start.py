"""A first start with plan and exports waiting side by side: the plan goes first."""

from collections.abc import Callable

from ingestd.ledger.results import find_results
from ingestd.ledger.store import Ledger
from ingestd.service.daemon import Service
from tests.conftest import GOOD_EXPORT, PLAN, SHEET, Lab
from tests.ingestd.pipeline.test_real_plant import wait_for


def test_exports_that_wait_beside_their_plan_are_read_after_it(
    make_lab: Callable[..., Lab],
) -> None:
    lab = make_lab(plan=None)
    (lab.folder / "plan" / "1-methods.toml").write_text(PLAN)
    (lab.folder / "plan" / "2-sheet.csv").write_text(SHEET)
    (lab.folder / "exports" / "day.csv").write_text(GOOD_EXPORT)
    lab.ledger.close()
    service = Service(lab.config, log=lab.pipeline.log)
    service.start()
    try:
        ledger = Ledger.open_readonly(lab.config.ledger.path)
        wait_for(lambda: len(find_results(ledger.conn)) == 2, seconds=30)
        states = {r.sample: r.state for r in find_results(ledger.conn)}
        faults = ledger.conn.execute(
            "SELECT count(*) FROM capture_states WHERE state <> 'read'"
        ).fetchone()[0]
        ledger.close()
    finally:
        service.stop()
    assert states == {"W-1": "accepted", "W-2": "accepted"}
    assert faults == 0
