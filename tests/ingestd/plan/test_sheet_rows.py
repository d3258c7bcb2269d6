import csv
import io
import zipfile
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook
from openpyxl.worksheet.formula import ArrayFormula
from openpyxl.worksheet.worksheet import Worksheet

from ingestd.plan.bench_sheet import read_bench_sheet
from ingestd.plan.faults import PlanError
from ingestd.plan.sheet_rows import read_rows
from tests.ingestd.plan.laboratory import BOOK, POLICY

HEADER = ["run", "method", "started", "position", "role", "sample"]
START = datetime.fromisoformat("2026-03-02T08:15:00")


AGAIN = "; save the sheet again as CSV (UTF-8) or XLSX"


def workbook(
    rows: Sequence[Sequence[Any]], change: Callable[[Worksheet], None] | None = None
) -> bytes:
    in_force = Workbook()
    sheet = in_force.active
    assert isinstance(sheet, Worksheet)
    for row in rows:
        sheet.append(list(row))
    if change is not None:
        change(sheet)
    in_force.create_sheet("notes").append(["not", "read"])
    file = io.BytesIO()
    in_force.save(file)
    return file.getvalue()


def refusal(data: bytes) -> str:
    with pytest.raises(PlanError) as refused:
        read_rows(data, "sheet")
    (fault,) = refused.value.faults
    return str(fault)


def rebuilt(data: bytes, part: str, change: Callable[[bytes], bytes]) -> bytes:
    """The workbook with one of its parts changed."""
    file = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(file, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, change(content) if name == part else content)
    return file.getvalue()


# --- worksheets ------------------------------------------------------------------------------


def test_worksheet_is_planned_like_the_same_cells_in_csv() -> None:
    rows: list[list[Any]] = [
        [*HEADER, "dilution", "block_temperature", "homogenised"],
        ["A", "COD-HR", START, 1, "sample", "W-1", 2.5, 148, "yes"],
        [],
        ["A", None, None, 2, "duplicate", "W-1", "1+9"],
    ]
    text = io.StringIO()
    csv.writer(text).writerows(
        [
            rows[0],
            ["A", "COD-HR", "2026-03-02 08:15", "1", "sample", "W-1", "2.5", "148", "yes"],
            ["A", "", "", "2", "duplicate", "W-1", "1+9", "", ""],
        ]
    )
    got = read_bench_sheet(workbook(rows), "sheet.xlsx", POLICY, BOOK)
    want = read_bench_sheet(text.getvalue().encode(), "sheet.csv", POLICY, BOOK)
    assert (got.runs, got.samples, got.observations) == (
        want.runs,
        want.samples,
        want.observations,
    )
    assert got.runs[0].started_at == datetime(2026, 3, 2, 7, 15, tzinfo=UTC)
    assert got.read_as == "XLSX, worksheet 'Sheet'"


def test_fault_names_the_row_of_the_worksheet() -> None:
    data = workbook([HEADER, [], ["A", "COD-HR", START, 1.5, "sample", "W-1"]])
    with pytest.raises(PlanError, match=r"sheet.xlsx, line 3, position: this is not a position"):
        read_bench_sheet(data, "sheet.xlsx", POLICY, BOOK)


@pytest.mark.parametrize(
    ("value", "number_format", "text"),
    [
        (7, "General", "7"),
        (-3, "General", "-3"),
        (0.1 + 0.2, "General", "0.3"),
        (148.5, "0.0", "148.5"),
        (1e15, "General", "1000000000000000"),
        (1e-7, "General", "0.0000001"),
        (42, "0000", "0042"),
        (42.5, "0000", "42.5"),
        (True, "General", "TRUE"),
        ("  W-1\t", "General", "W-1"),
        ("0042", "@", "0042"),
        (START, "yyyy-mm-dd hh:mm", "2026-03-02 08:15:00"),
        (START + timedelta(seconds=59.7), "yyyy-mm-dd hh:mm:ss", "2026-03-02 08:16:00"),
        (START.replace(hour=0, minute=0), "yyyy-mm-dd", "2026-03-02"),
        (date(2026, 3, 2), "yyyy-mm-dd", "2026-03-02"),
        (time(8, 15), "hh:mm", "08:15:00"),
        (timedelta(hours=30), "[h]:mm", "1 day, 6:00:00"),
        ("=1+1", "General", "=1+1"),
        ("#N/A", "General", "#N/A"),
    ],
)
def test_cell_is_the_text_a_person_would_write(value: Any, number_format: str, text: str) -> None:
    def put(sheet: Worksheet) -> None:
        sheet["B2"] = value
        sheet["B2"].number_format = number_format

    data = workbook([["a", "b"], ["x"]], put)
    assert read_rows(data, "sheet").rows[1].cells == ("x", text)


def test_formula_of_a_range_is_still_a_formula() -> None:
    def put(sheet: Worksheet) -> None:
        sheet["A2"] = ArrayFormula("A2:A3", "=SUM(B1:B2*C1:C2)")

    data = workbook([["a", "b"]], put)
    assert read_rows(data, "sheet").rows[1].cells == ("=A2:A3", "")


@given(st.decimals(0, 10**6, places=4))
def test_number_of_a_worksheet_keeps_its_digits(number: Decimal) -> None:
    data = workbook([["a"], [number]])
    got = read_rows(data, "sheet").rows
    if number:
        assert Decimal(got[1].cells[0]) == number


def test_row_far_down_is_refused_without_walking_there() -> None:
    data = workbook([HEADER])
    data = rebuilt(
        data,
        "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace(
            b"</sheetData>", b'<row r="1048576"><c r="A1048576"><v>1</v></c></row></sheetData>'
        ),
    )
    assert refusal(data) == (
        "sheet, line 10001: the sheet has more than 10000 rows; delete the rows not used"
    )


def test_cell_far_to_the_right_is_refused() -> None:
    def put(sheet: Worksheet) -> None:
        sheet["XFD2"] = 1

    assert refusal(workbook([HEADER], put)) == (
        "sheet, line 2: the row has 16384 cells, more than 200; delete the columns not used"
    )


def test_false_statement_of_the_size_hides_no_row() -> None:
    data = workbook([["a"], ["1"], ["2"]])
    data = rebuilt(
        data, "xl/worksheets/sheet1.xml", lambda xml: xml.replace(b'"A1:A3"', b'"A1:A2"')
    )
    assert len(read_rows(data, "sheet").rows) == 3


def test_workbook_that_unpacks_to_too_much_is_not_unpacked() -> None:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", bytes(2**26 + 1))
    assert refusal(file.getvalue()) == (
        "sheet: the workbook unpacks to 67108865 bytes, more than 67108864; "
        "split it into several sheets"
    )


@pytest.mark.parametrize(
    "part", ["xl/workbook.xml", "xl/worksheets/sheet1.xml", "[Content_Types].xml"]
)
def test_workbook_with_a_broken_part_is_refused(part: str) -> None:
    data = rebuilt(workbook([HEADER]), part, lambda xml: xml[: len(xml) // 2])
    assert refusal(data).startswith("sheet: the workbook cannot be read (")


def test_workbook_that_refers_to_itself_without_end_is_refused() -> None:
    def expand(xml: bytes) -> bytes:
        entities = b'<!ENTITY a "' + b"x" * 100 + b'">'
        for new, old in zip(b"bcdefghij", b"abcdefghi", strict=True):
            entities += b'<!ENTITY %c "%s">' % (new, b"&%c;" % old * 20)
        xml = xml.replace(b"?>", b"?><!DOCTYPE t [" + entities + b"]>", 1)
        return xml.replace(b"<sheetData>", b"<sheetData><row><c><v>&j;</v></c></row>", 1)

    data = rebuilt(workbook([HEADER]), "xl/worksheets/sheet1.xml", expand)
    assert refusal(data).startswith("sheet: the workbook cannot be read (ParseError)")


# Made once: a workbook holds the time of its making.
SMALL_WORKBOOK = workbook([HEADER, ["A", "COD-HR", START, 1, "sample", "W-1"]])


@given(st.data())
def test_workbook_with_a_changed_byte_is_read_or_refused(data: st.DataObject) -> None:
    whole = bytearray(SMALL_WORKBOOK)
    at = data.draw(st.integers(4, len(whole) - 1))
    whole[at] ^= data.draw(st.integers(1, 255))
    try:
        read_bench_sheet(bytes(whole), "sheet.xlsx", POLICY, BOOK)
    except PlanError as refused:
        assert refused.faults


# --- CSV -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "want"),
    [
        (
            "a,b\n1,2\n".encode("utf-16"),
            "sheet: the sheet is UTF-16" + AGAIN,
        ),
        (
            b"a,b\nW\xfc,2\n",
            "sheet, line 2: byte 5 of the file is not UTF-8" + AGAIN,
        ),
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
            "sheet: the sheet is a workbook of the old binary kind" + AGAIN,
        ),
        (
            b"PK\x03\x04 no more",
            "sheet: the workbook cannot be read (BadZipFile) (found 'File is not a zip file')"
            + AGAIN,
        ),
        (
            b"a,b\n" + b"," * 201 + b"1\n",
            "sheet, line 2: the row has 202 cells, more than 200; delete the columns not used",
        ),
        (
            b"a,b\n" + b"\n" * 10_000 + b"1,2\n",
            "sheet, line 10001: the sheet has more than 10000 rows; delete the rows not used",
        ),
        (
            b"x" * (8 * 2**20 + 1),
            "sheet: the sheet has 8388609 bytes, more than 8388608; split it into several sheets",
        ),
        (b"\xef\xbb\xbf", "sheet: the sheet is empty; write a header and one row a tube"),
    ],
    ids=[
        "utf_16",
        "single_byte_code_page",
        "old_workbook",
        "cut_workbook",
        "columns_without_end",
        "rows_without_end",
        "too_large",
        "byte_order_mark_only",
    ],
)
def test_file_that_is_no_sheet_is_refused(data: bytes, want: str) -> None:
    assert refusal(data) == want


encodings = st.sampled_from(["utf-8", "utf-8-sig"])
rows_of_cells = st.lists(
    st.lists(
        st.text(
            st.characters(codec="utf-8", exclude_characters="\x00\r", exclude_categories=["Cs"]),
            max_size=8,
        ).map(lambda text: text.strip(" \t")),
        min_size=2,
        max_size=2,
    ),
    max_size=4,
)


@given(rows_of_cells, st.sampled_from([",", ";"]), st.sampled_from(["\n", "\r\n"]), encodings)
def test_cells_come_back_as_written(
    rows: list[list[str]], delimiter: str, line_end: str, encoding: str
) -> None:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator=line_end)
    writer.writerows([["a", "b"], *rows])
    data = text.getvalue().encode(encoding)
    got = [list(row.cells) for row in read_rows(data, "sheet").rows]
    assert got == [["a", "b"], *(row for row in rows if any(row))]


def test_line_of_a_row_is_its_first_after_cells_of_several_lines() -> None:
    rows = read_rows(b'a,b\n"1\n2",x\n\n3,4\n', "sheet").rows
    assert [row.line for row in rows] == [1, 2, 5]


@pytest.mark.parametrize(
    ("text", "cells"),
    [
        # csv-spectrum corpus: comma_in_quotes, escaped_quotes, newlines, utf8
        ('a,b\n120 any st.,"Anytown, WW"\n', ("120 any st.", "Anytown, WW")),
        ('a,b\n1,"ha ""ha"" ha"\n', ("1", 'ha "ha" ha')),
        ('a,b\n"Once upon \na time",5\n', ("Once upon \na time", "5")),
        ("a,b\n1,ʤ\n", ("1", "ʤ")),
        # RFC 4180 section 2, rules 2, 6 and 7, from memory
        ("a,b\r\nzzz,yyy", ("zzz", "yyy")),
        ('a,b\r\n"aaa","b\r\nbb"\r\n', ("aaa", "b\r\nbb")),
        ('a,b\r\n"aaa","b""bb"\r\n', ("aaa", 'b"bb')),
    ],
)
def test_published_csv_is_read_as_published(text: str, cells: tuple[str, ...]) -> None:
    assert read_rows(text.encode(), "sheet").rows[1].cells == cells
