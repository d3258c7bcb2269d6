"""What is rendered is what is read, for every layout and every way to close a frame."""

from collections.abc import Mapping
from datetime import datetime

import pytest

from ingestd.demo.photometer import invent_readings
from ingestd.demo.rendering import print_time, render_frame
from parsers.cells import TimeGrammar
from parsers.forms import Form, load_form
from parsers.frame import parse
from tests.ingestd.sources.lines import shipped

BEGIN = datetime(2026, 2, 28, 23, 58)  # noqa: DTZ001 - wall time of an instrument
SHIPPED = ["checked_line", "plain_line"]


def form(frame: str, fields: str = "") -> Form:
    cells = fields or "[fields.sample]\nposition = 1\n[fields.value]\nposition = 2\n"
    text = f'shape = "frame"\n[numbers]\ndecimal = "."\n[frame]\n{frame}\n{cells}'
    return load_form(text.encode(), "tried")


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_forms_read_what_was_rendered(name: str) -> None:
    made = shipped(name)
    readings = invent_readings(made, begin=BEGIN, seed=5)
    wanted = [next(readings) for _ in range(300)]
    parsed = parse(b"".join(render_frame(made, values) for values in wanted), made)
    assert parsed.faults == ()
    assert [filled(reading.fields) for reading in parsed.readings] == [
        filled(values) for values in wanted
    ]


def filled(fields: Mapping[str, str]) -> dict[str, str]:
    return {name: text for name, text in fields.items() if text}


# Check values: those published for "123456789" in the CRC RevEng catalogue, and the worked frame
# of the XOR and the sum, by hand: 31^...^39 = 31, sum of 31..39 = 1DD.
@pytest.mark.parametrize(
    ("check", "want"),
    [
        ('{ name = "CRC-16/XMODEM" }', b"\x0212345678931C3\x03"),
        ('{ name = "CRC-16/MODBUS", written = "big" }', b"\x02123456789\x4b\x37\x03"),
        ('{ name = "CRC-16/KERMIT", written = "little" }', b"\x02123456789\x89\x21\x03"),
        ('{ name = "CRC-16/ARC", place = "after_end" }', b"\x02123456789\x03BB3D"),
        ('{ name = "XOR" }', b"\x0212345678931\x03"),
        ('{ name = "SUM-8" }', b"\x02123456789DD\x03"),
        ('{ name = "SUM-8", covers_end = true }', b"\x02123456789E0\x03"),
        ('{ name = "SUM-8", covers_start = true }', b"\x02123456789DF\x03"),
    ],
)
def test_check_values_stand_as_published(check: str, want: bytes) -> None:
    made = form(
        f'start = "\\u0002"\nend = "\\u0003"\nchecksum = {check}\nlayout = "delimited"',
        "[fields.value]\nposition = 1\n",
    )
    assert render_frame(made, {"value": "123456789"}) == want


LAYOUTS = {
    "length_decimal": form(
        'start = ":"\nlength_field = { offset = 1, size = 3, written = "decimal", adds = 4 }\n'
        'unchecked = true\nlayout = "delimited"\ncells = 2'
    ),
    "length_binary": form(
        'start = "\\u0001"\nlength_field = { offset = 1, size = 2 }\nunchecked = true\n'
        'layout = "delimited"\ncells = 2\nend = "\\u0004"'
    ),
    "length_hex_checked": form(
        'start = ":"\nlength_field = { offset = 1, size = 2, written = "hex" }\n'
        'checksum = { name = "CRC-16/USB", written = "big" }\nlayout = "delimited"'
    ),
    "fixed": form(
        'start = "$"\nend = "\\r"\nlength = 16\nunchecked = true\nlayout = "fixed"',
        "[fields.sample]\nstart = 1\nend = 8\n[fields.value]\nstart = 9\nend = 14\n",
    ),
    "pairs": form(
        'end = "\\r\\n"\nunchecked = true\nlayout = "pairs"\ndelimiter = ";"',
        '[fields.sample]\nlabel = "id"\n[fields.value]\nlabel = ["val", "value"]\n'
        '[fields.remark]\nlabel = "rem"\nrequired = "no"\n',
    ),
    "silence": form(
        'idle_end_ms = 200\nchecksum = { name = "XOR" }\nlayout = "delimited"\ndelimiter = ";"'
    ),
}


@pytest.mark.parametrize("name", LAYOUTS)
def test_every_layout_is_read_back(name: str) -> None:
    made = LAYOUTS[name]
    values = {"sample": "S-17", "value": "12.50"}
    parsed = parse(render_frame(made, values), made)
    assert parsed.faults == ()
    assert [filled(reading.fields) for reading in parsed.readings] == [values]


@pytest.mark.parametrize(
    ("name", "values", "words"),
    [
        ("pairs", {"sample": "a;b"}, "which parts cells"),
        ("pairs", {"colour": "red"}, "has no place for colour"),
        ("fixed", {"sample": "123456789"}, "longer than its 8 characters"),
        ("pairs", {"sample": "a\r\nb"}, "opens or closes a frame"),
        ("pairs", {"sample": "x" * 5000}, "the form allows 4096"),
    ],
)
def test_text_that_does_not_fit_is_refused(name: str, values: dict[str, str], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        render_frame(LAYOUTS[name], values)


def test_other_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match="is of shape table, not frame"):
        render_frame(shipped("comma_table"), {})


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        ("YYYY-MM-DDThh:mm:ss", "2026-02-03T14:05:09"),
        ("DD.MM.YY hh:mm", "03.02.26 14:05"),
        ("M/D/YYYY h:mm AP", "2/3/2026 2:05 PM"),
        ("D-MON-YYYY hh:mm:ss.f", "3-II-2026 14:05:09.250"),
        ("hh:mm:ssZZ", "14:05:09+00:00"),
    ],
)
def test_time_is_printed_by_the_pattern_and_read_by_it(pattern: str, text: str) -> None:
    months = ("I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII")
    at = datetime(2026, 2, 3, 14, 5, 9, 250_000)  # noqa: DTZ001 - wall time
    assert print_time(pattern, at, months) == text
    assert str(TimeGrammar(pattern, months).read(text)).endswith(
        ("14:05:09.250000", "14:05:09", "14:05:00")
    )


@pytest.mark.parametrize(
    ("hour", "shown"), [(0, "12 AM"), (11, "11 AM"), (12, "12 PM"), (23, "11 PM")]
)
def test_noon_and_midnight_on_a_twelve_hour_clock(hour: int, shown: str) -> None:
    # ISO 8601 has no such clock; 12 AM is midnight and 12 PM noon by common practice, no source.
    at = datetime(2026, 2, 3, hour)  # noqa: DTZ001 - wall time
    assert print_time("h AP", at) == shown
