"""The inputs in force are those of the ledger, whatever was tried and taken back."""

from datetime import date

import pytest

from ingestd.errors import StoreFull
from ingestd.ledger.inputs import take_input
from ingestd.model import KitLot
from tests.conftest import Lab


def lot(name: str) -> KitLot:
    return KitLot(lot=name, method="COD-HR", expires=date(2027, 1, 1))


def load_in_vain(lab: Lab, name: str) -> None:
    """Take a lot, look at the inputs as a judgement would, and lose the transaction."""
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        take_input(change, "kit_lot", lot(name), capture=None)
        change.flush()
        assert name in lab.pipeline.in_force_cache.current(change.conn).of("kit_lot")
        raise StoreFull("ledger", "no room left on its disk")


def test_input_that_was_rolled_back_is_forgotten_when_another_takes_its_number(lab: Lab) -> None:
    with pytest.raises(StoreFull):
        load_in_vain(lab, "X")
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        take_input(change, "kit_lot", lot("Y"), capture=None)
    lots = lab.pipeline.in_force_cache.current(lab.ledger.conn).of("kit_lot")
    assert "Y" in lots
    assert "X" not in lots
