"""Reading column by column gives what reading row by row gives."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import Form, Span, load_form, parse
from parsers.readings import Printed
from parsers.rows import RowPlaces, printed_rows
from parsers.table import TableReader
from parsers.text import Lines

FORMS = Path(__file__).parents[2] / "parsers" / "forms"
OWN = """
shape = "table"
[numbers]
decimal = "."
[table]
delimiter = ","
[fields.datetime]
column = "When"
patterns = ["DD.MM.YYYY hh:mm"]
[fields.value]
column = "v"
"""
NAMES = ("point_table", "comma_table", "own_table")
MANY = 8  # rows enough to be read column by column
HEADERS = {
    "point_table": (
        "Serial number of reading,Read at,Bottle,Procedure,Diluted,Extinction,Outcome,Stated in"
    ),
    "comma_table": (
        "Photometer: 7\nDay;Clock;Sample label;Test;Thinned by;Finding (mg/L);Light lost;Note"
    ),
    "own_table": "When,v",
}
CELLS = {
    "point_table": [
        ["1", " 2 ", "", "3"],
        [
            "2026-03-02 09:14:05",
            "2026-03-02 09:14:05 ",
            "2026-02-30 09:14:05",
            "",
            " 2026-03-0209:14:05",
            "2026-03-02T09:14:05",
            "2026-03-02 9:14:05 ",
            "2026-W10-1 09:14:05",
            "20260302T091405.123",
            "2026-03-02 09:14+01",
        ],
        ["a\tb", "a", "b", "\ta", "ä\u00a0", "", "日本"],
        ["COD", " COD", '"COD"', ""],
        ["", "1+9", "x5", "1:10", " "],
        ["0.5", "", "low", "1,5"],
        ["1.5", "12.0", "low", "<3", ">4", " 7.5 ", "1.5.2", "", "high"],
        ["mg/L", "µg/L", "mg/L N", "spoons", "mg/L,x", "mg/L\0"],
    ],
    "comma_table": [
        ["02.03.2026", "31.04.2026"],
        ["09:14", "09:14:05", "9:14"],
        ["a", "\u202fb", ""],
        ["COD", "N"],
        ["", "10"],
        ["1,5", "under", "<3", "1.5"],
        ["", "0,5"],
        ["", "note", "a;b"],
    ],
    "own_table": [
        ["02.03.2026 09:14", "31.04.2026 09:14", "02.03.2026 24:14", "", "2.3.2026 09:14"],
        ["1.5", "1,5", "", " 1.5"],
    ],
}


def form_of(name: str) -> Form:
    if name == "own_table":
        return load_form(OWN.encode(), name)
    return load_form((FORMS / f"{name}.toml").read_bytes(), name)


class RowByRow(TableReader):
    """The same reader, never column by column."""

    def _is_plain(self, lines: Lines) -> bool:
        return not lines.texts


@st.composite
def tables(draw: st.DrawFn) -> tuple[str, bytes]:
    name = draw(st.sampled_from(NAMES))
    delimiter = ";" if name == "comma_table" else ","
    good = delimiter.join(cells[0] for cells in CELLS[name])
    row = st.tuples(*(st.sampled_from(cells) for cells in CELLS[name])).map(delimiter.join)
    rows = draw(
        st.lists(
            st.just(good) | row | st.sampled_from(["", HEADERS[name].split("\n")[-1], "x"]),
            max_size=50,
        )
    )
    end = draw(st.sampled_from(["\n", "\r\n"]))
    return name, (end.join([HEADERS[name], *rows]) + end).encode()


@given(tables())
def test_both_ways_of_reading_agree(table: tuple[str, bytes]) -> None:
    name, data = table
    form = form_of(name)
    quick = list(TableReader(form, data, final=True, resume=None).parts())
    careful = list(RowByRow(form, data, final=True, resume=None).parts())
    assert quick == careful
    for part in quick:
        for reading in part.readings:
            assert type(reading).__name__ == "Reading"
            assert reading.fields == dict(reading.fields)
            assert str(reading.fields) == str(dict(reading.fields))
            assert str(reading.spans) == str(dict(reading.spans))
            assert len(reading.spans) <= len(reading.fields)


def test_long_run_is_read_whole_and_stays_frozen() -> None:
    row = "1,2026-03-02 09:14:05,a,COD,,,1.5,mg/L\n"
    got = parse((HEADERS["point_table"] + "\n" + row * 9000).encode(), form_of("point_table"))
    assert len(got.readings) == 9000
    assert got.readings[-1].line == 9001
    with pytest.raises(AttributeError):
        got.readings[0].value = None  # type: ignore[misc]  # that it fails is the point
    with pytest.raises(AttributeError):
        got.readings[0].span.start = 1  # type: ignore[misc]  # that it fails is the point
    assert got.readings[0].fields["sample"] == "a"
    assert "lot" not in got.readings[0].fields
    with pytest.raises(KeyError):
        got.readings[0].spans["lot"]


def own(fields: str, table: str = "delimiter = ','") -> Form:
    text = f'shape = "table"\n[numbers]\ndecimal = "."\n[table]\n{table}\n{fields}'
    return load_form(text.encode(), "own")


@pytest.mark.parametrize(
    ("form", "rows"),
    [
        (own("[fields.value]\ncolumn = 'v'\ndefault = '7'\n[fields.lot]\ncolumn = 'b'"), 2 * MANY),
        (own("[fields.value]\ncolumn = 'v'\nunit_follows = true\n[fields.lot]\ncolumn = 'b'"), 0),
        (own("[fields.value]\ncolumn = 'v'\n[fields.method]\nconstant = 'COD'"), 2 * MANY),
        (own("[fields.value]\ncolumn = 'v'\n[fields.unit]\nconstant = 'cups'"), 0),
        (own("[fields.value]\ncolumn = 'v'\nrequired = 'place'"), 2 * MANY),
        (
            own("[fields.value]\ncolumn = 'v'\nno_value = '1'\n[fields.lot]\ncolumn = 'b'"),
            2 * MANY,
        ),
        (
            own("[fields.value]\ncolumn = 'v'\n[fields.lot]\ncolumn = 'b'\nno_value = 'x'"),
            2 * MANY,
        ),
        (own("[fields.value]\ncolumn = 'v'", "delimiter = ','\nignore = '1.*'"), MANY),
        (own("[fields.value]\ncolumn = 'v'", "delimiter = ','\nend = '2,y'"), 1),
        (own("[fields.value]\ncolumn = 'v'\nprefix = ['1', '2']\nrequired = 'place'"), 2 * MANY),
        (own("[fields.value]\ncolumn = 'v'\n[fields.lot]\ncolumn = 'b'\nprefix = 'x'"), 0),
    ],
)
def test_forms_that_ask_for_more_are_read_as_well(form: Form, rows: int) -> None:
    data = b"v,b\n" + b"1,x\n2,y\n" * MANY
    quick = list(TableReader(form, data, final=True, resume=None).parts())
    assert quick == list(RowByRow(form, data, final=True, resume=None).parts())
    assert sum(len(part.readings) for part in quick) == rows


def test_tabs_between_cells_are_no_control_characters() -> None:
    form = own("[fields.value]\ncolumn = 'v'\n[fields.lot]\ncolumn = 'b'", "delimiter = 'tab'")
    got = parse(b"v\tb\n" + b"1\tx\n" * MANY + b"2\ty\x02\n3\tz\n", form)
    assert [str(reading.value) for reading in got.readings] == ["1"] * MANY + ["3"]
    assert [fault.line for fault in got.faults] == [MANY + 2]


def test_more_different_texts_than_are_remembered_are_all_read() -> None:
    rows = "".join(f"{n}.5,{n}\n" for n in range(101_000))
    form = own("[fields.value]\ncolumn = 'v'\n[fields.count]\ncolumn = 'b'\nkind = 'integer'")
    got = parse(("v,b\n" + rows).encode(), form)
    assert len(got.readings) == 101_000
    assert all(str(r.value) == f"{n}.5" for n, r in enumerate(got.readings))
    assert all(r.fields["count"] == str(n) for n, r in enumerate(got.readings))


def test_fields_of_the_forms_own_kind_are_checked_in_runs_too() -> None:
    form = own(
        "[fields.absorbance]\ncolumn = 'v'\nbelow_marks = '<'\n"
        "[fields.count]\ncolumn = 'b'\nkind = 'integer'"
    )
    got = parse(b"v,b\n" + b"0.5,1\n<0.1,2\n" * MANY + b"0.7,x\n", form)
    assert [str(reading.absorbance) for reading in got.readings] == ["0.5", "None"] * MANY
    assert [fault.field for fault in got.faults] == ["count"]


@pytest.mark.parametrize(
    ("more", "cell", "meaning"),
    [
        ("no_value = '9999'", "9999", (None, "")),
        ("above = '9999.0'", "9999.0", (None, ">")),
        ("below_marks = '-'", "-5", ("5", "<")),
        ("below_marks = '<'", "<5", ("5", "<")),
        ("", "-5.50", ("-5.50", "")),
        ("", "1.5.2", None),
        ("", "1" * 41, None),
        ("", "1\u0662", None),
    ],
)
def test_number_among_very_many_different_ones_means_what_it_means_alone(
    more: str, cell: str, meaning: tuple[str | None, str] | None
) -> None:
    form = own(f"[fields.value]\ncolumn = 'v'\n{more}\n[fields.lot]\ncolumn = 'b'")
    rows = "".join(f"{n}.5,x\n" for n in range(9000))
    got = parse(f"v,b\n{rows}{cell},x\n{rows}".encode(), form)
    readings = [(r.value and str(r.value), r.censored) for r in got.readings if r.line == 9002]
    assert readings == ([] if meaning is None else [meaning])
    assert [fault.field for fault in got.faults] == (["value"] if meaning is None else [])
    assert len(got.readings) + len(got.faults) == 18_001


def test_decimal_comma_and_thousands_mark_are_read_as_one_by_one() -> None:
    form = own(
        "[fields.absorbance]\ncolumn = 'a'\n[fields.value]\ncolumn = 'v'\n"
        "decimal = ','\nthousands = '.'",
        "delimiter = ';'",
    )
    cells = [f"{n // 1000}.{n % 1000:03},{n % 7}" for n in range(1000, 9000)]
    data = ("a;v\n" + "".join(f"0.5;{cell}\n" for cell in cells)).encode()
    quick = list(TableReader(form, data, final=True, resume=None).parts())
    assert quick == list(RowByRow(form, data, final=True, resume=None).parts())
    readings = [reading for part in quick for reading in part.readings]
    assert [str(reading.value) for reading in readings] == [
        cell.replace(".", "").replace(",", ".") for cell in cells
    ]


def test_empty_text_that_is_required_ends_a_run() -> None:
    form = own("[fields.value]\ncolumn = 'v'\n[fields.sample]\ncolumn = 'b'")
    data = b"v,b\n" + b"1,x\n" * MANY + b"2,\n" + b"3,y\n" * MANY
    quick = list(TableReader(form, data, final=True, resume=None).parts())
    assert quick == list(RowByRow(form, data, final=True, resume=None).parts())
    assert [fault.line for part in quick for fault in part.faults] == [MANY + 2]


def test_what_is_printed_is_equal_only_to_what_is_printed() -> None:
    printed = Printed({"sample": "a"}, {"sample": Span(0, 1)})
    assert printed == Printed({"sample": "a"}, {"sample": Span(0, 1)})
    assert printed != Printed({"sample": "a"}, {"sample": Span(1, 2)})
    assert printed != {"sample": "a"}


def test_printed_rows_find_their_fields_behind_characters_of_several_bytes() -> None:
    places = RowPlaces(
        delimiter=",",
        columns=(("sample", 0), ("lot", 1)),
        divide=lambda name, text: [(name, 0, len(text))],
        supplied={"method": "COD"},
        supplied_spans={},
        width=lambda text: len(text.encode()),
    )
    one, other = printed_rows(places, ["\u00e4,b", "c,d"], [10, 20])
    assert one.fields == {"method": "COD", "sample": "\u00e4", "lot": "b"}
    assert one.spans == {"sample": Span(10, 12), "lot": Span(13, 14)}
    assert other.spans == {"sample": Span(20, 21), "lot": Span(22, 23)}


def test_unit_in_the_header_is_no_unit_behind_the_number() -> None:
    form = own(
        "[fields.value]\ncolumn = 'v'\nunit_follows = true\n"
        "[fields.lot]\ncolumn_pattern = 'lot (?P<unit>.+)'"
    )
    data = b"v,lot mg/L\n" + b"1,x\n2 g/L,y\n" * MANY
    quick = list(TableReader(form, data, final=True, resume=None).parts())
    assert quick == list(RowByRow(form, data, final=True, resume=None).parts())
    assert [r.unit for part in quick for r in part.readings] == ["mg/L", "g/L"] * MANY
