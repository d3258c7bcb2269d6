"""Messages inside frames: readings with their places, or precise faults. All bytes are made up."""

import json
import random
import re
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.checksums import CHECKSUMS
from parsers.errors import FormError, ParseError
from parsers.forms import Form, FrameRules, load_form
from parsers.frame import Framer, FrameReader, parse, parse_frame, parse_in_parts
from parsers.framer import Frame
from parsers.readings import Fault, Parsed, Reading, Resume, Span

FORMS = Path(__file__).parents[2] / "parsers" / "forms"


def shipped(name: str) -> Form:
    return load_form((FORMS / f"{name}.toml").read_bytes(), name)


CHECKED, PLAIN = shipped("checked_line"), shipped("plain_line")

PAIRS = load_form(
    b"""
    shape = "frame"
    identity = ["sequence"]
    [numbers]
    decimal = ","
    [frame]
    start = ":"
    length_field = { offset = 1, size = 3, written = "decimal", adds = 6 }
    checksum = { name = "XOR", written = "hex" }
    layout = "pairs"
    delimiter = ";"
    [fields.sequence]
    label = ["RUN", "RUN NO"]
    [fields.sample]
    label = "CUP"
    [fields.value]
    label = "SEEN"
    unit_follows = true
    below_marks = ["<"]
    [fields.remark]
    label = "SAID"
    required = "place"
    """,
    "counted_pairs",
)

FIXED = load_form(
    b"""
    shape = "frame"
    identity = ["sample", "value"]
    [text]
    encodings = ["utf-8"]
    [numbers]
    decimal = "."
    [frame]
    start = "#"
    end = "\\n"
    length = 24
    unchecked = true
    layout = "fixed"
    [fields.sample]
    start = 1
    end = 8
    [fields.value]
    start = 9
    end = 15
    [fields.unit]
    start = 17
    end = 22
    """,
    "fixed_frame",
)


def check(name: str, data: bytes) -> bytes:
    width = CHECKSUMS[name].width
    return f"{CHECKSUMS[name].compute(data):0{2 * width}X}".encode()


def checked_line(message: str) -> bytes:
    body = message.encode("ascii")
    return b"\x02" + body + b"\x03" + check("CRC-16/XMODEM", body + b"\x03") + b"\r"


def counted(message: str) -> bytes:
    body = f"{len(message.encode()):03d}{message}".encode()
    return b":" + body + check("XOR", body)


GOOD = checked_line("0042|2031-03-04 09:15:30|Inlet 7|COD|<152|mg/L O2|1+9|0.321|")
NEXT = checked_line("0043|2031-03-04 09:16:10|Inlet 8|COD|HI|mg/L O2|1||cloudy?")
LINE = b"17;04.03.2031 09:15:00;Inlet 7;NO2N;0.125;mg/L N;3\r\n"
PAIR = counted("RUN=9;CUP=Outlet;SEEN=<0,25 \u00b5g/L P;SAID=")
CELLS = b"#Basin 3    4.50 mg/L   \n"[:23] + b"\n"
CASES = {
    "checked_line": (CHECKED, GOOD),
    "checked_line_over_range": (CHECKED, NEXT),
    "plain_line": (PLAIN, LINE),
    "counted_pairs": (PAIRS, PAIR),
    "fixed_frame": (FIXED, CELLS),
}


def assert_spans_hold_the_fields(parsed: Parsed, data: bytes) -> None:
    for reading in parsed.readings:
        assert reading.spans.keys() == reading.fields.keys()
        for name, span in reading.spans.items():
            assert reading.span.start <= span.start < span.end <= reading.span.end
            assert data[span.start : span.end].decode() == reading.fields[name]


def test_checked_line_becomes_a_reading_with_its_places() -> None:
    parsed = parse(GOOD, CHECKED)
    (reading,) = parsed.readings
    assert parsed.faults == ()
    assert parsed.complete_to == len(GOOD)
    assert (reading.value, reading.censored) == (Decimal(152), "<")
    assert (reading.unit, reading.basis) == ("mg/L", "O2")
    assert reading.measured_at == datetime(2031, 3, 4, 9, 15, 30)  # noqa: DTZ001 - wall time
    assert (reading.dilution, reading.dilution_applied) == (Decimal(10), True)
    assert reading.absorbance == Decimal("0.321")
    assert reading.identity == ("2031-03-04 09:15:30", "0042")
    assert reading.sequenced
    assert "remark" not in reading.fields
    assert reading.span == Span(0, len(GOOD))
    assert reading.line == 0
    assert_spans_hold_the_fields(parsed, GOOD)


def test_other_layouts_become_readings() -> None:
    (line,) = parse(LINE, PLAIN).readings
    assert (line.sample, line.value, line.unit, line.basis) == (
        "Inlet 7",
        Decimal("0.125"),
        "mg/L",
        "N",
    )
    (pair,) = parse(PAIR, PAIRS).readings
    assert (pair.sample, pair.value, pair.censored) == ("Outlet", Decimal("0.25"), "<")
    assert (pair.unit, pair.basis) == ("ug/L", "P")
    (fixed,) = parse(CELLS, FIXED).readings
    assert (fixed.sample, str(fixed.value), fixed.unit) == ("Basin 3", "4.50", "mg/L")


@pytest.mark.parametrize("case", CASES)
def test_frame_is_read_whole_byte_by_byte_and_with_the_next_behind_it(case: str) -> None:
    form, data = CASES[case]
    (reading,) = parse(data, form).readings
    assert parse(data[:-1], form, final=False).readings == ()
    assert parse(data[:-1], form, final=False).faults == ()
    assert parse(data, form, final=False).readings == (reading,)
    doubled = parse(data + data, form)
    assert doubled.readings[0] == reading
    assert len(doubled.readings) == 2
    assert doubled.faults == ()
    assert_spans_hold_the_fields(doubled, data + data)


@pytest.mark.parametrize("case", CASES)
def test_reading_in_two_goes_is_the_same_wherever_the_first_stops(case: str) -> None:
    form, data = CASES[case]
    stream = b"?" + data[:-3] + data + b"\x00" + data + data + data[:5]
    want = parse(stream, form)
    assert want.readings
    assert want.faults
    for cut in range(len(stream) + 1):
        first = parse(stream[:cut], form, final=False)
        assert first.resume is not None
        assert first.resume.offset == first.complete_to <= cut
        resume = Resume(offset=first.complete_to, state=dict(first.resume.state))
        rest = parse(stream[first.complete_to :], form, resume=resume)
        assert first.readings + rest.readings == want.readings
        assert first.faults + rest.faults == want.faults
    assert_spans_hold_the_fields(want, stream)


@pytest.mark.parametrize("case", CASES)
def test_frame_cut_anywhere_is_a_fault_and_no_reading(case: str) -> None:
    form, data = CASES[case]
    whole = parse(data, form).readings
    for cut in range(1, len(data)):
        parsed = parse(data[:cut], form)
        assert len(parsed.readings) + len(parsed.faults) == 1
        # Only the carriage return behind a checked frame may be missing.
        assert not parsed.readings or (
            form is CHECKED and cut == len(data) - 1 and parsed.readings[0].value == whole[0].value
        )


@pytest.mark.parametrize("case", CASES)
def test_changed_byte_is_a_fault_or_shows_in_a_span(case: str) -> None:
    form, data = CASES[case]
    (whole,) = parse(data, form).readings
    for index in range(len(data)):
        for flip in (0x01, 0x04, 0x10, 0x20, 0x80, 0xFF):
            damaged = bytearray(data)
            damaged[index] ^= flip
            parsed = parse(bytes(damaged), form)
            for reading in parsed.readings:
                if reading.fields == whole.fields and reading.spans == whole.spans:
                    continue
                assert form.frame is not None
                assert form.frame.unchecked
                shown = [span for span in reading.spans.values() if span.start <= index < span.end]
                beside = reading.spans != whole.spans  # a blank became text or text a blank
                assert shown or beside
            assert parsed.readings or parsed.faults


FAULTY = [
    (
        "cell_missing",
        PLAIN,
        b"17;04.03.2031 09:15:00;Inlet 7;NO2N;0.125;mg/L\r\n",
        Fault(
            offset=0,
            line=0,
            field="",
            expected="7 cells parted by ';', not 6",
            found="17;04.03.2031 09:15:00;Inlet 7;NO2N;0.12",
        ),
    ),
    (
        "two_decimal_marks",
        PLAIN,
        LINE.replace(b"0.125", b"0.1.5"),
        Fault(
            offset=36,
            line=0,
            field="value",
            expected="a number with one decimal mark '.', not 2",
            found="0.1.5",
        ),
    ),
    (
        "impossible_date",
        PLAIN,
        LINE.replace(b"04.03", b"31.02"),
        Fault(
            offset=3,
            line=0,
            field="datetime",
            expected="a datetime that exists, written DD.MM.YYYY hh:mm:ss",
            found="31.02.2031 09:15:00",
        ),
    ),
    (
        "control_character",
        PLAIN,
        LINE.replace(b"Inlet", b"In\x00et"),
        Fault(offset=25, line=0, field="", expected="printable characters", found="\\x00"),
    ),
    (
        "line_end_inside",
        PLAIN,
        LINE.replace(b"Inlet", b"In\net"),
        Fault(
            offset=23,
            line=0,
            field="sample",
            expected="text without line ends",
            found="In\\net 7",
        ),
    ),
    (
        "byte_not_ascii",
        PLAIN,
        LINE.replace(b"Inlet", b"In\xc4et"),
        Fault(offset=25, line=0, field="", expected="text in ascii", found="byte 0xC4"),
    ),
    (
        "label_twice",
        PAIRS,
        counted("RUN=9;CUP=A;CUP=B;SEEN=1 mg/L;SAID="),
        Fault(offset=16, line=0, field="sample", expected="label 'CUP' once", found="CUP=B"),
    ),
    (
        "label_missing",
        PAIRS,
        counted("RUN=9;CUP=A;SEEN=1 mg/L;"),
        Fault(offset=28, line=0, field="remark", expected="label 'SAID'", found=""),
    ),
    (
        "pair_without_separator",
        PAIRS,
        counted("RUN=9;CUP;CUP=A;SEEN=1 mg/L;SAID="),
        Fault(offset=10, line=0, field="", expected="label=text", found="CUP"),
    ),
    (
        "unit_missing_behind_number",
        PAIRS,
        counted("RUN=9;CUP=A;SEEN=12;SAID="),
        Fault(offset=23, line=0, field="unit", expected="a unit behind the number", found=""),
    ),
    (
        "check_value_wrong",
        CHECKED,
        GOOD[:-5] + b"0000\r",
        Fault(
            offset=0,
            line=0,
            field="",
            expected=f"CRC-16/XMODEM check value {GOOD[-5:-1].decode()}",
            found="0000",
        ),
    ),
    (
        "noise_in_front",
        CHECKED,
        b"\x00\xff" + GOOD,
        Fault(
            offset=0,
            line=0,
            field="",
            expected="start of a frame (\\x02)",
            found="\\x00\\xff",
        ),
    ),
]


@pytest.mark.parametrize(
    ("form", "data", "fault"), [row[1:] for row in FAULTY], ids=[row[0] for row in FAULTY]
)
def test_damage_is_named_exactly(form: Form, data: bytes, fault: Fault) -> None:
    parsed = parse(data, form)
    assert parsed.faults[0] == fault
    assert len(parsed.faults) == 1 + (b"0000\r" in data)  # the CR of a damaged frame is outside


def test_fault_leaves_the_frames_around_it_readable() -> None:
    parsed = parse(GOOD + GOOD[:20] + NEXT + GOOD, CHECKED)
    assert [reading.fields["sequence"] for reading in parsed.readings] == ["0042", "0043", "0042"]
    assert [fault.offset for fault in parsed.faults] == [len(GOOD)]


def test_unknown_label_is_a_fault_only_without_a_checksum() -> None:
    message = "RUN=9;CUP=A;SEEN=1 mg/L;SAID=;MORE=7"
    assert len(parse(counted(message), PAIRS).readings) == 1
    toml = b"""
    shape = "frame"
    [numbers]
    decimal = "."
    [frame]
    end = "\\r\\n"
    unchecked = true
    layout = "pairs"
    delimiter = " "
    [fields.value]
    label = "SEEN"
    """
    form = load_form(toml, "loose")
    assert len(parse(b"SEEN=1\r\n", form).readings) == 1
    (fault,) = parse(b"SEEN=1 SEEM=2\r\n", form).faults
    assert (fault.offset, fault.expected) == (7, "one of the labels SEEN")


def test_short_frame_of_a_checked_form_names_the_missing_place() -> None:
    toml = b"""
    shape = "frame"
    [numbers]
    decimal = "."
    [frame]
    end = "\\n"
    checksum = { name = "SUM-8" }
    layout = "LAYOUT"
    [fields.sample]
    FIRST
    [fields.value]
    LAST
    [fields.remark]
    BEHIND
    required = "no"
    [fields.instrument]
    constant = "P-4"
    """
    for layout, first, last, behind, message, expected in (
        (
            "delimited",
            "position=1",
            "position=2",
            "position=3",
            b"A",
            "2 cells parted by ',', not 1",
        ),
        (
            "fixed",
            "start=1\nend=2",
            "start=3\nend=6",
            "start=7\nend=9",
            b"AB",
            "at least 3 characters, not 2",
        ),
    ):
        text = toml.decode().replace("LAYOUT", layout).replace("FIRST", first)
        text = text.replace("LAST", last).replace("BEHIND", behind)
        form = load_form(text.encode(), "short")
        (fault,) = parse(message + check("SUM-8", message) + b"\n", form).faults
        assert (fault.field, fault.expected, fault.offset) == ("value", expected, len(message))


def test_missing_prefix_of_a_cell_is_named_and_absent_optional_cell_is_not() -> None:
    toml = b"""
    shape = "frame"
    [numbers]
    decimal = "."
    [frame]
    end = "\\n"
    checksum = { name = "SUM-8" }
    layout = "delimited"
    [fields.value]
    position = 1
    prefix = "C="
    [fields.remark]
    position = 2
    required = "no"
    [fields.instrument]
    constant = "P-4"
    """
    form = load_form(toml, "prefixed")
    (reading,) = parse(b"C=1.5" + check("SUM-8", b"C=1.5") + b"\n", form).readings
    assert (reading.value, reading.fields["instrument"]) == (Decimal("1.5"), "P-4")
    (fault,) = parse(b"D=1.5" + check("SUM-8", b"D=1.5") + b"\n", form).faults
    assert (fault.field, fault.offset, fault.found) == ("value", 0, "D=1.5")
    assert fault.expected == "text that begins with 'C='"


def test_declared_single_byte_page_is_read_and_utf8_places_are_bytes() -> None:
    toml = (FORMS / "plain_line.toml").read_text(encoding="utf-8")
    latin = load_form(toml.replace('"ascii"', '"utf-8", "iso-8859-1"').encode(), "two_pages")
    for encoding, end in (("utf-8", 30), ("iso-8859-1", 29)):
        data = LINE.decode().replace("Inlet", "Zuläuf").encode(encoding)
        (reading,) = parse(data, latin).readings
        assert reading.sample == "Zuläuf 7"
        assert reading.spans["sample"] == Span(23, end + 2)
        span = reading.spans["value"]
        assert data[span.start : span.end] == b"0.125"


def test_nothing_to_read_is_said_and_a_line_not_yet_used_is_not_blamed() -> None:
    with pytest.raises(ParseError, match="nothing to read"):
        parse(b"", PLAIN)
    assert parse(b"", PLAIN, final=False) == Parsed(resume=Resume(state={"mid_stream": False}))


def test_more_frames_than_the_form_allows_are_one_fault() -> None:
    toml = (FORMS / "plain_line.toml").read_bytes() + b"\n[limits]\nrows = 2\n"
    form = load_form(toml, "two_rows")
    assert parse(LINE * 2, form).faults == ()
    parsed = parse(LINE * 4, form)
    assert len(parsed.readings) == 2
    (fault,) = parsed.faults
    assert (fault.offset, fault.expected) == (2 * len(LINE), "at most 2 frames (limits.rows)")
    assert parsed.complete_to == 4 * len(LINE)


def test_long_capture_comes_in_parts_that_join_to_the_whole() -> None:
    data = LINE * 9000
    parts = list(parse_in_parts(data, PLAIN))
    assert [len(part.readings) for part in parts] == [512] * 17 + [296, 0]
    assert [part.complete_to for part in parts] == [
        len(LINE) * count for count in (*range(512, 9000, 512), 9000, 9000)
    ]
    assert tuple(r for part in parts for r in part.readings) == parse(data, PLAIN).readings


def test_single_frame_of_a_framer_is_read_with_its_offset_in_the_stream() -> None:
    assert CHECKED.frame is not None
    framer = Framer(CHECKED.frame, offset=100)
    framer.receive(GOOD + NEXT.replace(b"HI", b"XX"))
    frame = framer.next_frame()
    assert isinstance(frame, Frame)
    (reading,) = parse_frame(frame, CHECKED).readings
    assert reading.span == Span(100, 100 + len(GOOD))
    odd = Frame(offset=5, data=b"1|2", payload_start=0, payload_end=3)
    parsed = parse_frame(odd, CHECKED)
    assert (parsed.readings, len(parsed.faults), parsed.complete_to) == ((), 1, 8)


def test_form_of_another_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="is of shape table, not frame"):
        FrameReader(shipped("point_table"))


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ('end = "\\r\\n"', "", "needs one of end, length, length_field, idle_end_ms"),
        (
            'end = "\\r\\n"',
            "length = 9\nlength_field = { offset = 0, size = 1 }",
            "states either length or length_field",
        ),
        ("cells = 7", "", "needs cells"),
        ("unchecked = true", "", "needs either a checksum"),
        ("unchecked = true", 'checksum = { name = "CRC-16" }', "is no checksum known here"),
        ('end = "\\r\\n"', "length = 20", "needs idle_end_ms"),
        ('end = "\\r\\n"', "length = 500\nidle_end_ms = 9", "length is over limit"),
        ('delimiter = ";"', 'delimiter = ""', "at least one character"),
        ("limit = 160", "poll_every_ms = 10", "needs the bytes to send in poll"),
        ('layout = "delimited"', 'layout = "fixed"', "needs length"),
        ('encodings = ["ascii"]', 'encodings = ["utf-16"]', "one byte a character"),
    ],
)
def test_unsafe_or_senseless_form_is_refused(old: str, new: str, problem: str) -> None:
    toml = (FORMS / "plain_line.toml").read_text(encoding="utf-8")
    assert old in toml
    with pytest.raises(FormError, match=problem):
        load_form(toml.replace(old, new).encode(), "wrong")


TEXTS = st.text(
    st.characters(min_codepoint=33, max_codepoint=126, exclude_characters="|"), min_size=1
)
TIMES = st.datetimes(
    datetime(2000, 1, 1),  # noqa: DTZ001 - wall time
    datetime(2099, 1, 1),  # noqa: DTZ001 - wall time
)
NUMBERS = st.decimals(0, 10**6, allow_nan=False, allow_infinity=False, places=3)


@settings(max_examples=150)
@given(
    rows=st.lists(
        st.tuples(
            st.integers(0, 9999),
            TIMES,
            TEXTS,
            NUMBERS,
        ),
        min_size=1,
        max_size=4,
    )
)
def test_values_written_in_the_form_are_read_back_digit_for_digit(
    rows: Sequence[tuple[int, datetime, str, Decimal]],
) -> None:
    stream = b"".join(
        checked_line(f"{number:04d}|{at:%Y-%m-%d %H:%M:%S}|{sample}|PO4|{value}|mg/L P|x10||")
        for number, at, sample, value in rows
        if len(sample) < 100
    )
    if not stream:
        return
    parsed = parse(stream, CHECKED)
    assert parsed.faults == ()
    got = [(r.fields["sequence"], r.measured_at, r.sample, str(r.value)) for r in parsed.readings]
    want = [
        (f"{number:04d}", at.replace(microsecond=0), sample, str(value))
        for number, at, sample, value in rows
        if len(sample) < 100
    ]
    assert got == want


FRAGMENTS = st.sampled_from(
    [
        b"\x02",
        b"\x03",
        b"\r\n",
        b";",
        b"|",
        b":",
        b"#",
        b"=",
        b"0.5",
        b"mg/L",
        GOOD,
        LINE,
        PAIR,
        CELLS,
    ]
)


@settings(max_examples=300)
@given(
    case=st.sampled_from(sorted(CASES)),
    parts=st.lists(FRAGMENTS | st.binary(max_size=8), max_size=10),
    final=st.booleans(),
)
def test_any_bytes_give_readings_faults_or_a_parse_error(
    case: str, parts: list[bytes], *, final: bool
) -> None:
    form, _ = CASES[case]
    data = b"".join(parts)
    try:
        parsed = parse(data, form, final=final)
    except ParseError:
        assert not data
        return
    assert_spans_hold_the_fields(parsed, data)
    assert parsed.complete_to <= len(data)
    if final:
        assert parsed.complete_to == len(data)
        assert parsed.readings or parsed.faults or not data


def test_wrong_readings_of_a_damaged_checked_line_stay_within_theory() -> None:
    """CRC-16 misses 2**-16 of the damaged frames: of 5,000 with damage less than one."""
    chance = random.Random(16)
    sent: set[str] = set()
    read = faults = 0
    for number in range(5000):
        value = f"{chance.randrange(10**5)}.{chance.randrange(10)}"
        sent.add(f"{number:04d} {value}")
        frame = bytearray(checked_line(f"{number:04d}|2031-03-04 09:15:30|A|COD|{value}|mg/L|1||"))
        for index in range(len(frame)):
            if chance.random() < 0.02:
                frame[index] ^= chance.randrange(1, 256)
        parsed = parse(bytes(frame), CHECKED)
        read += len(parsed.readings)
        faults += len(parsed.faults)
        for reading in parsed.readings:
            assert f"{reading.fields['sequence']} {reading.value}" in sent
    assert read > 1000
    assert faults > 2000


FIXTURES = Path(__file__).parents[2] / "fixtures"
FRAME_CASES = sorted(
    path.parent.relative_to(FIXTURES).as_posix() for path in FIXTURES.glob("*/*/input.bin")
)


def form_of(case: str) -> Form:
    own = FIXTURES / case / "form.toml"
    name = case.partition("/")[0]
    return load_form(own.read_bytes(), name) if own.exists() else shipped(name)


def as_json(reading: Reading, wanted: dict[str, Any]) -> dict[str, Any]:
    """The reading in the words of expected.json, as far as that file says anything."""
    said = {
        "method": reading.method,
        "sample": reading.sample,
        "value": reading.value,
        "censored": reading.censored or None,
        "unit": reading.unit,
        "basis": reading.basis,
        "measured_at": reading.measured_at and reading.measured_at.isoformat(),
        "absorbance": reading.absorbance,
        "dilution": reading.dilution,
    }
    plain: dict[str, Any] = {key: str(value) for key, value in said.items() if value is not None}
    plain |= {"line": reading.line, "identity": list(reading.identity)}
    if "fields" in wanted:
        plain["fields"] = {name: reading.fields[name] for name in wanted["fields"]}
    return plain


@pytest.mark.parametrize("case", FRAME_CASES)
def test_fixture_gives_exactly_the_expected_readings_and_faults(case: str) -> None:
    data = (FIXTURES / case / "input.bin").read_bytes()
    wanted = json.loads((FIXTURES / case / "expected.json").read_text("utf-8"))
    form = form_of(case)
    parsed = parse(data, form)
    assert [
        as_json(*pair) for pair in zip(parsed.readings, wanted["readings"], strict=True)
    ] == wanted["readings"]
    assert [asdict(fault) for fault in parsed.faults] == wanted["faults"]
    assert_spans_hold_the_fields(parsed, data)
    assert "made up" in (FIXTURES / case / "SOURCE.md").read_text("utf-8")


@pytest.mark.parametrize("case", FRAME_CASES)
def test_fixture_in_single_bytes_and_with_the_next_behind_it_is_the_same(case: str) -> None:
    data = (FIXTURES / case / "input.bin").read_bytes()
    form = form_of(case)
    whole = parse(data, form)
    readings: list[Reading] = []
    faults: list[Fault] = []
    resume = Resume()
    for end in range(1, len(data) + 1):
        step = parse(data[resume.offset : end], form, final=end == len(data), resume=resume)
        readings += step.readings
        faults += step.faults
        assert step.resume is not None
        resume = step.resume
    assert (tuple(readings), tuple(faults)) == (whole.readings, whole.faults)
    behind = parse(data + data, form)
    assert behind.readings[: len(whole.readings)] == whole.readings


def test_fixtures_show_every_layout_of_a_frame_whole_and_damaged() -> None:
    layouts = {form.frame.layout for form in map(form_of, FRAME_CASES) if form.frame is not None}
    assert layouts == {"delimited", "fixed", "pairs"}
    for name in {case.partition("/")[0] for case in FRAME_CASES}:
        kinds = {"damage" in case for case in FRAME_CASES if case.startswith(f"{name}/")}
        assert kinds == {True, False}, name


README = Path(__file__).parents[2] / "parsers" / "README.md"


def test_worked_example_of_the_readme_is_read_by_the_form_beside_it() -> None:
    section = README.read_text("utf-8").partition("\n## Frames")[2]
    line, toml = section.split("```")[1].strip(), section.split("```toml\n")[1].partition("```")[0]
    words = {"STX ": "\x02", " ETX ": "\x03", " CR": "\r"}
    for word, character in words.items():
        assert line.count(word) == 1
        line = line.replace(word, character)
    parsed = parse(line.encode("ascii"), load_form(toml.encode(), "readme"))
    assert parsed.faults == ()
    (reading,) = parsed.readings
    assert (str(reading.value), reading.dilution, reading.sample) == (
        "152.0",
        Decimal(10),
        "Inlet 7",
    )


def test_readme_names_every_checksum_and_every_key_of_a_frame() -> None:
    section = README.read_text("utf-8").partition("\n## Frames")[2].partition("\n## ")[0]
    for name in CHECKSUMS:
        assert f"`{name.removeprefix('CRC-16/')}`" in section or f"`{name}`" in section, name
    for key in FrameRules.model_fields:
        assert re.search(rf"\b{key}\b", section), key
