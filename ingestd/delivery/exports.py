"""Results out, as CSV, XLSX or JSON; the same columns in each."""

import csv
import io
import json
from collections.abc import Sequence

from ingestd.ledger.results import ResultRow

COLUMNS = (
    "result", "sample", "point", "analyte", "fraction", "basis", "statement", "value", "censored",
    "unit", "uncertainty", "state", "reported", "reason", "run", "method", "at", "version",
    "journal_entry",
)  # fmt: skip

# A cell that begins so would be run as a formula by a spreadsheet; it is given as text.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def row_of(result: ResultRow) -> tuple[object, ...]:
    """The columns of one result; numbers and instants as text, so that no digit changes."""
    return (
        result.id,
        result.sample,
        result.point,
        result.analyte,
        result.fraction,
        result.basis,
        result.text,
        None if result.value is None else str(result.value),
        result.censored,
        result.unit,
        None if result.uncertainty is None else str(result.uncertainty),
        result.state,
        result.reported,
        result.reason,
        result.run,
        result.method,
        result.at.isoformat(),
        result.version,
        result.entry,
    )


def _safe(cell: object) -> object:
    if isinstance(cell, str) and cell.startswith(_FORMULA_STARTS):
        return f"'{cell}"
    return cell


def to_csv(results: Sequence[ResultRow]) -> bytes:
    """CSV after RFC 4180, UTF-8, header first."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    writer.writerows([_safe(cell) for cell in row_of(result)] for result in results)
    return out.getvalue().encode()


def to_json(results: Sequence[ResultRow]) -> bytes:
    """A JSON array of objects with the columns as keys."""
    rows = [dict(zip(COLUMNS, row_of(result), strict=True)) for result in results]
    return (json.dumps(rows, ensure_ascii=False, indent=2) + "\n").encode()


def to_xlsx(results: Sequence[ResultRow]) -> bytes:
    """One worksheet; cells hold text exactly as stated."""
    from openpyxl import Workbook  # noqa: PLC0415 - slow to import and seldom needed

    in_force = Workbook(write_only=True)
    sheet = in_force.create_sheet("results")
    sheet.append(COLUMNS)
    for result in results:
        sheet.append([_safe(cell) for cell in row_of(result)])
    out = io.BytesIO()
    in_force.save(out)
    return out.getvalue()
