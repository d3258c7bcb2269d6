"""The bytes of a bench sheet as rows of cell texts, from CSV or from the first worksheet.

Caps come before meaning: a file of any size or content ends in rows or in faults. Which cells
may stand in which column is none of this module's business.
"""

import csv
import io
import re
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from ingestd.plan.faults import PlanError, PlanFault, ValueRefused, shown
from ingestd.plan.quantities import plain

MOST_BYTES = 8 * 2**20
MOST_UNPACKED_BYTES = 64 * 2**20
MOST_TUBES = 2_000
MOST_ROWS = 10_000  # rows of any kind, blank ones too
MOST_CELLS = 200

_ZIP = b"PK\x03\x04"
_HALF_A_SECOND = timedelta(microseconds=500_000)
_SAVE_AGAIN = "save the sheet again as CSV (UTF-8) or XLSX"
_SPLIT = "split it into several sheets"


@dataclass(frozen=True, slots=True)
class Row:
    """One row that is not blank: its line in the file, and its cells without outer blanks."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SheetRows:
    """The rows of a sheet, the header first; `read_as` says how the bytes were taken."""

    read_as: str
    rows: tuple[Row, ...]


def read_rows(data: bytes, file: str) -> SheetRows:
    """Return the rows of a bench sheet that hold anything.

    Raises:
        PlanError: the bytes are neither CSV nor XLSX, are empty or too many.

    """
    try:
        return _read(data)
    except _RefusedAt as refused:
        fault = PlanFault(
            file=file,
            line=refused.line,
            column="",
            value=shown(refused.value),
            problem=refused.problem,
            remedy=refused.remedy,
        )
        raise PlanError([fault]) from refused


class _RefusedAt(ValueRefused):
    """Nothing of the sheet can be used; `line` is where that shows, 0 for the whole."""

    def __init__(self, line: int, problem: str, remedy: str, value: str = "") -> None:
        super().__init__(problem, remedy)
        self.line, self.value = line, value


def _read(data: bytes) -> SheetRows:
    if len(data) > MOST_BYTES:
        problem = f"the sheet has {len(data)} bytes, more than {MOST_BYTES}"
        raise _RefusedAt(0, problem, _SPLIT)
    read_as, every_row = _from_xlsx(data) if data.startswith(_ZIP) else _from_csv(data)
    rows = tuple(_not_blank(every_row))
    if not rows:
        raise _RefusedAt(0, "the sheet is empty", "write a header and one row a tube")
    if len(rows) - 1 > MOST_TUBES:
        raise _RefusedAt(rows[-1].line, f"the sheet has more than {MOST_TUBES} tubes", _SPLIT)
    return SheetRows(read_as, rows)


def _not_blank(rows: Iterable[Row]) -> Iterator[Row]:
    kept = 0
    for row in rows:
        if row.line > MOST_ROWS:
            problem = f"the sheet has more than {MOST_ROWS} rows"
            raise _RefusedAt(row.line, problem, "delete the rows not used")
        if len(row.cells) > MOST_CELLS:
            problem = f"the row has {len(row.cells)} cells, more than {MOST_CELLS}"
            raise _RefusedAt(row.line, problem, "delete the columns not used")
        if any(row.cells):
            yield row
            kept += 1
            if kept > MOST_TUBES + 1:
                return


# --- CSV ---------------------------------------------------------------------------------------


def _from_csv(data: bytes) -> tuple[str, Iterator[Row]]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _RefusedAt(0, "the sheet is UTF-16", _SAVE_AGAIN)
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise _RefusedAt(0, "the sheet is a workbook of the old binary kind", _SAVE_AGAIN)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        problem = f"byte {error.start} of the file is not UTF-8"
        raise _RefusedAt(line, problem, _SAVE_AGAIN) from error
    delimiter = _delimiter_of(text)
    word = {",": "commas", ";": "semicolons"}[delimiter]
    return f"CSV in UTF-8 with {word}, as in its header", _csv_rows(text, delimiter)


def _delimiter_of(text: str) -> str:
    """Return the delimiter of the header, the first line that holds anything.

    No column has a comma or semicolon in its name, so the header settles it for the sheet;
    counting them in the other rows would be a guess.
    """
    number, header = next(
        ((n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip(" ,;\t")),
        (1, ","),
    )
    found = [mark for mark in ",;" if mark in header]
    if len(found) == 1:
        return found[0]
    problem = "the header has neither commas nor semicolons"
    if found:
        problem = "the header has both commas and semicolons"
    remedy = "part the columns with one of the two throughout"
    raise _RefusedAt(number, problem, remedy, header)


def _csv_rows(text: str, delimiter: str) -> Iterator[Row]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            problem = "the row is not CSV: a quotation mark is out of place, or a cell is too long"
            raise _RefusedAt(line, problem, _SAVE_AGAIN) from error
        yield Row(line, tuple(cell.strip(" \t") for cell in cells))


# --- XLSX --------------------------------------------------------------------------------------


def _from_xlsx(data: bytes) -> tuple[str, Sequence[Row]]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
        # A member is never unpacked beyond the size it declares.
        if unpacked <= MOST_UNPACKED_BYTES:
            # A service that gets sheets as CSV does without its 20 MB.
            from openpyxl import load_workbook  # noqa: PLC0415 - as said

            in_force = load_workbook(io.BytesIO(data), read_only=True, data_only=False)
            sheet = in_force.worksheets[0]
            # The workbook's own statement of its size may be wrong; rows are counted instead.
            sheet.reset_dimensions()
            return f"XLSX, worksheet {sheet.title!r}", _padded(_not_blank(_xlsx_rows(sheet)))
    except _RefusedAt:
        raise
    except Exception as error:  # the reader raises whatever a broken part makes it raise
        problem = f"the workbook cannot be read ({type(error).__name__})"
        raise _RefusedAt(0, problem, _SAVE_AGAIN, str(error)) from error
    problem = f"the workbook unpacks to {unpacked} bytes, more than {MOST_UNPACKED_BYTES}"
    raise _RefusedAt(0, problem, _SPLIT)


def _padded(rows: Iterable[Row]) -> list[Row]:
    """Return rows as wide as the first: a worksheet does not store empty cells at their end."""
    kept = list(rows)
    width = len(kept[0].cells) if kept else 0
    return [Row(row.line, row.cells + ("",) * (width - len(row.cells))) for row in kept]


def _xlsx_rows(sheet: Any) -> Iterator[Row]:
    for number, cells in enumerate(sheet.iter_rows(), 1):
        yield Row(number, tuple(map(_cell_text, cells)))


_SHOWS_TIME = re.compile(r"[hs]", re.IGNORECASE)
_ZEROS = re.compile(r"0{2,20}")


def _cell_text(cell: Any) -> str:
    """Return what a cell holds as the text a person would write.

    Numbers have the 15 significant digits that a worksheet keeps; a date without a time of day
    in its format stays a date, so that midnight is not made up. A formula stays a text with its
    equals sign, which no column takes: its value was computed elsewhere and may be stale.
    """
    match cell.value:
        case None:
            return ""
        case bool() as value:
            return str(value).upper()
        case int() | float() as value:
            text = plain(Decimal(format(value, ".15g")))
            # 0042 is shown, so 0042 is meant.
            zeros = _ZEROS.fullmatch(cell.number_format) and text.isdigit()
            return text.zfill(len(cell.number_format)) if zeros else text
        case datetime() as value:
            if not _SHOWS_TIME.search(cell.number_format):
                return value.date().isoformat()
            # A worksheet counts days in binary fractions: whole seconds are what was typed.
            return (value + _HALF_A_SECOND).replace(microsecond=0).isoformat(sep=" ")
        case value:
            return _formula_text(value) or str(value).strip(" \t")


def _formula_text(value: Any) -> str:
    """Return the place of a formula over several cells as a text, "" for any other value."""
    from openpyxl.worksheet.formula import (  # noqa: PLC0415 - loaded where a workbook was
        ArrayFormula,
        DataTableFormula,
    )

    return f"={value.ref}" if isinstance(value, ArrayFormula | DataTableFormula) else ""
