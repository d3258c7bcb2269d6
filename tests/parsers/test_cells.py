"""Numbers, times, dilutions and units, strictly as declared."""

import csv
import json
from collections.abc import Callable
from datetime import date, datetime, time
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import load_form
from parsers.cells import (
    CellError,
    Measured,
    NumberGrammar,
    TimeGrammar,
    compile_readers,
    shown,
    split_unit,
    trimmed,
)
from parsers.units import Unit

DATA = Path(__file__).parent / "data"


def rows_of(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def reader(field: str, rules: str, *, more: str = "") -> Callable[[str], object]:
    text = f'shape = "report"\n{more}\n[numbers]\ndecimal = "."\n[report]\nblock = "blank"\n'
    if field == "dilution":
        text = "dilution_applied = false\n" + text
    if field != "value":
        text += '[fields.value]\nlabel = "v"\n'
    text += f'[fields.{field}]\nlabel = "x"\n{rules}\n'
    return compile_readers(load_form(text.encode(), "f"))[field]


def refusal(read: Callable[[str], object], text: str) -> str:
    with pytest.raises(CellError) as caught:
        read(text)
    return caught.value.expected


@pytest.mark.parametrize("row", rows_of("number_texts.csv"), ids=lambda row: row["id"])
def test_numbers_are_read_as_the_declared_marks_say(row: dict[str, str]) -> None:
    grammar = NumberGrammar(row["decimal"], row["thousands"])
    text = json.loads(row["text"])
    if row["expected"] == "refused":
        with pytest.raises(CellError):
            grammar.read(text)
    else:
        assert str(grammar.read(text)) == row["expected"]


@given(
    value=st.decimals(allow_nan=False, allow_infinity=False, places=4, min_value=-(10**9))
    | st.integers(-(10**12), 10**12).map(Decimal),
    marks=st.sampled_from([".", ",", ".,", ",.", ".'", ", ", ".\u202f"]),
)
def test_number_written_with_marks_is_read_back_digit_for_digit(
    value: Decimal, marks: str
) -> None:
    decimal, thousands = marks[0], marks[1:]
    text = f"{value:,f}" if thousands else f"{value:f}"
    text = text.replace(",", "_").replace(".", decimal).replace("_", thousands)
    if len(text) <= 40:
        assert str(NumberGrammar(decimal, thousands).read(text)) == f"{value:f}"


@given(st.text(max_size=12))
def test_no_text_is_a_number_unless_it_is_made_of_ascii_digits_and_marks(text: str) -> None:
    try:
        value = NumberGrammar(".", "").read(text)
    except CellError:
        return
    assert set(text) <= set("+-0123456789.")
    assert str(value) == str(Decimal(text))


def test_longest_number_is_forty_characters() -> None:
    assert NumberGrammar(".", "").read("1" * 40) == Decimal("1" * 40)
    assert "at most 40" in refusal(NumberGrammar(".", "").read, "1" * 41)


def test_tokens_and_marks_for_below_above_and_nothing() -> None:
    read = reader(
        "value",
        'below = "low"\nabove = ["high", "++"]\nno_value = "--"\n'
        'below_marks = ["<", "under "]\nabove_marks = ">"',
    )
    assert read("low") == Measured(None, "<")
    assert read("++") == Measured(None, ">")
    assert read("--") == Measured(None, "")
    assert read("< 0.50") == Measured(Decimal("0.50"), "<")
    assert read("under 3") == Measured(Decimal(3), "<")
    assert read(">1500") == Measured(Decimal(1500), ">")
    assert "decimal mark" in refusal(read, "<<3")
    assert "decimal mark" in refusal(read, "Low")


def test_no_value_token_of_any_other_field_reads_as_nothing() -> None:
    assert reader("dilution", 'no_value = "none"')("none") is None
    assert reader("sample", 'no_value = "?"')("?") is None
    assert reader("sample", 'no_value = "?"')("a") == "a"


@pytest.mark.parametrize("row", rows_of("dilution_texts.csv"), ids=lambda row: row["text"])
def test_dilution_notations(row: dict[str, str]) -> None:
    read = reader("dilution", f'ratio = "{row["ratio"]}"' if row["ratio"] else "")
    if row["expected"] == "refused":
        refusal(read, row["text"])
    else:
        assert read(row["text"]) == Decimal(row["expected"])


def test_undeclared_ratio_is_refused_with_the_reason() -> None:
    assert "10 in some laboratories and 11 in others" in refusal(reader("dilution", ""), "1:10")


def test_whole_numbers_and_units() -> None:
    read = reader("place", 'kind = "integer"')
    assert read("-12") == -12
    for text in ("1.0", "", "٣", "1" * 41, "1_0"):
        assert refusal(read, text) == "a whole number"
    unit = reader("unit", "", more='units = { MPL = "mg/L N" }')
    assert unit("MPL") == Unit("mg/L", "N")
    assert unit("µg/L") == Unit("ug/L", None)
    assert "declared in [units]" in refusal(unit, "furlong")


@pytest.mark.parametrize("row", rows_of("rfc3339_times.csv"), ids=lambda row: row["id"])
def test_rfc3339_texts(row: dict[str, str]) -> None:
    read = reader("datetime", 'patterns = ["YYYY-MM-DDThh:mm:ssZZ", "YYYY-MM-DDThh:mm:ss.fZZ"]')
    text = json.loads(row["text"])
    if row["wall_time"]:
        assert row["is_valid"] == "yes"
        assert read(text) == datetime.fromisoformat(row["wall_time"])
    else:
        assert row["is_valid"] == "no" or row["remark"]
        refusal(read, text)


@pytest.mark.parametrize(
    ("pattern", "text", "expected"),
    [
        ("DD.MM.YYYY", "29.02.2028", date(2028, 2, 29)),
        ("D/M/YY", "1/12/26", date(2026, 12, 1)),
        ("D/M/YY", "01/02/99", date(2099, 2, 1)),
        ("MM-DD-YYYY", "02-01-2026", date(2026, 2, 1)),
        ("YYYYMMDD", "20260302", date(2026, 3, 2)),
        ("hh:mm", "00:00", time(0, 0)),
        ("h:mm AP", "12:05 am", time(0, 5)),
        ("h:mm AP", "12:05 PM", time(12, 5)),
        ("h:mmAP", "1:05PM", time(13, 5)),
        ("hh:mm:ss.f", "23:59:59.5", time(23, 59, 59, 500000)),
        ("hhmmss", "235959", time(23, 59, 59)),
        ("YYYY-MM-DD hh:mm", "2026-03-29 02:30", datetime(2026, 3, 29, 2, 30)),  # noqa: DTZ001 - wall time
    ],
)
def test_times_are_read_by_their_pattern(pattern: str, text: str, expected: object) -> None:
    assert TimeGrammar(pattern).read(text) == expected


@pytest.mark.parametrize(
    ("pattern", "text", "problem"),
    [
        ("DD.MM.YYYY", "29.02.2027", "exists"),
        ("DD.MM.YYYY", "31.04.2026", "exists"),
        ("DD.MM.YYYY", "1.4.2026", "written"),
        ("DD.MM.YYYY", "01.04.26", "written"),
        ("DD.MM.YYYY", "01.13.2026", "exists"),
        ("YYYY-MM-DD", "0000-01-01", "exists"),
        ("YYYY-MM-DD", "2026-03-02 ", "written"),
        ("YYYY-MM-DD", "2026-03-0٢", "written"),
        ("hh:mm", "24:00", "exists"),
        ("hh:mm", "12:60", "exists"),
        ("h:mm AP", "0:05 AM", "exists"),
        ("h:mm AP", "13:05 PM", "exists"),
        ("hh:mm:ss", "12:00:60", "exists"),
    ],
)
def test_dates_and_times_that_do_not_fit_or_exist_are_refused(
    pattern: str, text: str, problem: str
) -> None:
    assert problem in refusal(TimeGrammar(pattern).read, text)


def test_month_names_are_the_forms_own_in_any_case() -> None:
    months = tuple("Jan Feb Mrz Apr Mai Jun Jul Aug Sep Okt Nov Dez".split())  # noqa: SIM905 - twelve words on one line
    grammar = TimeGrammar("D MON YYYY", months)
    assert grammar.read("2 MRZ 2026") == date(2026, 3, 2)
    refusal(grammar.read, "2 mar 2026")


def test_two_patterns_that_disagree_are_refused_not_ranked() -> None:
    read = reader("date", 'patterns = ["DD/MM/YYYY", "MM/DD/YYYY"]')
    assert read("05/05/2026") == date(2026, 5, 5)
    assert read("13/05/2026") == date(2026, 5, 13)
    assert "both fit and disagree" in refusal(read, "04/05/2026")
    assert "exists" in refusal(read, "31/31/2026")
    assert "DD/MM/YYYY or a date written MM/DD/YYYY" in refusal(read, "soon")


@given(st.datetimes(min_value=datetime(1000, 1, 1)))  # noqa: DTZ001 - wall time as printed
def test_moment_written_by_a_pattern_is_read_back(moment: datetime) -> None:
    text = moment.strftime("%d.%m.%Y %I:%M:%S.%f %p")
    assert TimeGrammar("DD.MM.YYYY hh:mm:ss.f AP").read(text) == moment


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("43.1 mg/L", 4),
        ("43.1mg/L", 4),
        ("< 5 mg/L", 3),
        ("low mg/L", 3),
        ("low", 3),
        ("n.a. x", 4),
    ],
)
def test_unit_behind_a_number_is_parted_from_it(text: str, at: int) -> None:
    form = load_form(
        b'shape = "report"\n[numbers]\ndecimal = "."\n[report]\nblock = "blank"\n[fields.value]\n'
        b'label = "v"\nunit_follows = true\nbelow = "low"\nbelow_marks = "<"\nno_value = "n.a."\n',
        "f",
    )
    rules = form.fields["value"]
    assert split_unit(NumberGrammar.of(form, rules), rules, text) == at


def test_token_that_begins_with_a_shorter_one_is_taken_whole() -> None:
    form = load_form(
        b'shape = "report"\n[numbers]\ndecimal = "."\n[report]\nblock = "blank"\n'
        b'[fields.value]\nlabel = "v"\nunit_follows = true\nbelow = ["low", "low range"]\n',
        "f",
    )
    rules = form.fields["value"]
    numbers = NumberGrammar.of(form, rules)
    assert split_unit(numbers, rules, "low range mg/L") == len("low range")
    assert split_unit(numbers, rules, "low mg/L") == len("low")


def test_no_number_leaves_the_whole_text_to_be_refused() -> None:
    form = load_form(
        b'shape = "report"\n[numbers]\ndecimal = "."\n[report]\nblock = "blank"\n'
        b'[fields.value]\nlabel = "v"\nunit_follows = true\n',
        "f",
    )
    rules = form.fields["value"]
    assert split_unit(NumberGrammar.of(form, rules), rules, "mg/L 5") == 6


def test_text_is_shown_escaped_and_short() -> None:
    assert shown("a\0b\tµ") == "a\\x00b\\tµ"
    assert shown("x" * 60) == "x" * 40
    assert trimmed(" \u00a0a b\t") == (2, 5)
    assert trimmed("  ") == (2, 2)
