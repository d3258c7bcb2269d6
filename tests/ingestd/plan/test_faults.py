import pytest

from ingestd.plan.faults import PlanError, PlanFault, listed, shown


def fault(**places: object) -> PlanFault:
    values = {"file": "", "line": 0, "column": "", "value": "", "problem": "it is torn"}
    return PlanFault(**(values | {"remedy": "mend it"} | places))  # type: ignore[arg-type]  # a test's shorthand


@pytest.mark.parametrize(
    ("places", "sentence"),
    [
        ({}, "it is torn; mend it"),
        ({"file": "a.csv"}, "a.csv: it is torn; mend it"),
        ({"file": "a.csv", "line": 3}, "a.csv, line 3: it is torn; mend it"),
        ({"column": "lot", "value": "K\x00"}, "lot: it is torn (found 'K\\x00'); mend it"),
    ],
)
def test_fault_is_one_sentence_of_what_is_known(places: dict[str, object], sentence: str) -> None:
    assert str(fault(**places)) == sentence


def test_error_says_every_fault_on_a_line_of_its_own() -> None:
    error = PlanError([fault(line=2), fault(line=3)])
    assert str(error) == "line 2: it is torn; mend it\nline 3: it is torn; mend it"


def test_names_are_listed_up_to_a_number_and_counted_beyond() -> None:
    assert listed([]) == "none"
    assert listed(["b", "a"]) == "a, b"
    assert listed("abcde", limit=3) == "a, b, c and 2 more"


def test_long_value_is_cut_to_forty_characters() -> None:
    assert shown("x" * 40) == "x" * 40
    assert shown("x" * 41) == "x" * 39 + "…"
