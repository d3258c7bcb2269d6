"""One row of a table becomes its readings, or the faults that prevent them."""

from parsers.assembly import Assembler, Found
from parsers.cells import BLANKS, CellError, shown, trimmed
from parsers.layout import Layout
from parsers.readings import Fault, Reading
from parsers.rows import PlacedRow


class RowReader:
    """Reads rows of one layout, one at a time and with all care."""

    def __init__(
        self, assembler: Assembler, layout: Layout, stated: dict[str, Found], *, may_be_short: bool
    ) -> None:
        self._assembler = assembler
        self._layout = layout
        self._stated = {**stated, **layout.stated}
        self._may_be_short = may_be_short

    def read(self, placed: PlacedRow) -> tuple[list[Reading], list[Fault]]:
        """Readings of the row (several in a wide table) and faults, in order of place."""
        row, layout = placed.row, self._layout
        problem = self._wrong_count(len(row.cells))
        if problem is not None:
            expected, at = problem
            cut = row.edges[at][0] if at < len(row.cells) else len(placed.text)
            return [], [_fault(placed, "", expected, placed.text[cut:], placed.offset(cut))]
        found = dict(self._stated)
        places: dict[str, int] = {}
        faults: list[Fault] = []
        for name, at in layout.columns:
            self._divide(placed, name, at, found, places, faults)
        if not layout.analytes:
            return self._assembled(placed, found, places, faults)
        readings: list[Reading] = []
        refused = list(faults)
        for analyte in layout.analytes:
            cell = row.cells[analyte.cell] if analyte.cell < len(row.cells) else ""
            if not cell.strip(BLANKS):
                continue
            one = {**found, "method": analyte.method}
            if analyte.unit is not None:
                one["unit"] = analyte.unit
            own: list[Fault] = []
            self._divide(placed, "value", analyte.cell, one, places, own)
            more, wrong = self._assembled(placed, one, places, faults + own)
            readings += more
            refused += [fault for fault in wrong if fault not in refused]
        return readings, refused

    def _wrong_count(self, count: int) -> tuple[str, int] | None:
        """What is wrong with the number of cells, and the first cell that shows it."""
        cells, limit = self._layout.cells, self._assembler.form.limits.fields
        if count > limit:
            return f"at most {limit} cells in a row", limit
        if cells is not None and count > cells:
            return f"{cells} cells, not {count}", cells
        if cells is not None and count < cells and not self._may_be_short:
            return f"{cells} cells, not {count}", count
        return None

    def _divide(
        self,
        placed: PlacedRow,
        name: str,
        at: int,
        found: dict[str, Found],
        places: dict[str, int],
        faults: list[Fault],
    ) -> None:
        """Add what one cell holds to `found` and `places`, or to `faults`."""
        if at >= len(placed.row.cells):
            places[name] = placed.span.end
            return
        text = placed.row.cells[at]
        places[name] = placed.offset(placed.row.edges[at][0])
        try:
            for part, start, end in self._assembler.divide(name, text):
                found[part] = Found(text[start:end], placed.place(at, start, end))
        except CellError as error:
            offset = placed.place(at, *trimmed(text)).start
            faults.append(_fault(placed, name, error.expected, text.strip(BLANKS), offset))

    def _assembled(
        self,
        placed: PlacedRow,
        found: dict[str, Found],
        places: dict[str, int],
        faults: list[Fault],
    ) -> tuple[list[Reading], list[Fault]]:
        result = self._assembler.assemble(found, places=places, span=placed.span, line=placed.line)
        if isinstance(result, Reading):
            return ([], faults) if faults else ([result], [])
        known = {fault.field for fault in faults}
        more = [fault for fault in result if fault.field not in known]
        return [], sorted(faults + more, key=lambda fault: fault.offset)


def _fault(placed: PlacedRow, name: str, expected: str, found: str, offset: int) -> Fault:
    return Fault(
        offset=offset, line=placed.line, field=name, expected=expected, found=shown(found)
    )
