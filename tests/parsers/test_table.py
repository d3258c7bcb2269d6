"""Tables: what is written in a form is read back, and what is odd is refused in its place."""

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import Form, Parsed, ParseError, Resume, load_form, parse, parse_in_parts
from parsers.layout import bind, layout_without_names
from parsers.report import ReportReader
from parsers.rows import Row, placed, splitter
from parsers.table import TableReader
from parsers.text import Line

FORMS = Path(__file__).parents[2] / "parsers" / "forms"


def shipped(name: str) -> Form:
    return load_form((FORMS / f"{name}.toml").read_bytes(), name)


POINT = shipped("point_table")
COMMA = shipped("comma_table")
POINT_HEADER = (
    "Serial number of reading,Read at,Bottle,Procedure,Diluted,Extinction,Outcome,Stated in\n"
)
COMMA_HEADER = "Day;Clock;Sample label;Test;Thinned by;Finding (mg/L);Light lost;Note\n"


def form_of(table: str, fields: str, top: str = "") -> Form:
    text = f'shape = "table"\n{top}\n[numbers]\ndecimal = "."\n[table]\n{table}\n{fields}\n'
    return load_form(text.encode(), "own")


PLAIN = form_of('delimiter = ","', "[fields.sample]\ncolumn = 's'\n[fields.value]\ncolumn = 'v'")


def values(parsed: Parsed) -> list[tuple[str | None, str]]:
    return [(r.sample, str(r.value)) for r in parsed.readings]


def expected(parsed: Parsed) -> list[str]:
    return [f"{fault.line}: {fault.expected}" for fault in parsed.faults]


name = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zs", "Zl", "Zp"]),
    min_size=1,
    max_size=10,
).filter(lambda text: "\ufeff" not in text)
marks = st.sampled_from(["", "<", ">"])
digits = st.decimals(min_value=0, max_value=99999, places=3).map(lambda d: f"{d:f}")


def quoted(cells: Sequence[str], delimiter: str, *, always: bool) -> str:
    return delimiter.join(
        '"' + cell.replace('"', '""') + '"' if always or '"' in cell or delimiter in cell else cell
        for cell in cells
    )


@given(
    rows=st.lists(
        st.tuples(
            name, name, digits, digits, st.integers(1, 999), st.sampled_from(["", "<", ">"])
        ),
        min_size=1,
        max_size=8,
    ),
    always=st.booleans(),
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_written_values_are_read_back_digit_for_digit(
    rows: list[tuple[str, str, str, str, int, str]],
    always: bool,  # noqa: FBT001 - drawn by hypothesis
    line_end: str,
) -> None:
    text = POINT_HEADER
    for at, (sample, method, value, absorbance, factor, mark) in enumerate(rows):
        cells = [str(at), "2026-03-02 09:14:05", sample, method, f"x{factor}"]
        cells += [absorbance, mark + value, "mg/L"]
        text += quoted(cells, ",", always=always) + "\n"
    data = text.replace("\n", line_end).encode()
    got = parse(data, POINT)
    assert got.faults == ()
    for reading, (sample, method, value, absorbance, factor, mark) in zip(
        got.readings, rows, strict=True
    ):
        assert (reading.sample, reading.method) == (sample, method)
        assert (str(reading.value), reading.censored) == (value, mark)
        assert (str(reading.absorbance), str(reading.dilution)) == (absorbance, str(factor))
        for field, span in reading.spans.items():
            raw = data[span.start : span.end].decode()
            assert raw in (reading.fields[field], reading.fields[field].replace('"', '""'))


@given(
    data=st.lists(
        st.sampled_from(
            [
                *(piece.encode() for piece in COMMA_HEADER.split(";")),
                COMMA_HEADER.encode(),
                b"02.03.2026;09:14;a;COD;;1,5;;\n",
                b"02.03.2026;09:14;b;COD;2;<3;0,1;x\n",
                b"\n",
                b"\r",
                b";",
                b'"',
                b"\0",
                b"\xe4",
                b"\xff\xfe",
                b"Photometer: 7\n",
                b"12,5",
            ]
        ),
        max_size=12,
    ).map(b"".join)
    | st.binary(max_size=60)
)
def test_no_bytes_raise_anything_but_a_parse_error_and_growing_agrees(data: bytes) -> None:
    try:
        whole = parse(data, COMMA)
    except ParseError as error:
        assert 0 <= error.offset <= len(data)
        return
    for reading in whole.readings:
        for field, span in reading.spans.items():
            raw = data[span.start : span.end]
            assert reading.fields[field].encode("utf-8") == raw or raw.decode("cp1252")
    first = parse(data[: len(data) // 2], COMMA, final=False)
    assert first.resume is not None
    second = parse(data[first.resume.offset :], COMMA, resume=first.resume)
    assert first.readings + second.readings == whole.readings


def test_parts_together_are_the_whole() -> None:
    rows = "".join(
        f"{n},2026-03-02 09:14:05,s{n},COD,,,{n}.5,{'mg/L' if n % 97 else 'mg'}\n"
        for n in range(12_000)
    )
    data = (POINT_HEADER + rows).encode()
    parts = list(parse_in_parts(data, POINT))
    whole = parse(data, POINT)
    assert len(parts) > 2
    assert sum((part.readings for part in parts), ()) == whole.readings
    assert len(whole.readings) + len(whole.faults) == 12_000
    assert [r.line for r in whole.readings[:3]] == [3, 4, 5]
    for part in parts[:-1]:
        assert part.resume is not None
        assert part.complete_to == part.resume.offset


def test_appended_row_costs_the_same_whatever_stands_before() -> None:
    row = "7,2026-03-02 09:14:05,s,COD,,,1.5,mg/L\n"
    first = parse((POINT_HEADER + row * 2000).encode(), POINT, final=False)
    assert first.resume is not None
    assert len(json.dumps(first.resume.state)) < 500
    more = parse(row.encode(), POINT, final=False, resume=first.resume)
    assert len(more.readings) == 1
    assert more.readings[0].line == 2002
    assert more.readings[0].span.start == len(POINT_HEADER) + 2000 * len(row)


def test_empty_file_that_may_grow_is_no_error() -> None:
    assert parse(b"", POINT, final=False) == Parsed(resume=Resume())
    with pytest.raises(ParseError, match="something to read"):
        parse(b"\xef\xbb\xbf", POINT)


def test_nothing_new_since_last_time_gives_nothing() -> None:
    first = parse(POINT_HEADER.encode(), POINT, final=False)
    assert first.resume is not None
    again = parse(b"", POINT, resume=first.resume)
    assert (again.readings, again.faults, again.complete_to) == ((), (), len(POINT_HEADER))
    assert again.resume == first.resume


def test_row_of_empty_cells_is_a_blank_line() -> None:
    assert values(parse(b"s,v\na,1\n,\n , \nb,2\n", PLAIN)) == [("a", "1"), ("b", "2")]


def test_header_is_only_looked_for_where_the_form_says() -> None:
    form = form_of('delimiter = ","\nheader_within = 2', "[fields.value]\ncolumn = 'v'")
    with pytest.raises(ParseError, match="columns v"):
        parse(b"a\nb\nv\n1\n", form, final=False)
    # one column only: a header cell and one value a line
    assert values(parse(b"a\nv\n1\n", form)) == [(None, "1")]


def test_no_header_yet_is_no_error_while_the_file_grows() -> None:
    got = parse(b"some title\n", PLAIN, final=False)
    assert got.complete_to == 0
    assert got.resume == Resume()


def test_row_above_its_header_is_a_fault() -> None:
    got = parse(b"a title\na,1\ns,v\nb,2\n", PLAIN)
    assert values(got) == [("b", "2")]
    assert expected(got) == ["2: no row above the header"]


def test_line_that_is_nearly_the_header_above_it_is_a_fault() -> None:
    got = parse(b"s,V\nx\ns,v\nb,2\n", PLAIN)
    assert expected(got) == ["1: one header; this line is nearly one"]


def test_damaged_line_above_the_header_is_a_fault_and_a_damaged_header_an_error() -> None:
    got = parse(b"\xff\ns,v\nb,2\n", PLAIN)
    assert (values(got), expected(got)) == ([("b", "2")], ["1: text in utf-8"])
    with pytest.raises(ParseError) as caught:
        parse(b"s,v\xff\nb,2\n", PLAIN)
    assert (caught.value.offset, caught.value.found) == (3, "byte 0xFF")


def test_header_again_with_another_width_goes_on_below_it() -> None:
    got = parse(b"s,v\na,1\nv,x,s\n2,,b\nv,x,s\n3,,c\n", PLAIN)
    # the first of the other headers has too many cells, so it is judged by its names
    assert values(got) == [("a", "1"), ("b", "2"), ("c", "3")]
    assert got.faults == ()


STATED = form_of(
    'delimiter = ","\nblocks = "blank"\nstated_separator = ","',
    "[fields.date]\nlabel = 'day'\npatterns = 'YYYY-MM-DD'\n[fields.lot]\nlabel = 'box'\n"
    "required = 'place'\n[fields.value]\ncolumn = 'v'\n[fields.sample]\ncolumn = 's'",
)


def test_lines_above_the_header_may_use_the_delimiter() -> None:
    got = parse(b'"day","2026-03-02",\nbox,,\n"x""\ns,v\na,1\n', STATED)
    assert got.readings[0].fields == {"date": "2026-03-02", "sample": "a", "value": "1"}
    assert got.readings[0].spans["date"].start == 7


@pytest.mark.parametrize(
    ("above", "problem"),
    [
        (b"box,4\n", "a line labelled day above the header"),
        (b"day,2026-03-02\n", "a line labelled box above the header"),
        (b"day,\nbox,1\n", "date: a date, not an empty place"),
        (b"day,2026-03-02\nday,2026-03-03\nbox,1\n", "one line labelled day per block"),
        (b"day,2026-03-02\nbox,1\x1b2\n", "lot: text without control characters"),
        (b"day,2026-03-02,3\nbox,1\n", "a line labelled day above the header"),
    ],
)
def test_stated_fields_are_required_once_and_readable(above: bytes, problem: str) -> None:
    with pytest.raises(ParseError) as caught:
        parse(above + b"s,v\na,1\n", STATED)
    assert caught.value.expected == problem
    good = b"day,2026-03-02\nbox,1\ns,v\na,1\n\n"
    got = parse(good + above + b"s,v\na,1\n\n" + good, STATED)
    assert len(got.readings) == 2
    assert [fault.expected for fault in got.faults] == [problem]


def test_optional_label_that_looks_damaged_is_refused() -> None:
    for line in ("Photometer 7", "Photomater: 7", "Photo", "meter: 7", "photometer: 7"):
        with pytest.raises(ParseError, match="exactly so"):
            parse((line + "\n" + COMMA_HEADER).encode(), COMMA)
    parse(("Week 12\n" + COMMA_HEADER).encode(), COMMA)


def test_words_above_a_later_block_are_a_fault() -> None:
    good = b"day,2026-03-02\nbox,1\ns,v\na,1\n\n"
    got = parse(good + b"hello\n" + good, STATED)
    assert len(got.readings) == 2
    assert [fault.line for fault in got.faults] == [6]
    got = parse(good + b"hello\n", STATED)
    assert expected(got) == ["6: a header row with the columns v, s"]


def test_unknown_unit_in_the_header_is_refused_before_any_row() -> None:
    with pytest.raises(ParseError, match="unit: a known unit") as caught:
        parse(COMMA_HEADER.replace("mg/L", "spoons").encode(), COMMA)
    assert caught.value.offset == COMMA_HEADER.index("mg/L")


@pytest.mark.parametrize("end", [b"", b"1,2\n", b"a,b,c\nd,"])
def test_quoted_cell_never_closed_costs_only_its_line(end: bytes) -> None:
    form = form_of(
        'delimiter = ","\nline_breaks_in_quotes = true',
        "[fields.sample]\ncolumn = 's'\n[fields.value]\ncolumn = 'v'",
        "[text]\nlast_line = 'any'\n[limits]\nline_length = 40",
    )
    data = b's,v\n"a,1\nb,2\nc,3\n'
    assert values(parse(data, form)) == [("b", "2"), ("c", "3")]
    growing = parse(data, form, final=False)
    assert (growing.readings, growing.complete_to) == ((), 4)
    long = b's,v\n"a,1\n' + b"b,2\n" * 20
    got = parse(long + end, form, final=False)
    assert len(got.readings) >= 20
    assert expected(got)[0] == "2: a closing quote"


def test_damage_inside_a_quoted_row_costs_its_first_line() -> None:
    form = form_of(
        'delimiter = ","\nline_breaks_in_quotes = true',
        "[fields.sample]\ncolumn = 's'\n[fields.value]\ncolumn = 'v'",
    )
    got = parse(b's,v\n"a\n\x1b",1\n"b\n"x,2\nc,3\n', form)
    assert values(got) == [("c", "3")]
    assert [fault.line for fault in got.faults] == [2, 3, 4, 5]
    got = parse(b's,v\n"a\n\xff",1\nc,3\n', form)
    assert values(got) == [("c", "3")]
    assert {fault.line for fault in got.faults} == {2, 3}


def test_unended_last_line_is_read_only_where_the_form_allows_it() -> None:
    data = b"s,v\na,1\nb,2"
    assert len(parse(data, PLAIN).faults) == 1
    assert parse(data, PLAIN).complete_to == len(data)
    lenient = PLAIN.model_copy(update={"text": PLAIN.text.model_copy(update={"last_line": "any"})})
    assert values(parse(data, lenient)) == [("a", "1"), ("b", "2")]
    assert parse(b"s,v\na,1\nb\xff", PLAIN).faults[0].found == "byte 0xFF"
    assert parse(b"s,v\na,1\n  ", PLAIN).faults == ()


WIDE = form_of(
    'delimiter = ","\nshort_rows = true\n'
    "[table.wide]\ncolumns = [{ column = 'x', method = 'X', unit = 'mg/L' }, "
    "{ column = ['y', 'yy'], method = 'Y' }]",
    "[fields.sample]\ncolumn = 's'\n[fields.value]\nprefix = '='",
)


def test_wide_row_gives_a_reading_for_each_filled_cell_and_a_fault_for_each_bad_one() -> None:
    got = parse(b"s,x,y\na,=1,=2\nb,,=3\nc,4,=5\nd,=1\n,=1,=2\n", WIDE)
    assert [(r.sample, r.method, str(r.value)) for r in got.readings] == [
        ("a", "X", "1"),
        ("a", "Y", "2"),
        ("b", "Y", "3"),
        ("c", "Y", "5"),
        ("d", "X", "1"),
    ]
    assert expected(got) == ["4: text that begins with '='", "6: a text, not an empty place"]
    with pytest.raises(ParseError, match="y or yy"):
        parse(b"s,x\n", WIDE)


def test_wide_header_by_pattern_accounts_for_every_column() -> None:
    form = form_of(
        "delimiter = ','\nother_columns = 'flow'\n"
        "[table.wide]\npattern = '(?P<method>.+) in (?P<unit>.+)'",
        "[fields.sample]\ncolumn = 's'\n[fields.value]",
    )
    assert len(parse(b"s,flow,A in mg/L\na,9,1\n", form).readings) == 1
    with pytest.raises(ParseError, match="other_columns"):
        parse(b"s,rain,A in mg/L\n", form)
    with pytest.raises(ParseError, match="matching"):
        parse(b"s,flow\n", form)
    with pytest.raises(ParseError, match="unit: a known unit"):
        parse(b"s,A in spoons\n", form)


def test_columns_by_position_need_a_wide_enough_header() -> None:
    form = form_of(
        "delimiter = ','", "[fields.sample]\nposition = 3\n[fields.value]\ncolumn = 'v'"
    )
    assert values(parse(b"v,x,y\n1,2,3\n", form)) == [("3", "1")]
    with pytest.raises(ParseError, match=re.escape("no. 3")):
        parse(b"v,x\n", form)


def test_header_line_of_a_table_without_names_may_come_again() -> None:
    form = form_of(
        "delimiter = '|'\nheader = 'none'\ncells = 2\nheader_pattern = 'who.what'\n"
        "blocks = 'blank'",
        "[fields.sample]\nposition = 1\n[fields.value]\nposition = 2",
    )
    data = b"who|what\na|1\nwho|what\nb|2\n\nwho|what\nc|3\n"
    assert values(parse(data, form)) == [("a", "1"), ("b", "2"), ("c", "3")]
    assert parse(data, form).faults == ()
    with pytest.raises(ParseError, match="header line"):
        parse(b"a|1\n", form)
    with pytest.raises(ParseError, match="header line"):
        parse(b"\n", form)


def test_resume_is_plain_json() -> None:
    data = b"day,2026-03-02\nbox,1\ns,v\na,1\n"
    first = parse(data, STATED, final=False)
    assert first.resume is not None
    again = replace(first.resume, state=json.loads(json.dumps(first.resume.state)))
    assert again == first.resume
    more = parse(b"b,2\n", STATED, resume=again)
    assert more.readings[0].fields["lot"] == "1"
    assert more.readings[0].spans["date"] == first.readings[0].spans["date"]


def test_two_columns_of_one_name_in_a_later_block_cost_that_block_only() -> None:
    good = b"day,2026-03-02\nbox,1\ns,v\na,1\n\n"
    got = parse(good + b"day,2026-03-02\nbox,1\ns,v,v\na,1,2\n\n" + good, STATED)
    assert len(got.readings) == 2
    assert expected(got) == ["8: one column v, not 2"]


def test_wide_row_without_values_still_shows_its_faults() -> None:
    form = form_of(
        "delimiter = ','\n[table.wide]\ncolumns = [{ column = 'x', method = 'X' }]",
        "[fields.date]\ncolumn = 'd'\npatterns = 'YYYY-MM-DD'\nprefix = 'on '\n[fields.value]",
    )
    got = parse(b"d,x\n2026-03-02,\n", form)
    assert expected(got) == ["2: text that begins with 'on '"]


def test_fixed_text_with_nothing_inside_is_an_empty_place() -> None:
    form = form_of("delimiter = ','", "[fields.value]\ncolumn = 'v'\nprefix = '('\nsuffix = ')'")
    got = parse(b"v\n(1)\n( )\n(\n", form)
    assert values(got) == [(None, "1")]
    assert expected(got) == ["3: a number, not an empty place", "4: text that ends with ')'"]


def test_a_lost_block_passes_over_its_rows_until_a_blank_line() -> None:
    good = b"day,2026-03-02\nbox,1\ns,v\na,1\n\n"
    for cut in (b"day,2026-03-02\nbox,1\ns,v,v\na,1,2\nb,2,3", b"x\n" * 60):
        got = parse(good + cut, STATED)
        assert len(got.readings) == 1
        assert len(got.faults) == 1
        first = parse(good + cut, STATED, final=False)
        assert first.resume is not None
        again = parse(cut[len(cut) :] + b"\n" + good, STATED, resume=first.resume)
        assert len(again.readings) <= 1


def test_header_line_without_names_is_waited_for() -> None:
    form = form_of(
        "delimiter = '|'\nheader = 'none'\ncells = 2\nheader_pattern = 'top'\nheader_within = 3",
        "[fields.sample]\nposition = 1\n[fields.value]\nposition = 2",
    )
    first = parse(b"a\n", form, final=False)
    assert first.resume == Resume()
    assert values(parse(b"a\ntop\nx|1\n", form)) == [("x", "1")]
    assert expected(parse(b"a|1\ntop\nx|1\n", form)) == ["1: no row above the header"]
    with pytest.raises(ParseError, match="a header line: top"):
        parse(b"a\nb\nc\n", form, final=False)


def test_resume_within_a_table_without_names_goes_on_below_its_header() -> None:
    form = form_of(
        "delimiter = '|'\nheader = 'none'\ncells = 2\nheader_pattern = 'top .*'",
        "[fields.lot]\nlabel = 'box'\n[fields.sample]\nposition = 1\n[fields.value]\nposition = 2",
    )
    first = parse(b"box: 7\ntop of it\nx|1\n", form, final=False)
    assert first.resume is not None
    more = parse(b"top of it\ny|2\n", form, resume=first.resume)
    assert values(more) == [("y", "2")]
    assert more.readings[0].fields["lot"] == "7"


def test_too_many_rows_stay_too_many_after_resume() -> None:
    form = PLAIN.model_copy(update={"limits": PLAIN.limits.model_copy(update={"rows": 1})})
    first = parse(b"s,v\na,1\nb,2\n", form, final=False)
    assert expected(first) == ["3: at most 1 rows"]
    assert first.resume is not None
    more = parse(b"c,3\n", form, resume=first.resume)
    assert (more.readings, more.faults) == ((), ())


def test_unclosed_quote_at_the_end_of_a_final_file_costs_its_line() -> None:
    form = form_of(
        'delimiter = ","\nline_breaks_in_quotes = true',
        "[fields.sample]\ncolumn = 's'\n[fields.value]\ncolumn = 'v'",
        "[text]\nlast_line = 'any'",
    )
    assert expected(parse(b's,v\na,1\n"b,2', form)) == ["3: a closing quote"]
    assert values(parse(b's,v\na,1\n"b\nc",2', form)) == [("a", "1"), ("b\nc", "2")]


def test_readers_refuse_a_form_of_another_shape() -> None:
    report = load_form((FORMS / "labelled_report.toml").read_bytes(), "r")
    with pytest.raises(ValueError, match="is no table"):
        TableReader(report, b"", final=True, resume=None)
    with pytest.raises(ValueError, match="is no report"):
        ReportReader(PLAIN, b"", final=True, resume=None)
    with pytest.raises(ValueError, match="only a table"):
        splitter(report)
    with pytest.raises(ValueError, match="only a table"):
        layout_without_names(report)
    line = Line("s,v", 0, 3, 1, 4)
    with pytest.raises(ValueError, match="only a table"):
        bind(report, placed(line, Row(["s", "v"], [(0, 1), (2, 3)]), len))


def test_unclosed_quote_before_an_unended_or_damaged_last_line_is_told_first() -> None:
    form = form_of(
        'delimiter = ","\nline_breaks_in_quotes = true',
        "[fields.sample]\ncolumn = 's'\n[fields.value]\ncolumn = 'v'",
    )
    for tail in (b"c,3", b"c\xff"):
        got = parse(b's,v\n"b,2\n' + tail, form)
        assert [fault.line for fault in got.faults] == [2, 3]


def test_empty_cells_of_a_short_row_are_empty_places() -> None:
    form = form_of(
        "delimiter = ','\nshort_rows = true",
        "[fields.sample]\ncolumn = 's'\n[fields.value]\ncolumn = 'v'\n[fields.lot]\n"
        "column = 'l'\nrequired = 'place'",
    )
    got = parse(b"s,v,l\na,1\nb\n", form)
    assert values(got) == [("a", "1")]
    assert expected(got) == ["3: a number, not an empty place"]
    assert got.faults[0].offset == 11


def test_file_of_passed_over_lines_only_has_no_header() -> None:
    form = form_of("delimiter = ','\nignore = 'x.*'", "[fields.value]\ncolumn = 'v'")
    with pytest.raises(ParseError, match="a header line: names of its columns"):
        parse(b"x\nxx\n", form)


def test_words_with_control_characters_above_the_first_header_are_words() -> None:
    assert values(parse(b'\x1b[1mtitle\n"q\ns,v\na,1\n', PLAIN)) == [("a", "1")]


def test_header_cell_may_go_without_the_unit_of_its_pattern() -> None:
    form = form_of(
        "delimiter = ','\n[table.wide]\npattern = '(?P<method>[A-Z]+)( in .(?P<unit>.+).)?'",
        "[fields.sample]\ncolumn = 's'\n[fields.value]",
    )
    got = parse(b"s,A in (mg/L),B,C in ( )\na,1,2,3\n", form)
    assert [(r.method, r.unit) for r in got.readings] == [("A", "mg/L"), ("B", None), ("C", None)]


def test_other_columns_beside_absent_optional_ones_are_fine() -> None:
    form = form_of(
        "delimiter = ','",
        "[fields.value]\ncolumn = 'v'\n[fields.lot]\ncolumn = 'batch'\nrequired = 'no'\n"
        "[fields.remark]\ncolumn = 'note'\nrequired = 'no'",
    )
    assert values(parse(b"v,room,\n1,2,3\n", form)) == [(None, "1")]
    for cell in (b"bat", b"tch", b"BATCH", b"botch", b"nota"):
        with pytest.raises(ParseError, match="spelt exactly so"):
            parse(b"v," + cell + b"\n1,2\n", form)


def test_row_that_holds_one_header_name_twice_is_only_a_bad_row() -> None:
    got = parse(b"s,v\nv,v\na,1\n", PLAIN)
    assert values(got) == [("a", "1")]
    assert expected(got) == ["2: a number with decimal mark '.'"]


def test_blank_lines_behind_the_end_mark_are_fine() -> None:
    form = form_of("delimiter = ','\nend = 'over'", "[fields.value]\ncolumn = 'v'")
    assert parse(b"v\n1\nover\n\n  \n", form).faults == ()
    assert parse(b"v\n1\nover\n\n  ", form).faults == ()
    with pytest.raises(ParseError, match="a header line"):
        parse(b"over\n", form)


def test_resume_behind_a_byte_order_mark_still_seeks_the_header() -> None:
    first = parse(b"\xef\xbb\xbftitle\n", PLAIN, final=False)
    assert first.resume is not None
    assert (first.resume.offset, first.resume.line) == (3, 0)
    more = parse(b"title\ns,v\na,1\n", PLAIN, resume=first.resume)
    assert values(more) == [("a", "1")]
    assert more.readings[0].line == 3
