"""A form that is wrong is refused with its key, its value and what is allowed."""

import re
from pathlib import Path

import pytest

from parsers import FormError, load_form

FORMS = Path(__file__).parents[2] / "parsers" / "forms"
TABLE = """shape = "table"
[numbers]
decimal = "."
[table]
delimiter = ","
[fields.value]
column = "x"
"""
REPORT = """shape = "report"
[numbers]
decimal = "."
[report]
block = "blank"
[fields.value]
label = "x"
"""
BARE = TABLE.replace('delimiter = ","', 'delimiter = ","\nheader = "none"\ncells = 2').replace(
    'column = "x"', "position = 1"
)
WIDE = TABLE.replace('[fields.value]\ncolumn = "x"\n', "[fields.value]\n").replace(
    "[fields.value]", "[table.wide]\npattern = '(?P<method>.+)'\n[fields.value]"
)


TIME = "[fields.time]\ncolumn = 't'\npatterns = 'hh:mm'\n"


def refused(text: str) -> FormError:
    with pytest.raises(FormError) as caught:
        load_form(text.encode(), "mine")
    assert str(caught.value).startswith("form mine: ")
    return caught.value


@pytest.mark.parametrize("text", [TABLE, REPORT, BARE, WIDE])
def test_sound_forms_load(text: str) -> None:
    assert load_form(text.encode(), "mine").name == "mine"


@pytest.mark.parametrize("path", sorted(FORMS.glob("*.toml")), ids=lambda path: path.stem)
def test_shipped_forms_load_and_say_what_they_are(path: Path) -> None:
    form = load_form(path.read_bytes(), path.stem)
    assert form.title
    assert form.identity
    assert form.name == path.stem


@pytest.mark.parametrize(
    ("text", "key", "problem"),
    [
        ("x = ", "(file)", "is not TOML"),
        ('name = "a"', "name", "comes from the file name"),
        ('shape = "list"', "shape", "is not one of the allowed values"),
        (TABLE + 'colour = "red"', "fields.value.colour", "is not a key of the form language"),
        (TABLE + "[extra]", "extra", "is not a key of the form language"),
        (TABLE.replace('delimiter = ","', ""), "table.delimiter", "is missing"),
        (TABLE.replace('","', '"::"'), "table", "delimiter is one character"),
        (TABLE.replace('","', "'\"'"), "table", "neither a line end nor the quote"),
        (TABLE.replace('","', '",\\n"'), "table", "delimiter is one character"),
        (
            TABLE.replace('","', '","\nquote = ""\nline_breaks_in_quotes = true'),
            "table",
            "needs a quote",
        ),
        (TABLE.replace('","', '","\ncells = 3'), "table", "without header names"),
        (TABLE.replace('","', '","\nheader = "none"'), "table", "needs cells"),
        (TABLE.replace('","', '","\nignore = "("'), "table.ignore.0", "no regular|not a regular"),
        (TABLE + "[report]\nblock = 'blank'", "report", "does not go with shape table"),
        (TABLE.replace("table", "report", 1), "table", "does not go with shape report"),
        (TABLE + "[fields.Sample]\ncolumn = 's'", "fields.Sample", "lower-case"),
        (TABLE + "[fields.sample]\n", "fields.sample", "exactly one place, not none"),
        (
            TABLE + "[fields.sample]\ncolumn = 's'\nconstant = 't'",
            "fields.sample",
            "exactly one place, not column and constant",
        ),
        (TABLE + "[fields.sample]\nstart = 1\nend = 2", "fields.sample.start", "does not go with"),
        (TABLE + "[fields.sample]\nstart = 1", "fields.sample", "stated together"),
        (TABLE + "[fields.sample]\nstart = 3\nend = 2", "fields.sample", "end lies before start"),
        (TABLE + "kind = 'text'", "fields.value.kind", "always read as number"),
        (TABLE.replace('decimal = "."', ""), "fields.value.decimal", "state the decimal mark"),
        (TABLE + "thousands = '.'", "fields.value.thousands", "cannot be the decimal mark"),
        (TABLE + "below = 'o'\nabove = 'o'", "fields.value.below", "two things"),
        (TABLE + "below = 'o'\nno_value = 'o'", "fields.value.below", "two things"),
        (TABLE + "[fields.date]\ncolumn = 'd'", "fields.date.patterns", "state how a date"),
        (TABLE + "patterns = 'YYYY'", "fields.value.patterns", "dates and times, not with number"),
        (TABLE.replace("column", "label"), "table.header", "no field is found by a column name"),
        (
            TABLE.replace("[fields.value]", "[fields.sample]"),
            "fields",
            "needs value or absorbance",
        ),
        (
            TABLE + "[fields.dilution]\ncolumn = 'd'",
            "dilution_applied",
            "must be stated where the instrument prints a dilution",
        ),
        ("identity = ['lot']\n" + TABLE, "identity", "names a field that the form lacks"),
        ("units = { a = 'b' }\n" + TABLE, "units.a", "is no known unit"),
        (
            TABLE + "unit_follows = true\n[fields.unit]\ncolumn = 'u'",
            "fields.unit",
            "comes from two places",
        ),
        (
            TABLE.replace("column = ", "column_pattern = '(?P<method>.)'#")
            + "[fields.method]\ncolumn = 'u'",
            "fields.method",
            "comes from two places",
        ),
        (TABLE + "[fields.lot]\ncolumn = 'l'\nunit_follows = true", "fields.lot.unit_follows", ""),
        (
            TABLE + "[fields.lot]\ncolumn_pattern = 'l'\nrequired = 'no'",
            "fields.lot.required",
            "never optional",
        ),
        (BARE + "[fields.lot]\nposition = 3", "fields.lot.position", "behind the last cell"),
        (BARE + "[fields.lot]\nlabel = 'l'", "table.header_pattern", "is missing"),
        (BARE.replace("cells", "blocks = 'blank'\ncells"), "table.blocks", "needs header_pattern"),
        (WIDE + "column = 'x'", "fields.value", "takes its place from"),
        (WIDE + "[fields.method]\ncolumn = 'm'", "fields.method", "two places"),
        (WIDE.replace("P<method>", "P<unit>"), "table.wide", "needs a group named method"),
        (WIDE.replace("pattern", "columns = []\n#"), "table.wide", "either columns or pattern"),
        (
            BARE.replace("[fields", "[table.wide]\npattern = '(?P<method>.)'\n[fields", 1).replace(
                "position = 1", ""
            ),
            "table.wide",
            "needs a header with names",
        ),
        (REPORT.replace('"blank"', '"rule"'), "report", "rule is stated exactly"),
        (REPORT.replace('"blank"', '"label"'), "report", "first_label is stated exactly"),
        (REPORT.replace('"x"', "3"), "fields.value.label", "valid tuple"),
    ],
)
def test_wrong_form_names_key_and_problem(text: str, key: str, problem: str) -> None:
    error = refused(text)
    assert error.key == key
    assert re.search(problem, error.problem)


@pytest.mark.parametrize(
    ("kind", "pattern", "problem"),
    [
        ("date", "YYYY-MM", "exactly a date"),
        ("date", "YYYY-MM-DD hh", "exactly a date"),
        ("time", "hh", "exactly a time"),
        ("time", "hh:mm.f", "fraction without a second"),
        ("date", "YYYY-YY-MM-DD", "one part twice"),
        ("datetime", "MDYYYY hh:mm", "nothing parts M from D"),
        ("date", "YYYY-MON-DD", "twelve names"),
        ("date", "YYYY-DDD", "no part of a date|one part twice"),
        ("date", "YYYY week DD", "no part of a date"),
    ],
)
def test_wrong_time_pattern_is_refused(kind: str, pattern: str, problem: str) -> None:
    error = refused(TABLE + f"[fields.{kind}]\ncolumn = 'd'\npatterns = '{pattern}'")
    assert re.search(problem, error.problem)


def test_month_names_are_twelve() -> None:
    assert "twelve" in refused(TABLE + "[fields.date]\ncolumn = 'd'\nmonths = ['a']").problem


def test_allowed_values_and_keys_are_listed() -> None:
    assert refused('shape = "list"').allowed == ("table", "report", "frame")
    assert "column" in refused(TABLE + "colum = 'y'").allowed
    assert "delimiter" in refused(TABLE.replace("delimiter", "delimeter")).allowed
    assert "name" not in refused("x = 1").allowed
    wide = "[table.wide]\ncolumns = [{ column = 'a', method = 'b', unti = 'c' }]\n[fields.value]"
    form = TABLE.replace('[fields.value]\ncolumn = "x"', wide)
    assert refused(form).allowed == ("column", "method", "unit")
    assert refused(TABLE + "[fields.sample]\nlabl = 'y'").key == "fields.sample.labl"


def test_bytes_that_are_no_text_are_refused() -> None:
    with pytest.raises(FormError, match="byte 1 is not UTF-8"):
        load_form(b"#\xff", "mine")


@pytest.mark.parametrize(
    ("more", "identity"),
    [
        ("", ("value",)),
        ("[fields.sample]\ncolumn = 's'\n", ("sample", "value")),
        (
            "[fields.sample]\ncolumn = 's'\n[fields.method]\ncolumn = 'm'\n" + TIME,
            ("time", "sample", "method", "value"),
        ),
        ("[fields.sequence]\ncolumn = 'n'\n[fields.method]\ncolumn = 'm'\n", ("sequence",)),
    ],
)
def test_identity_left_out_is_time_sample_method_and_value(
    more: str, identity: tuple[str, ...]
) -> None:
    form = load_form((TABLE + more).encode(), "mine")
    assert form.identity == identity
    assert form.sequenced == ("sequence" in identity)


def test_identity_of_a_wide_table_always_holds_the_method() -> None:
    assert load_form(WIDE.encode(), "w").identity == ("method", "value")
    numbered = WIDE + "[fields.sequence]\ncolumn = 'n'\n"
    assert load_form(numbered.encode(), "w").identity == ("sequence", "method")


FRAME = """shape = "frame"
[numbers]
decimal = "."
[frame]
end = "\\r"
unchecked = true
layout = "delimited"
cells = 1
[fields.value]
position = 1
"""


@pytest.mark.parametrize(
    ("text", "key", "problem"),
    [
        (FRAME.replace('"\\r"', '"\u2022"'), "frame.end", "not one byte"),
        (FRAME.replace('"\\r"', "13"), "frame.end", "bytes"),
        (FRAME.replace('end = "\\r"', ""), "frame", "needs one of end"),
    ],
)
def test_frame_bytes_are_characters_of_one_byte(text: str, key: str, problem: str) -> None:
    assert load_form(FRAME.encode(), "mine").frame is not None
    error = refused(text)
    assert error.key == key
    assert re.search(problem, error.problem)


def test_faults_beside_the_one_named_are_counted() -> None:
    text = TABLE + '[limits]\nrows = "many"\nfields = "many"\nline_length = "many"\n'
    with pytest.raises(FormError, match=r"\(and 2 more\)"):
        load_form(text.encode(), "mine")
