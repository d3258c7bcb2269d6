"""Reports: a block counts as a whole or not at all."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import Form, Parsed, ParseError, Resume, load_form, parse

FORMS = Path(__file__).parents[2] / "parsers" / "forms"
REPORT = load_form((FORMS / "labelled_report.toml").read_bytes(), "labelled_report")
BLOCK = (
    "Count: {}\nOn: 2026-03-02\nAt: 09:14:00\nTube of: Outflow\nLooked for: COD\n"
    "Found: 43.1 mg/L\n\n"
)


def form_of(report: str, fields: str, top: str = "") -> Form:
    text = f'shape = "report"\n{top}\n[numbers]\ndecimal = "."\n[report]\n{report}\n{fields}\n'
    return load_form(text.encode(), "own")


TWO = "[fields.sample]\nlabel = 's'\n[fields.value]\nlabel = 'v'"
BLANK = form_of("block = 'blank'", TWO)


def values(parsed: Parsed) -> list[tuple[str | None, str]]:
    return [(r.sample, str(r.value)) for r in parsed.readings]


def expected(parsed: Parsed) -> list[str]:
    return [f"{fault.line}: {fault.expected}" for fault in parsed.faults]


text = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zs", "Zl", "Zp"]),
    min_size=1,
    max_size=8,
).filter(lambda written: "\ufeff" not in written)


@given(
    rows=st.lists(st.tuples(text, st.decimals(0, 9999, places=2)), min_size=1, max_size=5),
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
    order=st.permutations([0, 1]),
)
def test_written_blocks_are_read_back_digit_for_digit(
    rows: list[tuple[str, object]], line_end: str, order: list[int]
) -> None:
    written = ""
    for sample, value in rows:
        lines = [f"s: {sample}", f"v: {value:f}"]
        written += lines[order[0]] + "\n" + lines[order[1]] + "\n\n"
    data = written.replace("\n", line_end).encode()
    got = parse(data, BLANK)
    assert got.faults == ()
    assert values(got) == [(sample, f"{value:f}") for sample, value in rows]
    for reading in got.readings:
        for field, span in reading.spans.items():
            assert data[span.start : span.end].decode() == reading.fields[field]


@given(
    st.lists(
        st.sampled_from(
            [
                b"s: a\n",
                b"v: 1.5\n",
                b"\n",
                b"\f",
                b"\r",
                b"v:",
                b"x: y\n",
                b"word\n",
                b"\0",
                b"\xff",
            ]
        ),
        max_size=14,
    ).map(b"".join)
    | st.binary(max_size=50)
)
def test_no_bytes_raise_anything_but_a_parse_error_and_growing_agrees(data: bytes) -> None:
    try:
        whole = parse(data, BLANK)
    except ParseError as error:
        assert 0 <= error.offset <= len(data)
        return
    for reading in whole.readings:
        for field, span in reading.spans.items():
            assert data[span.start : span.end] == reading.fields[field].encode()
    first = parse(data[: len(data) // 2], BLANK, final=False)
    assert first.resume is not None
    second = parse(data[first.resume.offset :], BLANK, resume=first.resume)
    assert first.readings + second.readings == whole.readings
    assert first.faults + second.faults == whole.faults


def test_open_block_waits_while_the_file_grows() -> None:
    data = (BLOCK.format(1) + BLOCK.format(2)[:-1]).encode()
    got = parse(data, REPORT, final=False)
    assert [r.identity for r in got.readings] == [("1",)]
    assert got.complete_to == len(BLOCK.format(1))
    assert len(parse(data, REPORT).readings) == 2


def test_resume_is_plain_json_and_keeps_line_numbers() -> None:
    data = BLOCK.format(1).encode()
    first = parse(data, REPORT, final=False)
    assert first.resume is not None
    resume = replace(first.resume, state=json.loads(json.dumps(first.resume.state)))
    second = parse(BLOCK.format(2).encode(), REPORT, resume=resume)
    assert second.readings[0].line == 8
    assert second.readings[0].span.start == len(data)


def test_empty_file_that_may_grow_is_no_error() -> None:
    assert parse(b"", REPORT, final=False) == Parsed(resume=Resume())
    with pytest.raises(ParseError, match="something to read"):
        parse(b"", REPORT)
    with pytest.raises(ParseError, match="lines labelled s or v"):
        parse(b"\n", BLANK)


RULED = form_of(
    "block = 'rule'\nrule = '-+'\nend = 'over'\nignore = 'page .*'\nlast_label = 'ok'", TWO
)


def test_rules_page_headings_and_end_mark() -> None:
    data = b"---\ns: a\n\fpage 2\n\nv: 1\nok: yes\n---\ns: b\nv: 2\nok:\nover\n"
    assert values(parse(data, RULED)) == [("a", "1"), ("b", "2")]
    assert parse(data, RULED).faults == ()
    assert expected(parse(data + b"s: c\n", RULED)) == ["12: nothing behind the end mark"]
    assert expected(parse(data + b"\xff\n", RULED)) == ["12: text in utf-8"]
    assert expected(parse(data[:-5], RULED)) == ["10: the end mark over"]
    assert values(parse(data[:-1], RULED)) == [("a", "1"), ("b", "2")]
    assert parse(data[:-1], RULED).faults == ()


def test_block_without_its_last_label_is_refused() -> None:
    got = parse(b"s: a\nv: 1\n---\nover\n", RULED)
    assert expected(got) == ["1: a block that ends with ok"]


COUNTED = form_of("block = 'label'\nfirst_label = 'n'", "[fields.sequence]\nlabel = 'n'\n" + TWO)


def test_first_label_begins_a_block() -> None:
    got = parse(b"n: 1\ns: a\nv: 1\n\nn: 2\nv: 2\ns: b\n", COUNTED)
    assert [r.identity for r in got.readings] == [("1",), ("2",)]
    got = parse(b"s: z\nv: 1\nn: 1\ns: a\nv: 1\n", COUNTED)
    assert expected(got) == ["1: a block that begins with n", "1: a line labelled n"]
    assert len(got.readings) == 1


OPTIONAL = form_of(
    "block = 'blank'\nother_labels = 'lamp'",
    TWO + "\n[fields.dilution]\nlabel = 'd'\nrequired = 'no'",
    "dilution_applied = true",
)


def test_unknown_label_is_refused_only_where_it_may_be_a_damaged_one() -> None:
    assert parse(b"s: a\nv: 1\nlamp: 3\n", OPTIONAL).faults == ()
    assert parse(b"s: a\nv: 1\nd: 2\nroom: 3\n", OPTIONAL).faults == ()
    got = parse(b"s: a\nv: 1\ne: 10\n", OPTIONAL)
    assert expected(got) == ["3: a label that the form reads, or names in other_labels"]
    assert got.readings == ()
    assert parse(b"lamp: 3\n\ns: a\nv: 1\n", OPTIONAL).faults == ()


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        (b"no separator\n", "a line with a label and ':'"),
        (b": 4\n", "a line with a label and ':'"),
        (b"x: " + b"y" * 100 + b"\n", "a line of at most 60 characters"),
        (b"x: \x1b\n", "a line without control characters"),
        (b"v: 1\n", "one line labelled v in a block"),
    ],
)
def test_line_that_is_not_understood_spoils_its_block_only(line: bytes, problem: str) -> None:
    form = form_of("block = 'blank'", TWO, "[limits]\nline_length = 60")
    got = parse(b"s: a\nv: 1\n" + line + b"\ns: b\nv: 2\n", form)
    assert values(got) == [("b", "2")]
    assert expected(got) == [f"3: {problem}"]


def test_unknown_lines_alone_are_one_fault_each() -> None:
    got = parse(b"heading\n\ns: b\nv: 2\n", BLANK)
    assert values(got) == [("b", "2")]
    assert expected(got) == ["1: a line with a label and ':'"]


def test_blocks_have_a_cap() -> None:
    form = form_of("block = 'blank'", TWO, "[limits]\nrows = 1")
    got = parse(b"s: a\nv: 1\n\ns: b\nv: 2\n\ns: c\n", form)
    assert values(got) == [("a", "1")]
    assert expected(got) == ["4: at most 1 blocks"]


def test_unit_that_comes_twice_is_refused() -> None:
    form = form_of(
        "block = 'blank'",
        "[fields.value]\nlabel = 'v'\nunit_follows = true\n"
        "[fields.place]\nlabel = 'p'\nprefix = 'no. '",
    )
    assert parse(b"v: 1 mg/L\np: no. 4\n", form).readings[0].fields["place"] == "4"
    got = parse(b"v: 1 mg/L\np: nr. 4\n", form)
    assert expected(got) == ["2: text that begins with 'no. '"]


def test_unended_last_line_is_read_only_where_the_form_allows_it() -> None:
    data = b"s: a\nv: 1\n\ns: b\nv: 2"
    assert values(parse(data, BLANK)) == [("a", "1")]
    lenient = form_of("block = 'blank'", TWO, "[text]\nlast_line = 'any'")
    assert values(parse(data, lenient)) == [("a", "1"), ("b", "2")]
    assert values(parse(b"s: a\nv: 1\n  ", BLANK)) == [("a", "1")]
    assert parse(b"s: a\nv: 1\n\n\xff", BLANK).faults[0].found == "byte 0xFF"


def test_blank_or_unended_words_behind_the_end_mark() -> None:
    data = b"s: a\nv: 1\nok: yes\nover\n"
    assert parse(data + b"\n\n", RULED).faults == ()
    assert expected(parse(data + b"more", RULED)) == ["5: nothing behind the end mark"]
