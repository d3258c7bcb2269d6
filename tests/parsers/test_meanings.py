"""Columns of dates and times mean what their cells mean one by one."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import pytest

from parsers.assembly import Assembler
from parsers.cells import halves
from parsers.forms import load_form
from parsers.meanings import _IsoMoments, _Moments, meanings

CELLS = ["02.03.2031 09:14", "03.03.2031 23:59", "02.03.2031 09:14"]


def whole(column: Sequence[str]) -> Any:
    """Stands for the other way of reading, which says what is wrong."""
    return [f"read whole: {text}" for text in column], len(column)


def test_dates_and_times_written_alike_are_read_in_halves() -> None:
    cut = halves("DD.MM.YYYY hh:mm")
    assert cut is not None
    moments = _Moments(cut, whole)
    wanted = [datetime.strptime(text, "%d.%m.%Y %H:%M") for text in CELLS]  # noqa: DTZ007 - wall time
    assert moments.of(CELLS) == (wanted, 3)


@pytest.mark.parametrize(
    "odd", ["31.02.2031 09:14", "02.03.2031 24:14", "02.03.2031T09:14", " 2.03.2031 09:14", ""]
)
def test_column_with_one_odd_cell_is_read_whole(odd: str) -> None:
    cut = halves("DD.MM.YYYY hh:mm")
    assert cut is not None
    column = [*CELLS, odd]
    assert _Moments(cut, whole).of(column) == whole(column)


@pytest.mark.parametrize(
    "pattern", ["D.M.YYYY h:mm", "YYYY-MM-DD hh:mm:ss.f", "DD MON YYYY hh:mm"]
)
def test_pattern_without_halves_is_read_cell_by_cell(pattern: str) -> None:
    months = "months = [" + ", ".join(f"'m{n}'" for n in range(12)) + "]"
    form = load_form(
        f"""
        shape = "table"
        [numbers]
        decimal = "."
        [table]
        delimiter = ","
        [fields.datetime]
        column = "t"
        patterns = ["{pattern}"]
        {months if "MON" in pattern else ""}
        [fields.value]
        column = "v"
        """.encode(),
        "own",
    )
    assert halves(pattern) is None
    read = meanings(Assembler(form), "datetime", is_required=True)
    assert read is not None
    texts = {
        "D.M.YYYY h:mm": ["2.3.2031 9:14", "12.11.2031 19:14"],
        "YYYY-MM-DD hh:mm:ss.f": ["2031-03-02 09:14:05.5"],
        "DD MON YYYY hh:mm": ["02 m2 2031 09:14"],
    }[pattern]
    values, good = read([*texts, "x"])
    assert good == len(texts)
    assert (values[0].month, values[0].day, values[0].minute) == (3, 2, 14)


@pytest.mark.parametrize(
    "odd",
    [
        "2031-02-30 09:14:05",
        "2031-03-02 24:14:05",
        "0000-03-02 09:14:05",
        "2031-03-02T09:14:05",
        "2031-03-02 09:14:0\u0665",
        "2031-03-02 09:14",
        "20310302 09:14:05",
        "",
    ],
)
def test_moments_of_the_standard_are_read_at_once_and_other_spellings_whole(odd: str) -> None:
    moments = _IsoMoments("YYYY-MM-DD hh:mm:ss", whole)
    good = ["2031-03-02 09:14:05", "2032-02-29 23:59:59"]
    assert moments.of(good) == (
        [datetime(2031, 3, 2, 9, 14, 5), datetime(2032, 2, 29, 23, 59, 59)],  # noqa: DTZ001 - wall time
        2,
    )
    assert moments.of([*good, odd]) == whole([*good, odd])
