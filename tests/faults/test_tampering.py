"""A few hundred random changes to a copied ledger: each found, and nothing else alarms."""

import random
from pathlib import Path

import pytest

from ingestd.audit.verify import VerifyReport, verify_ledger
from ingestd.ledger.store import Ledger
from tests.faults import tampering
from tests.faults.small_ledger import make_small_ledger
from tests.faults.tampering import tamper_often

CHANGES = 200


def test_untouched_ledger_holds(tmp_path: Path) -> None:
    original, older, kept = make_small_ledger(tmp_path / "lab")
    for path, checkpoints in ((original, [kept]), (older, [])):
        ledger = Ledger.open_readonly(path)
        report = verify_ledger(ledger.conn, checkpoints=checkpoints, rebuild=True)
        ledger.close()
        assert report.faults == []


def test_every_random_change_is_found(tmp_path: Path) -> None:
    figures = tamper_often(tmp_path / "lab", chance=random.Random(20260302), count=CHANGES)
    assert figures.changes > CHANGES * 3 // 4
    assert figures.changes + figures.without_effect == CHANGES


def test_verification_that_looks_away_would_be_noticed_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tampering, "verify_ledger", lambda *_, **__: VerifyReport())
    with pytest.raises(AssertionError, match="not found"):
        tamper_often(tmp_path / "lab", chance=random.Random(1), count=20)


def test_verification_that_cries_wolf_would_be_noticed_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tampering, "verify_ledger", lambda *_, **__: VerifyReport(faults=["wolf"]))
    with pytest.raises(AssertionError, match="false alarm"):
        tamper_often(tmp_path / "lab", chance=random.Random(1), count=200)
