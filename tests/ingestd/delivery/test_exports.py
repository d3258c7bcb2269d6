"""Results out: every digit kept, nothing that a spreadsheet would run."""

import csv
import io
import json

import pytest
from openpyxl import load_workbook

from ingestd.delivery.exports import COLUMNS, to_csv, to_json, to_xlsx
from ingestd.ledger.results import ResultRow, find_results
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, SHEET, Lab, row


@pytest.fixture
def results(lab: Lab) -> list[ResultRow]:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    return find_results(lab.ledger.conn)


def test_csv_is_rfc_4180_with_one_row_a_result(results: list[ResultRow]) -> None:
    data = to_csv(results)
    assert data.endswith(b"\r\n")
    rows = list(csv.DictReader(io.StringIO(data.decode(), newline="")))
    assert [(r["sample"], r["statement"], r["value"], r["state"]) for r in rows] == [
        ("W-1", "1280", "1280", "accepted"),
        ("W-2", "333", "333", "accepted"),
    ]
    assert tuple(rows[0]) == COLUMNS


def test_json_and_xlsx_say_the_same_as_csv(results: list[ResultRow]) -> None:
    objects = json.loads(to_json(results))
    sheet = load_workbook(io.BytesIO(to_xlsx(results))).active
    assert sheet is not None
    header, *rows = sheet.iter_rows(values_only=True)
    assert header == COLUMNS
    statement = COLUMNS.index("statement")
    assert [o["statement"] for o in objects] == [r[statement] for r in rows] == ["1280", "333"]
    assert all(isinstance(o["value"], str) for o in objects)


def test_trailing_zeros_and_signs_survive(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + row(1, "B1", "2") + row(2, "C1", "498") + row(4, "W-2", "low"))
    lab.arrive(EXPORT_HEAD + row(3, "W-1", "640", dilution="2"), name="two.csv")
    objects = {o["sample"]: o for o in json.loads(to_json(find_results(lab.ledger.conn)))}
    assert objects["W-2"]["statement"].startswith("<")
    assert objects["W-2"]["censored"] == "<"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_cell_that_a_spreadsheet_would_run_is_given_as_text(
    results: list[ResultRow], start: str
) -> None:
    from dataclasses import replace

    hostile = replace(results[0], sample=f'{start}HYPERLINK("x")', reason=f"{start}1")
    (line,) = list(csv.DictReader(io.StringIO(to_csv([hostile]).decode(), newline="")))
    assert line["sample"].startswith("'")
    assert line["reason"].startswith("'")
    sheet = load_workbook(io.BytesIO(to_xlsx([hostile]))).active
    assert sheet is not None
    cell = sheet.cell(2, COLUMNS.index("sample") + 1)
    assert cell.data_type == "s"


def test_nothing_gives_a_header_alone() -> None:
    assert to_csv([]) == (",".join(COLUMNS) + "\r\n").encode()
    assert json.loads(to_json([])) == []
