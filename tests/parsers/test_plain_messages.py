"""Frames read in runs give what they give one by one."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import Fault, Form, Reading, load_form, parse
from parsers.checksums import CHECKSUMS
from parsers.frame import FrameReader, as_fault
from parsers.framer import Frame, Framer

FORMS = Path(__file__).parents[2] / "parsers" / "forms"
CHECKED = load_form((FORMS / "checked_line.toml").read_bytes(), "checked_line")
CELLS = [
    ["0042", "", " 7 ", "1\t2"],
    ["2031-03-04 09:15:30", "2031-02-30 09:15:30", ""],
    ["Inlet 7", "", "a\nb", "\x07", "\u00e4"],
    ["COD", ""],
    ["152.0", "<152", "HI", "1,5", ""],
    ["mg/L O2", "spoons", ""],
    ["1+9", "", "1:10"],
    ["0.321", "", "x"],
    ["", "cloudy?", "a|b"],
]


def framed(message: str) -> bytes:
    body = message.encode()
    value = CHECKSUMS["CRC-16/XMODEM"].compute(body + b"\x03")
    return b"\x02" + body + b"\x03" + f"{value:04X}".encode() + b"\r"


GOOD = framed("|".join(cells[0] for cells in CELLS))


def one_by_one(data: bytes, form: Form) -> tuple[list[Reading], list[Fault]]:
    reader = FrameReader(form)
    framer = Framer(reader.rules)
    framer._usual = None
    framer.receive(data)
    framer.end_of_silence()
    readings: list[Reading] = []
    faults: list[Fault] = []
    while (answer := framer.next_frame()) is not None:
        got = reader.read(answer) if isinstance(answer, Frame) else [as_fault(answer)]
        if isinstance(got, Reading):
            readings.append(got)
        else:
            faults += got
    return readings, faults


message = st.tuples(*map(st.sampled_from, CELLS)).map("|".join).map(framed)


@given(
    st.lists(
        message
        | st.sampled_from(
            [GOOD, GOOD * 3, GOOD * 9, GOOD * 20, GOOD[:-1], GOOD[:9], b"\x02", b"x", b"\x03\r"]
        )
        | st.integers(0, len(GOOD) - 1).map(lambda at: GOOD[:at] + b"7" + GOOD[at + 1 :]),
        max_size=30,
    )
)
def test_both_ways_of_reading_agree(messages: list[bytes]) -> None:
    data = b"".join(messages) or GOOD
    whole = parse(data, CHECKED)
    assert (list(whole.readings), list(whole.faults)) == one_by_one(data, CHECKED)
    for reading in whole.readings:
        for name, span in reading.spans.items():
            assert data[span.start : span.end].decode() == reading.fields[name]


def own(frame: str, fields: str = "") -> Form:
    text = f"""
    shape = "frame"
    [text]
    encodings = ["utf-8"]
    [numbers]
    decimal = "."
    [frame]
    layout = "delimited"
    {frame}
    [fields.value]
    position = 1
    {fields}
    """
    return load_form(text.encode(), "own")


@pytest.mark.parametrize(
    "form",
    [
        own("end = '\\n'\nunchecked = true\ncells = 2", "[fields.lot]\nposition = 2"),
        own("end = '\\n'\nunchecked = true\ncells = 2\ndelimiter = ',,'"),
        own("end = '\\n'\nunchecked = true\ncells = 1"),
        own("end = '\\n'\nunchecked = true\ncells = 2", "[fields.lot]\nposition = 3"),
        own("end = '\\n'\nunchecked = true\ncells = 2", "default = '7'"),
        own("end = '\\n'\nunchecked = true\ncells = 2", "unit_follows = true"),
        own("start = '\\u0002'\nend = '\\n'\nunchecked = true\ncells = 2"),
        own(
            "start = '\\u0002'\nend = '\\n'\nlimit = 8\n"
            "checksum = { name = 'XOR', place = 'before_end' }"
        ),
        own("start = '\\u0002'\nend = 'A'\nchecksum = { name = 'XOR' }\ncells = 2"),
        own("start = '\\u0002'\nend = '\\n'\nchecksum = { name = 'XOR', written = 'big' }"),
    ],
)
def test_forms_that_ask_for_more_are_read_as_well(form: Form) -> None:
    assert form.frame is not None
    start, end = form.frame.start, form.frame.end
    messages = [b"1,x", b"2.5,\xc3\xa4", b"1,,x", b"3,y,z", b"9 mg/L,x", b"7", b"1,xA1,2"]
    data = b""
    for body in [b"1,x"] * 20 + messages + [b"2.5,\xc3\xa4"] * 20 + [b"1,\xff"] + [b"1,x"] * 20:
        value = b""
        if form.frame.checksum is not None:
            number = CHECKSUMS["XOR"].compute(body)
            is_hex = form.frame.checksum.written == "hex"
            value = f"{number:02X}".encode() if is_hex else bytes([number])
        data += start + body + value + end
    whole = parse(data, form)
    assert (list(whole.readings), list(whole.faults)) == one_by_one(data, form)
    assert whole.readings or whole.faults
