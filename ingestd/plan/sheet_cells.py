"""The rows of a bench sheet as filled cells by column, and every fault met on the way."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from ingestd.plan.columns import BY_NAME, COLUMNS, REQUIRED
from ingestd.plan.faults import PlanFault, ValueRefused, shown
from ingestd.plan.sheet_rows import Row
from ingestd.plan.texts import check_cell, parse_note

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Cell:
    """One filled cell: where it stands and the text in it."""

    line: int
    column: str
    text: str


@dataclass(frozen=True, slots=True)
class TubeRow:
    """The filled cells of one row by column; `refused` names columns whose text is no use."""

    line: int
    cells: Mapping[str, Cell]
    refused: frozenset[str]

    def is_filled(self, column: str) -> bool:
        """Whether anything stands in the column, of use or not."""
        return column in self.cells or column in self.refused

    def text(self, column: str) -> str:
        """Return the text of a cell, "" where it is empty."""
        cell = self.cells.get(column)
        return cell.text if cell else ""


class SheetFaults:
    """The faults of one sheet, gathered so that a person mends them all in one go."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._found: list[PlanFault] = []

    def add(self, line: int, column: str, value: str, problem: str, remedy: str) -> None:
        """Note one fault."""
        self._found.append(
            PlanFault(
                file=self.file,
                line=line,
                column=column,
                value=shown(value),
                problem=problem,
                remedy=remedy,
            )
        )

    def add_at(self, cell: Cell, problem: str, remedy: str) -> None:
        """Note one fault of a cell."""
        self.add(cell.line, cell.column, cell.text, problem, remedy)

    def read(self, cell: Cell | None, parse: Callable[[str], T]) -> T | None:
        """Return what the cell means, None where it is empty or, noted as a fault, unreadable."""
        if cell is None:
            return None
        try:
            return parse(cell.text)
        except ValueRefused as refused:
            self.add_at(cell, refused.problem, refused.remedy)
            return None

    def in_order(self) -> tuple[PlanFault, ...]:
        """Return the faults from the top of the sheet to its end, as its columns are listed."""
        place = {column.name: number for number, column in enumerate(COLUMNS, 1)}
        return tuple(
            sorted(self._found, key=lambda fault: (fault.line, place.get(fault.column, 0)))
        )


def read_header(row: Row, faults: SheetFaults) -> tuple[str, ...]:
    """Return the column names of the header, trailing empty ones removed."""
    names = [cell.casefold() for cell in row.cells]
    while names and not names[-1]:
        names.pop()
    for place, (name, written) in enumerate(zip(names, row.cells, strict=False), 1):
        if not name:
            faults.add(row.line, "", "", f"column {place} has no name", "name or delete it")
        elif name not in BY_NAME:
            allowed = ", ".join(column.name for column in COLUMNS)
            faults.add(row.line, "", written, "there is no such column", f"use those of {allowed}")
        elif name in names[: place - 1]:
            faults.add(row.line, name, "", "the column is there twice", "delete one of the two")
    for name in REQUIRED:
        if name not in names:
            faults.add(row.line, name, "", "the header lacks this column", "add the column")
    return tuple(names)


def read_tube_row(row: Row, header: tuple[str, ...], faults: SheetFaults) -> TubeRow:
    """Return the filled cells of one row by column."""
    cells: dict[str, Cell] = {}
    refused: set[str] = set()
    if len(row.cells) < len(header):
        faults.add(
            row.line,
            "",
            "",
            f"the row has {len(row.cells)} cells, the header {len(header)}",
            "write every cell, an empty one too: a row cut short may be half a row",
        )
    for surplus in row.cells[len(header) :]:
        if surplus:
            faults.add(row.line, "", surplus, "a cell stands under no column", "move or delete it")
    for column, text in zip(header, row.cells, strict=False):
        if text:
            cell = Cell(row.line, column, text)
            if faults.read(cell, _checked) is None:
                refused.add(column)
            else:
                cells[column] = cell
    for needed in COLUMNS:
        if (
            needed.required
            and needed.level == "tube"
            and needed.name not in cells.keys() | refused
        ):
            faults.add(
                row.line, needed.name, "", "the cell is empty", f"fill it: {needed.meaning}"
            )
    return TubeRow(row.line, cells, frozenset(refused))


def gather(
    rows: Iterable[TubeRow], columns: Iterable[str], subject: str, faults: SheetFaults
) -> dict[str, Cell]:
    """Return the first filled cell of each column; later ones must say the same."""
    first: dict[str, Cell] = {}
    wanted = tuple(columns)
    for row in rows:
        for column in wanted:
            cell = row.cells.get(column)
            if cell is None:
                continue
            known = first.setdefault(column, cell)
            if known.text != cell.text:
                faults.add_at(
                    cell,
                    f"line {known.line} says {shown(known.text)!r} for {subject}",
                    "write the same, or fill the column on one row only",
                )
    return first


def _checked(text: str) -> str:
    check_cell(text)
    return parse_note(text)
