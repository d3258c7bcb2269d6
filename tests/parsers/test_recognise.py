"""Which form a text is in: one, none or several, with a reason for each."""

import time
from pathlib import Path

import pytest

from parsers import Form, load_form, recognise

ROOT = Path(__file__).parents[2]
SHIPPED = [
    load_form(path.read_bytes(), path.stem)
    for path in sorted((ROOT / "parsers" / "forms").glob("*.toml"))
]


def table(name: str, more: str = "") -> Form:
    text = (
        'shape = "table"\n[numbers]\ndecimal = "."\n[table]\ndelimiter = ","\n'
        f"[fields.value]\ncolumn = 'v'\n{more}"
    )
    return load_form(text.encode(), name)


CASES = ["comma_table/western_page", "labelled_report/any_order", "point_table/plain_day"]


@pytest.mark.parametrize("case", CASES)
def test_each_shipped_form_recognises_its_own_text_only(case: str) -> None:
    data = next((ROOT / "fixtures" / case).glob("input.*")).read_bytes()
    got = recognise(data, SHIPPED)
    assert got.matches == (case.split("/", maxsplit=1)[0],)
    assert set(got.reasons) == {form.name for form in SHIPPED}
    assert all(got.reasons.values())


def test_only_the_beginning_is_looked_at() -> None:
    data = b"v\n" + b"1.5\n" * 20_000 + b"\xff\n" * 20_000
    assert recognise(data, [table("t")]).matches == ("t",)


def test_header_alone_is_enough() -> None:
    got = recognise(b"v\n", [table("t")])
    assert got.matches == ("t",)
    assert "no rows below it yet" in got.reasons["t"]


def test_no_form_is_an_answer_with_reasons() -> None:
    got = recognise(b"something else\n", [table("t")])
    assert got.matches == ()
    assert "a header row with the columns v" in got.reasons["t"]


def test_header_over_rows_that_cannot_be_read_does_not_fit() -> None:
    got = recognise(b"v\n1,5,1\n2,5,1\n", [table("t")])
    assert got.matches == ()
    assert "0 readings and 2 faults" in got.reasons["t"]
    assert "first: line 2" in got.reasons["t"]


def test_some_damaged_rows_do_not_hide_the_form() -> None:
    assert recognise(b"v\n1\nx\n2\n", [table("t")]).matches == ("t",)


def test_two_forms_that_fit_are_both_named() -> None:
    assert recognise(b"v\n1\n", [table("a"), table("b")]).matches == ("a", "b")


def test_identifying_text_decides_between_them() -> None:
    first = table("a", "[recognise]\ncontains = 'Hall 1'")
    second = table("b", "[recognise]\nlacks = ['Hall 1', 'Hall 2']")
    got = recognise(b"Hall 1\nv\n1\n", [first, second])
    assert got.matches == ("a",)
    assert got.reasons["b"] == "the text 'Hall 1' is near the start and must not be"
    got = recognise(b"v\n1\nHall", [first, second])
    assert got.matches == ("b",)
    assert got.reasons["a"] == "the text 'Hall 1' is not near the start"


def test_text_in_another_encoding_does_not_fit() -> None:
    got = recognise("v\n1\n".encode("utf-16"), [table("t", "[text]\nencodings = 'utf-8'")])
    assert "byte order mark" in got.reasons["t"]
    marked = table("t", "[text]\nencodings = 'utf-8'\n[recognise]\ncontains = 'x'")
    assert "byte order mark" in recognise("v\n".encode("utf-16"), [marked]).reasons["t"]


def test_long_words_before_the_header_are_read_further() -> None:
    words = b"words about the day\n" * 40 + b"x" * 3000 + b"\n"
    assert recognise(words + b"v\n1\n" * 10, [table("t")]).matches == ("t",)


def test_recognising_is_quick() -> None:
    data = next((ROOT / "fixtures" / CASES[0]).glob("input.*")).read_bytes() * 200
    recognise(data, SHIPPED)
    times = []
    for _ in range(5):
        start = time.perf_counter()
        recognise(data, SHIPPED[:1])
        times.append(time.perf_counter() - start)
    assert min(times) < 0.005


def test_report_is_recognised_though_its_last_block_is_cut_off() -> None:
    whole = b"Count: 5\nOn: 2026-10-21\nAt: 08:48:54\nTube of: W-1\nLooked for: COD\n"
    whole += b"Found: 296 mg/L\n\n"
    for rest in (b"Count: 6\nOn: 2026-10-21\nAt:", b"Cou", b""):
        assert recognise(whole + rest, SHIPPED).matches == ("labelled_report",)
