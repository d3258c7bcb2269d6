"""A header row says which cell of the rows below belongs to which field."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from parsers.assembly import Found
from parsers.cells import shown, trimmed
from parsers.errors import ParseError
from parsers.forms import FieldRules, Form
from parsers.readings import Span
from parsers.rows import PlacedRow


@dataclass(frozen=True, slots=True)
class Analyte:
    """One column of a wide table: its cell, and what its header says."""

    cell: int
    method: Found
    unit: Found | None


@dataclass(frozen=True, slots=True)
class Layout:
    """How the cells of a row are to be read.

    Attributes:
        cells: number of cells in a row; None where a row has no fixed number.
        columns: name and cell of each field that a row states.
        stated: fields that the header states for all rows.
        analytes: the columns of a wide table, empty for any other.
    """

    cells: int | None
    columns: tuple[tuple[str, int], ...]
    stated: Mapping[str, Found] = field(default_factory=dict)
    analytes: tuple[Analyte, ...] = ()


@dataclass(frozen=True, slots=True)
class Misfit:
    """Why a line is not the header: what it lacks, and how much of a header it is."""

    missing: tuple[str, ...]
    matched: int


def layout_without_names(form: Form) -> Layout:
    """The layout of a table whose columns stand at fixed characters or positions."""
    if form.table is None:
        raise ValueError("only a table has a layout")
    at_characters = [name for name, rules in form.fields.items() if rules.start is not None]
    columns = [(name, at) for at, name in enumerate(at_characters)]
    for name, rules in form.fields.items():
        if rules.position is not None:
            columns.append((name, rules.position - 1))
    return Layout(form.table.cells, tuple(columns))


def bind(form: Form, placed: PlacedRow) -> Layout | Misfit:
    """The layout that a header row gives, or what it lacks to be one.

    Args:
        form: a table with header names.
        placed: the row that may be the header.

    Raises:
        ParseError: two columns fit one field, or an optional column seems to be misspelt.
    """
    if form.table is None:
        raise ValueError("only a table has a header")
    header = Header(placed)
    cells = header.cells
    columns: list[tuple[str, int]] = []
    missing: list[str] = []
    absent: list[FieldRules] = []
    stated: dict[str, Found] = {}
    for name, rules in form.fields.items():
        if not (rules.column or rules.column_pattern or rules.position):
            continue
        at = _cell_of(rules, header)
        if at is not None:
            columns.append((name, at))
            if rules.column_pattern:
                stated.update(_groups(rules.column_pattern, header, at))
        elif rules.required == "no":
            absent.append(rules)
        else:
            missing.append(column_words(rules))
    analytes, wanting = _analytes(form, header, {at for _, at in columns})
    missing += wanting
    if missing:
        return Misfit(tuple(missing), len(columns) + len(analytes))
    used = {at for _, at in columns} | {analyte.cell for analyte in analytes}
    unused = [at for at, cell in enumerate(cells) if at not in used and cell]
    _refuse_misspelt(form, [(cells[at], header.span(at)) for at in unused], absent)
    return Layout(len(cells), tuple(columns), stated, analytes)


def column_words(rules: FieldRules) -> str:
    """The column as the form names it."""
    if rules.column:
        return " or ".join(rules.column)
    return f"matching {rules.column_pattern}" if rules.column_pattern else f"no. {rules.position}"


def looks_like(text: str, name: str) -> bool:
    """`text` may be a damaged `name`: cut off, in another case, or with one character changed."""
    if text.casefold() == name.casefold() or name.startswith(text) or name.endswith(text):
        return True
    if len(text) != len(name):
        return False
    return sum(a != b for a, b in zip(text, name, strict=True)) == 1


class Header:
    """The cells of a header row without the blanks around them, and where they stand."""

    def __init__(self, placed: PlacedRow) -> None:
        self._placed = placed
        self._edges = [trimmed(cell) for cell in placed.row.cells]
        self.cells = [
            cell[start:end]
            for cell, (start, end) in zip(placed.row.cells, self._edges, strict=True)
        ]
        self._places: dict[str, list[int]] = {}
        for at, cell in enumerate(self.cells):
            self._places.setdefault(cell, []).append(at)

    def named(self, names: tuple[str, ...]) -> list[int]:
        """The cells that hold one of the names, from the left."""
        if len(names) == 1:  # as nearly always, and asked of every line that may be the header
            return self._places.get(names[0], [])
        return sorted(at for name in set(names) for at in self._places.get(name, ()))

    def span(self, at: int, start: int = 0, end: int | None = None) -> Span:
        """The bytes of a cell, or of its characters from `start` to `end`."""
        blanks = self._edges[at][0]
        behind = len(self.cells[at]) if end is None else end
        return self._placed.place(at, blanks + start, blanks + behind)


def _cell_of(rules: FieldRules, header: Header) -> int | None:
    cells = header.cells
    if rules.position is not None:
        return rules.position - 1 if rules.position <= len(cells) else None
    if rules.column_pattern is not None:
        matches = re.compile(rules.column_pattern).fullmatch
        found = [at for at, cell in enumerate(cells) if matches(cell)]
    else:
        found = header.named(rules.column)
    if len(found) > 1:
        again = found[1]
        raise ParseError(
            offset=header.span(again).start,
            expected=f"one column {column_words(rules)}, not {len(found)}",
            found=shown(cells[again]),
        )
    return found[0] if found else None


def _groups(pattern: str, header: Header, at: int) -> dict[str, Found]:
    """Unit and method that a header cell states in the groups of its pattern."""
    match = re.compile(pattern).fullmatch(header.cells[at])
    found = {}
    for name in ("unit", "method"):
        if match and name in match.re.groupindex and match[name]:
            start, end = trimmed(match[name])
            if start < end:
                first = match.start(name)
                place = header.span(at, first + start, first + end)
                found[name] = Found(match[name][start:end], place)
    return found


def _analytes(
    form: Form, header: Header, taken: set[int]
) -> tuple[tuple[Analyte, ...], list[str]]:
    """The analyte columns of a wide table, and the names of those that are missing."""
    wide = form.table.wide if form.table else None
    if wide is None:
        return (), []
    analytes = []
    missing = []
    if wide.pattern is not None:
        for at in range(len(header.cells)):
            found = {} if at in taken else _groups(wide.pattern, header, at)
            if "method" in found:
                analytes.append(Analyte(at, found["method"], found.get("unit")))
        if not analytes:
            missing.append(f"matching {wide.pattern}")
        return tuple(analytes), missing
    for column in wide.columns:
        rules = FieldRules(column=column.column)
        at_cell = _cell_of(rules, header)
        if at_cell is None:
            missing.append(column_words(rules))
        else:
            unit = Found(column.unit) if column.unit else None
            analytes.append(Analyte(at_cell, Found(column.method), unit))
    return tuple(analytes), missing


def _refuse_misspelt(form: Form, unused: list[tuple[str, Span]], absent: list[FieldRules]) -> None:
    """Refuse a header cell that may be a damaged name of something the form reads.

    An optional column that is absent, or an analyte of a wide table, would otherwise go missing
    without a word.
    """
    table = form.table
    known = table.other_columns if table else ()
    by_pattern = table is not None and table.wide is not None and table.wide.pattern is not None
    for cell, span in unused:
        if cell in known:
            continue
        for rules in absent:
            if any(looks_like(cell, name) for name in rules.column):
                raise ParseError(
                    offset=span.start,
                    expected=f"the column {column_words(rules)} spelt exactly so, or its cell "
                    "named in other_columns",
                    found=shown(cell),
                )
        if by_pattern:
            raise ParseError(
                offset=span.start,
                expected="an analyte column or one named in other_columns",
                found=shown(cell),
            )
