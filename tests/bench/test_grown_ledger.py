"""The generated ledger is one that the program itself could have written."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.ledger.store import Ledger
from tests.bench.grown_ledger import SAMPLES, TUBES, grow
from tests.bench.grown_plan import make_place

UNTIL = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
RUNS = 60


@pytest.fixture
def grown(tmp_path: Path) -> Ledger:
    return grow(make_place(tmp_path), readings=RUNS * TUBES, until=UNTIL)


def test_every_table_is_what_its_journal_folds_to_and_every_guard_is_back(grown: Ledger) -> None:
    report = verify_ledger(grown.conn, rebuild=True)
    assert report.faults == []
    assert report.rebuilt


def test_counts_are_those_that_were_asked_for(grown: Ledger) -> None:
    def count(query: str) -> int:
        return int(grown.conn.execute(query).fetchone()[0])

    assert count("SELECT count(*) FROM placements") == RUNS * TUBES
    assert count("SELECT count(*) FROM results") == RUNS * SAMPLES
    assert count("SELECT count(*) FROM waiting") == 30
    assert count("SELECT count(*) FROM results WHERE state = 'released'") > RUNS * SAMPLES / 2
    assert count("SELECT count(*) FROM sqlite_stat1") > 0
