"""The examples and tables of parsers/README.md hold."""

import re
from pathlib import Path

import pytest

from parsers import load_form, parse
from parsers.form_keys import FieldRules, Limits, NumberRules, RecogniseRules, TextRules
from parsers.form_model import Form, FrameRules, ReportRules, TableRules

README = (Path(__file__).parents[2] / "parsers" / "README.md").read_text("utf-8")


def example(heading: str) -> tuple[str, str]:
    """The sample text and the form under a heading."""
    section = README.split(f"## {heading}", maxsplit=1)[1]
    blocks = dict(
        re.findall(r"```(text|toml)\n(.*?)```", section.split("\n## ")[0], re.DOTALL)[:2]
    )
    return blocks["text"], blocks["toml"]


def test_table_example_reads_as_the_text_says() -> None:
    text, toml = example("A table, worked through")
    got = parse(text.encode(), load_form(toml.encode(), "example"))
    assert got.faults == ()
    first, second = got.readings
    assert (str(first.value), first.unit, first.dilution) == ("43.1", "mg/L", None)
    assert str(first.measured_at) == "2026-03-02 09:14:00"
    assert (second.value, second.censored, str(second.dilution)) == (None, ">", "10")
    assert first.spans["instrument"] == second.spans["instrument"]


def test_report_example_reads_as_the_text_says() -> None:
    text, toml = example("A report, worked through")
    got = parse(text.encode(), load_form(toml.encode(), "example"))
    assert got.faults == ()
    assert [(str(r.value), r.unit, r.identity) for r in got.readings] == [
        ("43.1", "mg/L", ("17",)),
        ("512", "mg/L", ("18",)),
    ]


@pytest.mark.parametrize(
    "rules",
    [
        Form,
        FieldRules,
        TableRules,
        ReportRules,
        FrameRules,
        TextRules,
        NumberRules,
        Limits,
        RecogniseRules,
    ],
    ids=lambda rules: rules.__name__,
)
def test_every_key_of_the_form_language_is_documented(rules: type[Form]) -> None:
    for key in set(rules.model_fields) - {"name", "fields"}:
        assert re.search(rf"[`.\[ ]{key}[`\] =.]", README), key
