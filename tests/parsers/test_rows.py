"""Cutting lines into cells, checked against RFC 4180 and a public corpus."""

import csv
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import load_form, parse
from parsers.rows import Row, RowError, splitter

DATA = Path(__file__).parent / "data"


def cases() -> list[dict[str, str]]:
    with (DATA / "csv_cases.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def form_of(header: list[str], delimiter: str = ",") -> bytes:
    lines = [
        'shape = "table"\n[text]\nlast_line = "any"\n[numbers]\ndecimal = "."',
        f"[table]\ndelimiter = {json.dumps(delimiter)}\nline_breaks_in_quotes = true",
        '[fields.value]\nconstant = "0"',
    ]
    for at, name in enumerate(header):
        lines.append(f"[fields.c{at}]\ncolumn = {json.dumps(name)}\nrequired = 'place'")
    return "\n".join(lines).encode()


@pytest.mark.parametrize("case", cases(), ids=lambda case: case["id"])
def test_published_csv_cases_give_their_published_cells(case: dict[str, str]) -> None:
    rows = json.loads(case["rows"])
    form = load_form(form_of(rows[0]), "case")
    got = parse(json.loads(case["document"]).encode(), form)
    assert got.faults == ()
    cells = [[r.fields.get(f"c{at}", "") for at in range(len(rows[0]))] for r in got.readings]
    assert cells == rows[1:]


cell = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=12)


@given(rows=st.lists(st.lists(cell, min_size=3, max_size=3), min_size=1, max_size=6))
def test_cells_written_by_the_standard_library_are_read_back(rows: list[list[str]]) -> None:
    split = splitter(load_form(form_of(["a"], ";"), "case"))
    for row in rows:
        line = ";".join('"' + text.replace('"', '""') + '"' for text in row)
        cut = split(line)
        assert cut.cells == row == next(csv.reader([line], delimiter=";", strict=True))
        for at, text in enumerate(row):
            start, end = cut.edges[at]
            assert line[start:end].replace('""', '"') == text


def cut(line: str, table: str) -> Row:
    text = f'shape = "table"\n[numbers]\ndecimal = "."\n[table]\n{table}\n'
    if "fixed" not in table:
        text += '[fields.value]\ncolumn = "x"\n'
    return splitter(load_form(text.encode(), "f"))(line)


def test_blanks_belong_to_the_cell_until_its_field_is_read() -> None:
    # RFC 4180 section 2 rule 4: spaces are part of a field (from memory)
    assert cut(" a , b", "delimiter = ','").cells == [" a ", " b"]


def test_runs_of_blanks_part_words() -> None:
    row = cut("  a \t b c ", "delimiter = 'spaces'")
    assert (row.cells, row.edges) == (["a", "b", "c"], [(2, 3), (6, 7), (8, 9)])


def test_wider_gaps_leave_single_blanks_alone() -> None:
    assert cut("  old mill  3.5\tx", "delimiter = 'gaps'").cells == ["old mill", "3.5", "x"]


def test_without_quoting_a_quote_is_a_character() -> None:
    assert cut('5" pipe|"x', 'delimiter = "|"\nquote = ""').cells == ['5" pipe', '"x']


@pytest.mark.parametrize(
    ("line", "at", "expected"),
    [
        ('a,b"c', 3, "no quote inside a cell that is not quoted as a whole"),
        ('"a"b,c', 3, "',' or the end of the row behind a quote"),
        ('a,"b', 2, "a closing quote"),
        ('a,"b""', 2, "a closing quote"),
        (' "a"', 1, "no quote inside a cell that is not quoted as a whole"),
    ],
)
def test_loose_quoting_is_refused_at_its_character(line: str, at: int, expected: str) -> None:
    with pytest.raises(RowError) as caught:
        cut(line, "delimiter = ','")
    assert (caught.value.at, caught.value.expected) == (at, expected)


def test_word_across_the_edge_of_fixed_columns_is_refused() -> None:
    table = "delimiter = 'fixed'\n[fields.value]\nstart = 3\nend = 5"
    assert cut("a 1.5 b", table).cells == ["1.5"]
    for line, at in (("a1.5 b", 1), ("a 12.55", 5)):
        with pytest.raises(RowError) as caught:
            cut(line, table)
        assert caught.value.at == at


def test_place_in_a_quoted_cell_counts_doubled_quotes() -> None:
    row = cut('x,"a""b"', "delimiter = ','")
    assert row.cells[1] == 'a"b'
    assert [row.character(1, at) for at in (0, 1, 2, 3)] == [3, 4, 6, 7]
