"""Two years of a real plant through the real service: every value comes back, none is invented.

Source of the values: UCI Machine Learning Repository, Water Treatment Plant data set (see
tests/data/plant_cod.csv). Expected counts: 521, 518 and 509 of 527 days have a value.
"""

import threading
import time
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

from ingestd.audit.verify import verify_ledger
from ingestd.config import load_config
from ingestd.ledger.results import ResultRow, find_results
from ingestd.ledger.store import Ledger
from ingestd.service.daemon import Service
from ingestd.service.logs import make_log
from tests.plant import PLAN, plant_days, plant_values
from tests.plant import months as plant_months


def wait_for(condition: Callable[[], bool], *, seconds: float) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "it did not come true in time"
        threading.Event().wait(0.05)


def _rows(path: Path) -> list[ResultRow]:
    ledger = Ledger.open_readonly(path)
    try:
        return find_results(ledger.conn)
    finally:
        ledger.close()


def test_every_value_of_the_plant_comes_back_at_its_point_and_day(tmp_path: Path) -> None:
    (tmp_path / "plan").mkdir()
    sources = ""
    for number, point in enumerate(("inlet", "settled", "outlet"), 1):
        (tmp_path / point).mkdir()
        sources += f'[[source]]\nname = "{point}"\npath = "{point}"\ninstrument = "P{number}"\n'
    (tmp_path / "ingestd.toml").write_text(
        '[site]\nname = "Plant"\ntime_zone = "Europe/Madrid"\n[plan]\nfolder = "plan"\n' + sources
    )
    (tmp_path / "plan" / "01.toml").write_text(PLAN)
    months = list(plant_months())
    config = load_config(tmp_path / "ingestd.toml")
    with (tmp_path / "log").open("w") as out:
        service = Service(config, log=make_log(out))
        service.start()
        try:
            ledger = Ledger.open_readonly(config.ledger.path)
            wait_for(
                lambda: (
                    ledger.conn.execute(
                        "SELECT count(*) FROM inputs WHERE kind = 'method'"
                    ).fetchone()[0]
                    == 1
                ),
                seconds=20,
            )
            for month in months:
                (tmp_path / "plan" / f"{month.name}.csv").write_text(month.sheet)
                (tmp_path / month.point / f"{month.name}.csv").write_text(month.export)
            expected = len(plant_values())
            wait_for(
                lambda: (
                    ledger.conn.execute(
                        "SELECT count(*) FROM results WHERE state = 'accepted'"
                    ).fetchone()[0]
                    == expected
                ),
                seconds=90,
            )
            ledger.close()
        finally:
            service.stop()
    results = {(r.point, r.at.astimezone().date(), r.sample): r for r in _rows(config.ledger.path)}
    wanted = {(v.point, v.day): v.cod for v in plant_values()}
    found = {(r.point, r.at.date()): r for r in results.values()}
    assert {key: Decimal(r.text) for key, r in found.items()} == wanted
    assert {r.unit for r in found.values()} == {"mg/L"}
    assert [
        sum(1 for p, _ in found if p == point) for point in ("inlet", "settled", "outlet")
    ] == [
        521,
        518,
        509,
    ]
    missing = {(p, day) for day, values in plant_days() for p, v in values.items() if v is None}
    assert len(missing) == 6 + 9 + 18
    assert not missing & set(found)
    ledger = Ledger.open_readonly(config.ledger.path)
    assert verify_ledger(ledger.conn, rebuild=True).faults == []
    ledger.close()
