"""A result's whole derivation, from the bytes to the last decision."""

import pytest

from ingestd.audit.derivation import deciding_findings, explain_result
from ingestd.errors import Refused
from ingestd.ledger.results import versions_of
from ingestd.pipeline.decisions import release
from ingestd.pipeline.inputs import observe
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, Lab, row


@pytest.fixture
def judged(lab: Lab) -> Lab:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    return lab


def test_derivation_shows_bytes_place_rules_rounding_state_and_pins(judged: Lab) -> None:
    text = "\n".join(explain_result(judged.ledger.conn, 1))
    start = GOOD_EXPORT.index(GOOD_ROWS[2])
    for part in (
        f"bytes {start} to {start + len(GOOD_ROWS[2].rstrip())}",
        GOOD_ROWS[2].strip(),
        "Placed on tube 3 of run R1",
        "640",
        "1280",
        "It stands as accepted",
        "because of new readings",
    ):
        assert part in text, part


def test_result_pins_every_input_it_used_with_its_hash(judged: Lab) -> None:
    (version,) = versions_of(judged.ledger.conn, 1)
    names = set(version.pins)
    assert {
        "run R1",
        "method COD-HR",
        "kit_lot K1",
        "control_standard CS500",
        "instrument P1",
        "sampling_point inlet",
        "form point_table",
        "ingestd",
    } <= names
    assert any(name.startswith("capture ") for name in names)
    assert version.pins["form point_table"] == judged.one(
        "SELECT sha256 FROM inputs WHERE kind = 'form' AND name = 'point_table'"
    )


def test_older_version_and_decisions_stay_readable(judged: Lab) -> None:
    with judged.ledger.change(at=judged.clock(), by="rita") as change:
        release(
            change,
            judged.pipeline.in_force_cache.current(judged.ledger.conn),
            "R1",
            reason="checked",
        )
    with judged.ledger.change(at=judged.clock(), by="mara") as change:
        observe(
            change, "R1", 3, ["turbidity=turbid"], judged.pipeline.in_force_cache, judged.config
        )
    text = "\n".join(explain_result(judged.ledger.conn, 1))
    assert "Version 1 (accepted, released): 1280 mg/L" in text
    assert "checked" in text
    assert "Version 2 is proposed beside the released one" in text
    assert "turbid" in "\n".join(explain_result(judged.ledger.conn, 1, version=2))


def test_hand_placement_is_explained_with_its_person_and_reason(lab: Lab) -> None:
    from ingestd.pipeline.decisions import place_reading

    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-Z", "333"))
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        place_reading(
            change, 4, "R1", 4, lab.pipeline.in_force_cache, lab.config, reason="typed Z for 2"
        )
    ident = lab.results()["W-2"].id
    text = "\n".join(explain_result(lab.ledger.conn, ident))
    assert "by mara: placed by hand; typed Z for 2" in text


def test_finding_that_holds_comes_first(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(
        EXPORT_HEAD + "".join(GOOD_ROWS[:2]) + row(3, "W-1", "640", dilution="5") + GOOD_ROWS[3]
    )
    result = lab.results()["W-1"]
    assert result.verdict == "held"
    first = deciding_findings(lab.ledger.conn, result.entry)[0]
    assert first.verdict.value == "hold"
    assert "5" in first.sentence


def test_result_that_does_not_exist_is_said(lab: Lab) -> None:
    with pytest.raises(Refused, match="result 9"):
        explain_result(lab.ledger.conn, 9)
