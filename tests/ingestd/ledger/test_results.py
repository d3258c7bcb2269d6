"""Results as the ledger lists them: narrowed, in order, with versions and what is reported."""

from datetime import UTC, datetime

import pytest

from ingestd.errors import Refused
from ingestd.ledger.results import entry_body, find_results, get_result, versions_of
from tests.conftest import GOOD_EXPORT, SHEET, Lab


@pytest.fixture
def judged(lab: Lab) -> Lab:
    lab.load(
        "sheet.csv", SHEET.replace("W-2,,inlet,2026-03-02 06:00", "W-2,,inlet,2026-03-02 07:00")
    )
    lab.arrive(GOOD_EXPORT)
    return lab


def names(lab: Lab, **which: object) -> list[str]:
    return [r.sample for r in find_results(lab.ledger.conn, **which)]  # type: ignore[arg-type]  # as named


def test_results_are_narrowed_by_everything_a_person_would_ask(judged: Lab) -> None:
    seven = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
    assert names(judged) == ["W-1", "W-2"]
    assert names(judged, sample="W-2") == ["W-2"]
    assert names(judged, point="inlet") == ["W-1", "W-2"]
    assert names(judged, point="outlet") == []
    assert names(judged, analyte="COD", run="R1", state="accepted") == ["W-1", "W-2"]
    assert names(judged, state="released") == []
    assert names(judged, since=seven) == ["W-2"]
    assert names(judged, until=seven) == ["W-1"]
    assert names(judged, limit=1) == ["W-2"], "the newest"


def test_row_states_value_unit_and_sampling(judged: Lab) -> None:
    row = get_result(judged.ledger.conn, 1)
    assert (row.text, str(row.value), row.unit, row.basis, row.method, row.run) == (
        "1280", "1280", "mg/L", "O2", "COD-HR", "R1",
    )  # fmt: skip
    assert row.at == datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
    assert not row.reported, "not released"


def test_versions_and_their_entries_agree(judged: Lab) -> None:
    judged.load("sheet.csv", SHEET.replace("1+1", "1+3"))
    versions = versions_of(judged.ledger.conn, 1)
    assert [v.version for v in versions] == [1, 2]
    for version in versions:
        body = entry_body(judged.ledger.conn, version.entry)
        assert (body["version"], body["verdict"], body["text"]) == (
            version.version, version.verdict, version.text,
        )  # fmt: skip


def test_what_does_not_exist_is_said(judged: Lab) -> None:
    with pytest.raises(Refused, match="result 9"):
        get_result(judged.ledger.conn, 9)
    with pytest.raises(Refused, match="entry 99999"):
        entry_body(judged.ledger.conn, 99999)
