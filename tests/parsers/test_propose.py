"""Drafts of forms: they load, read their sample, and say what the sample cannot decide.

All samples are made up.
"""

from itertools import product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers import Parsed, ParseError, load_form, parse
from parsers.checksums import CHECKSUMS
from parsers.propose import propose

FORMS = Path(__file__).parents[2] / "parsers" / "forms"

SEMICOLONS = """\
Photometer: P-7 of the inlet hall
Day;Clock;Sample label;Test;Finding (mg/L);Extinction;Note
04.03.2031;09:15;Inlet 7;NH4-N;1,25;0,321;
14.03.2031;09:17;Inlet 8;NH4-N;<0,05;0,011;cloudy
14.03.2031;09:19;Inlet 9;NH4-N;over;2,9;
Rows: 3
"""
WIDE = """\
Sample,Date,NH4-N mg/L,NO3-N (mg/L N),COD [mg/L]
A,03/04/2031,1.25,<0.1,152
B,04/05/2031,2.5,,99
"""
GERMAN = """\
Nr\tProbe\tDatum\tUhrzeit\tVerdünnung\tErgebnis\tEinheit
1\tZulauf\t04-Mär-2031\t9:15\t1:10\t1.234,5\tµg/l
2\tAblauf\t05-Mai-2031\t10:15\t1+0\t34,5\tµg/l
"""
GAPS = """\
Sample    Method      Result   Unit
Inlet 7   NH4-N low   1.25     mg/L
Inlet 8   NH4-N low   0.25     mg/L
"""
BARE = """\
export of a bench photometer
1,2031-03-04T09:15:30,A1,PO4-P,0.25,mg/L
2,2031-03-04T09:16:30,A2,PO4-P,0.35,mg/L
"""
BLANK_LINES = """\
Count: 17
At: 2031-03-04 09:15:30 AM
Bottle: Inlet 7
Looked for: Phosphate
Found: 0.125 mg/L P

Count: 18
At: 2031-03-04 09:16:30 AM
Bottle: Inlet 8
Looked for: Phosphate
Found: <0.05 mg/L P
Note: cloudy
"""
RULES = """\
-----------
Sample = In
Result = 12.5 mg/L
Read at = 2031-03-04 09:15
-----------
Sample = Out
Result = 2.5 mg/L
Read at = 2031-03-14 09:25
-----------
"""
LABELS = """\
Sample: In
Result: 12.5 mg/L
Sample: Out
Result: 2.5 mg/L
Sample: Mid
Result: 3.5 mg/L
"""


def draft_and_parse(data: bytes) -> tuple[str, Parsed]:
    draft = propose(data, "sample.txt")
    return draft, parse(data, load_form(draft.encode(), "draft"))


def doubts(draft: str) -> list[str]:
    """The list at the top, one doubt a line."""
    head = draft.partition("\nshape = ")[0].splitlines()
    return [line.removeprefix("#   ") for line in head if line.startswith("#   ")]


def frame_of(message: str, checksum: str = "CRC-16/MODBUS", *, written: str = "hex") -> bytes:
    check = CHECKSUMS[checksum]
    value = check.compute(message.encode())
    text = f"{value:0{2 * check.width}X}".encode()
    raw = value.to_bytes(check.width, "little")
    return b"\x02" + message.encode() + b"\x03" + (text if written == "hex" else raw) + b"\r\n"


SAMPLES = {
    "semicolons": (
        SEMICOLONS,
        [
            ("Inlet 7", "NH4-N", "1.25", "", "mg/L", "2031-03-04 09:15:00"),
            ("Inlet 8", "NH4-N", "0.05", "<", "mg/L", "2031-03-14 09:17:00"),
            ("Inlet 9", "NH4-N", "None", ">", "mg/L", "2031-03-14 09:19:00"),
        ],
    ),
    "german": (
        GERMAN,
        [
            ("Zulauf", "None", "1234.5", "", "ug/L", "2031-03-04 09:15:00"),
            ("Ablauf", "None", "34.5", "", "ug/L", "2031-05-05 10:15:00"),
        ],
    ),
    "gaps": (
        GAPS,
        [
            ("Inlet 7", "NH4-N low", "1.25", "", "mg/L", "None"),
            ("Inlet 8", "NH4-N low", "0.25", "", "mg/L", "None"),
        ],
    ),
    "bare": (
        BARE,
        [
            ("A1", "PO4-P", "0.25", "", "mg/L", "2031-03-04 09:15:30"),
            ("A2", "PO4-P", "0.35", "", "mg/L", "2031-03-04 09:16:30"),
        ],
    ),
    "blank_lines": (
        BLANK_LINES,
        [
            ("Inlet 7", "Phosphate", "0.125", "", "mg/L", "2031-03-04 09:15:30"),
            ("Inlet 8", "Phosphate", "0.05", "<", "mg/L", "2031-03-04 09:16:30"),
        ],
    ),
    "rules": (
        RULES,
        [
            ("In", "None", "12.5", "", "mg/L", "2031-03-04 09:15:00"),
            ("Out", "None", "2.5", "", "mg/L", "2031-03-14 09:25:00"),
        ],
    ),
    "labels": (
        LABELS,
        [
            ("In", "None", "12.5", "", "mg/L", "None"),
            ("Out", "None", "2.5", "", "mg/L", "None"),
            ("Mid", "None", "3.5", "", "mg/L", "None"),
        ],
    ),
}


@pytest.mark.parametrize("case", SAMPLES)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_draft_reads_its_sample_in_any_unicode_encoding(case: str, encoding: str) -> None:
    text, want = SAMPLES[case]
    _, parsed = draft_and_parse(text.encode(encoding))
    got = [
        (str(r.sample), str(r.method), str(r.value), r.censored, str(r.unit), str(r.measured_at))
        for r in parsed.readings
    ]
    assert got == want
    assert parsed.faults == ()


def test_single_byte_page_is_a_doubt() -> None:
    draft, parsed = draft_and_parse(GERMAN.encode("windows-1252"))
    assert 'encodings = ["windows-1252"]' in draft
    assert any(doubt.startswith("text: not UTF-8") for doubt in doubts(draft))
    assert [reading.unit for reading in parsed.readings] == ["ug/L", "ug/L"]


def test_wide_table_gives_a_reading_for_each_filled_analyte_cell() -> None:
    data = WIDE.replace("03/04", "23/04").encode()
    draft, parsed = draft_and_parse(data)
    assert doubts(draft) == []
    got = [(r.sample, r.method, str(r.value), r.censored, r.basis) for r in parsed.readings]
    assert got == [
        ("A", "NH4-N", "1.25", "", None),
        ("A", "NO3-N", "0.1", "<", "N"),
        ("A", "COD", "152", "", None),
        ("B", "NH4-N", "2.5", "", None),
        ("B", "COD", "99", "", None),
    ]


def test_undecided_date_order_is_said_and_no_date_is_guessed() -> None:
    draft, parsed = draft_and_parse(WIDE.encode())
    (doubt,) = doubts(draft)
    assert doubt.startswith("date: the sample cannot decide between day first and month first")
    assert 'patterns = ["DD/MM/YYYY", "MM/DD/YYYY"]' in draft
    assert parsed.readings == ()
    assert {fault.field for fault in parsed.faults} == {"date"}
    decided = draft.replace('"DD/MM/YYYY", ', "")
    readings = parse(WIDE.encode(), load_form(decided.encode(), "decided")).readings
    assert len(readings) == 5


@pytest.mark.parametrize(
    ("dates", "patterns"),
    [
        (("14.03.2031", "02.03.2031"), '["DD.MM.YYYY"]'),
        (("3/14/2031", "11/2/2031"), '["M/D/YYYY"]'),
        (("2031-03-04", "2031-03-05"), '["YYYY-MM-DD"]'),
        (("04.05.31", "05.05.31"), '["DD.MM.YY", "MM.DD.YY", "YY.MM.DD"]'),
        (("31.05.04", "31.05.05"), '["DD.MM.YY", "YY.MM.DD"]'),
        (("4 March 2031", "15 May 2031"), '["D MON YYYY"]'),
        (
            ("2031-03-04 09:15", "2031-03-04 09:15:30"),
            '["YYYY-MM-DD hh:mm", "YYYY-MM-DD hh:mm:ss"]',
        ),
        (("2031-03-04T09:15:30.25Z", "2031-03-04T09:15:31.5Z"), '["YYYY-MM-DDThh:mm:ss.fZZ"]'),
    ],
)
def test_date_patterns_are_those_that_fit_every_row(dates: tuple[str, str], patterns: str) -> None:
    text = f"Sample;When;Result;Unit\nA;{dates[0]};1.5;mg/L\nB;{dates[1]};2.5;mg/L\n"
    draft = propose(text.encode(), "dates")
    assert f"patterns = {patterns}\n" in draft
    assert ("cannot decide" in draft) == ("YY.MM" in patterns)
    load_form(draft.encode(), "draft")


@pytest.mark.parametrize(
    ("numbers", "decimal", "thousands", "doubt"),
    [
        (("1.5", "2.25"), ".", "", ""),
        (("1,5", "2,25"), ",", "", ""),
        (("1.234,5", "7,5"), ",", ".", ""),
        (("1,234.5", "7.5"), ".", ",", ""),
        (("1'234.5", "7.5"), ".", "'", ""),
        (("1.234", "2.345"), ".", "", "1.234 could also be a number of thousands"),
        (("1,234", "12.5"), ".", ",", "1,234 is taken for a number of thousands"),
        (("1.234.567", "2.345.678"), ",", ".", "no number of the sample has a decimal mark"),
        (("12", "13"), ".", "", "no number of the sample has a decimal mark"),
        (("1,5", "2.5"), ",", ".", "1,5 and 2.5 stand side by side"),
    ],
)
def test_decimal_mark_is_found_or_doubted(
    numbers: tuple[str, str], decimal: str, thousands: str, doubt: str
) -> None:
    text = f"Sample;Method;Result;Unit\nA;COD;{numbers[0]};mg/L\nB;COD;{numbers[1]};mg/L\n"
    draft = propose(text.encode(), "numbers")
    assert f'[numbers]\ndecimal = "{decimal}"\n' in draft
    assert (f'thousands = "{thousands}"\n' in draft) == bool(thousands)
    assert doubts(draft) == ([f"value: {doubt}; correct decimal and thousands"] if doubt else [])
    load_form(draft.encode(), "draft")


def test_dilution_is_kept_as_printed_until_a_person_says_what_it_means() -> None:
    draft, parsed = draft_and_parse(GERMAN.encode())
    assert any(doubt.startswith("dilution_printed:") for doubt in doubts(draft))
    assert [reading.dilution for reading in parsed.readings] == [None, None]
    assert [reading.fields["dilution_printed"] for reading in parsed.readings] == ["1:10", "1+0"]


def test_token_without_a_known_word_is_a_doubt() -> None:
    text = "Sample;Method;Result;Unit\nA;COD;1.5;mg/L\nB;COD;n/a;mg/L\nC;COD;low;mg/L\n"
    text += "D;COD;2.5;mg/L\n"
    draft, parsed = draft_and_parse(text.encode())
    assert doubts(draft) == [
        "value: n/a is taken to mean no value",
        "value: low is taken to mean below",
    ]
    assert [(r.value, r.censored) for r in parsed.readings][1:3] == [(None, ""), (None, "<")]


def test_strange_line_is_passed_over_only_with_a_doubt() -> None:
    draft = propose(SEMICOLONS.encode(), "sample")
    assert 'ignore = ["Rows: 3"]' in draft
    assert any("make sure that they are no readings" in doubt for doubt in doubts(draft))


def test_repeated_header_behind_a_blank_line_begins_another_table() -> None:
    table = "Sample;Method;Result;Unit\nA;COD;1.5;mg/L\nB;COD;2.5;mg/L\n"
    draft, parsed = draft_and_parse(f"{table}\n{table}".encode())
    assert 'blocks = "blank"' in draft
    assert len(parsed.readings) == 4


def test_rows_without_their_last_cells_are_noticed() -> None:
    text = "Sample;Method;Result;Unit;Note\nA;COD;1.5;mg/L;x\nB;COD;2.5;mg/L\nC;COD;2.5;mg/L;\n"
    draft, parsed = draft_and_parse(text.encode())
    assert "short_rows = true" in draft
    assert len(parsed.readings) == 3


def test_long_and_unfinished_samples_are_looked_at_in_part() -> None:
    rows = "".join(f"A{number};COD;{number}.5;mg/L\n" for number in range(9000))
    for encoding in ("utf-8", "utf-16-be"):
        data = ("Sample;Method;Result;Unit\n" + rows[:-1]).encode(encoding)
        draft, parsed = draft_and_parse(data)
        assert any("ends without a line end" in doubt for doubt in doubts(draft))
        assert len(parsed.readings) == 9000


def test_half_a_character_at_the_end_of_the_part_looked_at_does_not_matter() -> None:
    # In UTF-16 the end of one of these letters and the start of the other look like a line end.
    rows = f"{'A' * 80};COD;1.5;mg/L;ਅĀ{'B' * 80}\n" * 400
    for encoding in ("utf-8", "utf-16-le"):
        for shift in range(0, 160, 40):
            head = "Sample;Method;Result;Unit;Note\n" + "A" * shift
            draft = propose((head + rows).encode(encoding), "sample")
            assert doubts(draft) in ([], [f"text: {UTF16_DOUBT}"])
            assert "[fields.sample]" in draft


def test_only_some_strange_lines_are_passed_over_the_rest_become_faults() -> None:
    odd = "".join(f"Remark {letter}\n" for letter in "ABCDEFGHIJKL")
    text = f"Sample;Method;Result;Unit\nA;COD;1.5;mg/L\n{odd}"
    text += "A;COD;1.5;mg/L\n" * 20
    draft, parsed = draft_and_parse(text.encode())
    assert "Remark H" in draft
    assert "Remark I" not in draft
    assert (len(parsed.readings), len(parsed.faults)) == (21, 4)


def test_messages_of_a_serial_line_are_never_taken_for_utf_16() -> None:
    draft = propose(b"\x02" + b"\x00" * 9 + b"|1.5|A\x03", "sample")
    assert "utf-16" not in draft


UTF16_DOUBT = "no byte order mark; every second byte is zero, so this is UTF-16"


def test_table_of_absorbances_alone_has_no_value() -> None:
    draft, parsed = draft_and_parse(b"Sample;Method;Absorbance\nA;COD;0.321\nB;COD;over\n")
    assert "[fields.value]" not in draft
    assert str(parsed.readings[0].absorbance) == "0.321"


def test_absorbance_may_have_another_decimal_mark_than_the_value() -> None:
    text = "Sample;Method;Result;Unit;Extinction\nA;COD;1.234,5;mg/L;1'000.321\n"
    draft, parsed = draft_and_parse(text.encode())
    assert 'decimal = "."\nthousands = "\'"' in draft.partition("[fields.absorbance]")[2]
    (reading,) = parsed.readings
    assert (str(reading.value), str(reading.absorbance)) == ("1234.5", "1000.321")


def test_fields_stated_above_the_header_hold_for_the_rows() -> None:
    text = "Date: 2031-03-04\nOperator: Ada\nClock: none\n\nSample,Time,Result,Unit\n"
    draft, parsed = draft_and_parse((text + "A,09:15,1.5,mg/L\n").encode())
    (reading,) = parsed.readings
    assert str(reading.measured_at) == "2031-03-04 09:15:00"
    assert reading.fields["operator"] == "Ada"
    assert "stands above the header" in draft


def test_date_above_the_header_does_not_take_the_place_of_the_rows_own() -> None:
    text = "Printed: 2031-03-09\nSample,Date,Result,Unit\nA,2031-03-04,1.5,mg/L\n"
    draft, parsed = draft_and_parse(text.encode())
    assert "label" not in draft
    assert parsed.readings[0].fields["date"] == "2031-03-04"


def test_rules_comments_and_totals_among_the_rows_are_passed_over() -> None:
    text = "Sample,Method,Result,Unit\n------\n# day shift\nA,COD,1.5,mg/L\nEnd (1 row)\n"
    draft, parsed = draft_and_parse(text.encode())
    assert "ignore = ['[-=_*+~#. ]{3,}', '#.*', 'End \\(1 row\\)']".replace("'", "") in (
        draft.replace("'", "").replace('"', "")
    )
    assert len(parsed.readings) == 1


def test_report_of_one_block_does_not_show_what_parts_two() -> None:
    draft, parsed = draft_and_parse(b"Tube of: Inlet 7\nRole: x\nRole_2: y\nFound: 2.5 mg/L\n")
    assert any("holds one block" in doubt for doubt in doubts(draft))
    (reading,) = parsed.readings
    assert str(reading.value) == "2.5"
    assert "position" not in reading.fields


def test_second_table_in_a_file_is_left_to_become_faults() -> None:
    first = "analyte=NH4\nbottle,at,amount/mg/L\nm1,08:00,0.40\nm2,08:01,0.55\n"
    text = f"{first}\nanalyte=NO3\nat,amount/mg/L,bottle,said\n08:10,11.0,m1,\n"
    draft, parsed = draft_and_parse(text.encode())
    assert 'blocks = "blank"' in draft
    assert any("is this another table?" in doubt for doubt in doubts(draft))
    assert "ignore" not in draft.replace("match ignore", "")
    assert [(r.method, str(r.value)) for r in parsed.readings] == [
        ("NH4", "0.40"),
        ("NH4", "0.55"),
        ("NO3", "11.0"),
    ]
    other, parsed = draft_and_parse(text.replace("analyte=NO3\nat,", "at,odd,").encode())
    assert any("is this another table?" in doubt for doubt in doubts(other))
    assert [str(reading.value) for reading in parsed.readings] == ["0.40", "0.55"]
    assert parsed.faults


def test_other_columns_of_numbers_are_pointed_out() -> None:
    text = "Bottle number;COD;Ammonium;Initials\nA-1;43,1;0,52;rk\nA-2;512;<1,0;rk\n"
    draft, parsed = draft_and_parse(text.encode())
    assert any("'Ammonium' hold numbers as well" in doubt for doubt in doubts(draft))
    assert [reading.sample for reading in parsed.readings] == ["A-1", "A-2"]
    assert parsed.readings[0].fields["operator"] == "rk"


def test_number_beside_an_absorbance_is_no_value_without_a_sign_of_it() -> None:
    text = "tube -> 1\nlamp hours -> 120\nabsorbance -> 0.4410\n"
    draft, parsed = draft_and_parse(text.encode())
    assert "[fields.value]" not in draft
    assert any("rename it to value if it is the result" in doubt for doubt in doubts(draft))
    assert str(parsed.readings[0].absorbance) == "0.4410"


def test_unit_in_the_place_of_a_number_is_no_token() -> None:
    text = "Sample;Result;Unit\nA;1.5;mg/L\nB;mg/L;2.5\nC;2.5;mg/L\n"
    draft, parsed = draft_and_parse(text.encode())
    assert "no_value" not in draft
    assert [reading.sample for reading in parsed.readings] == ["A", "C"]


def test_another_algorithm_that_fits_as_well_is_named() -> None:
    xor, total = CHECKSUMS["XOR"].compute, CHECKSUMS["SUM-8"].compute
    names = map("".join, product("ABDHPQaeip", repeat=4))
    messages = (f"{name}|1.5" for name in names)
    replica = next(text for text in messages if xor(text.encode()) == total(text.encode()))
    assert any(
        "SUM-8 would fit the checksum as well" in doubt
        for doubt in doubts(propose(frame_of(replica, "XOR"), "x"))
    )


def test_unit_behind_the_number_goes_before_a_unit_column() -> None:
    text = "Sample;Method;Result;Unit\nA;COD;1.5 mg/L;mg/L\nB;COD;2.5 mg/L;mg/L\n"
    draft, parsed = draft_and_parse(text.encode())
    assert "[fields.unit_printed]" in draft
    assert [reading.unit for reading in parsed.readings] == ["mg/L", "mg/L"]


def test_columns_of_one_name_made_plain_are_told_apart() -> None:
    text = "Sample;Method;Result;Unit;Lamp %;Lamp #\nA;COD;1.5;mg/L;0.5;0.7\n"
    draft, parsed = draft_and_parse(text.encode())
    assert "[fields.lamp]" in draft
    assert "[fields.lamp_2]" in draft
    assert parsed.readings[0].fields["lamp_2"] == "0.7"


def test_column_titled_like_a_field_but_holding_something_else_is_kept_as_printed() -> None:
    text = "Date;Sample;Method;Result;Unit\nMonday;A;COD;1.5;mg/L\nMonday;B;COD;2.5;mg/L\n"
    draft, parsed = draft_and_parse(text.encode())
    assert "[fields.date_printed]" in draft
    assert [reading.measured_at for reading in parsed.readings] == [None, None]


def test_month_names_of_no_known_language_are_no_dates() -> None:
    text = "When;Sample;Method;Result;Unit\n04-Xyz-2031;A;COD;1.5;mg/L\n"
    draft = propose(text.encode(), "sample")
    assert "MON" not in draft
    assert "[fields.when]" in draft


FRAMES = [f"{n:03d}|2031-03-04 09:15:3{n}|Inlet {n}|COD|15{n}.5|mg/L|0.32{n}" for n in range(4)]


@pytest.mark.parametrize("name", ["XOR", "SUM-8", "CRC-16/MODBUS", "CRC-16/XMODEM"])
@pytest.mark.parametrize("written", ["hex", "little"])
def test_checksum_of_frames_is_found(name: str, written: str) -> None:
    data = b"".join(frame_of(message, name, written=written) for message in FRAMES)
    draft, parsed = draft_and_parse(data)
    check = f'checksum = {{ name = "{name}", written = "'
    assert check in draft
    assert 'after = "\\r\\n"' in draft
    assert [str(reading.value) for reading in parsed.readings] == [
        "150.5",
        "151.5",
        "152.5",
        "153.5",
    ]
    assert parsed.faults == ()
    assert not any("checksum" in doubt for doubt in doubts(draft))


def test_check_value_in_front_of_the_end_is_found() -> None:
    compute = CHECKSUMS["CRC-16/KERMIT"].compute
    data = b"".join(
        b"\x02" + text.encode() + f"{compute(text.encode()):04X}".encode() + b"\x03"
        for text in FRAMES
    )
    draft, parsed = draft_and_parse(data)
    assert 'place = "before_end"' in draft
    assert len(parsed.readings) == 4


def test_frames_without_a_checksum_are_a_doubt() -> None:
    data = b"".join(b"\x02" + text.encode() + b"\x03" for text in FRAMES)
    draft, parsed = draft_and_parse(data)
    assert "unchecked = true" in draft
    assert any("no checksum agrees" in doubt for doubt in doubts(draft))
    assert len(parsed.readings) == 4


def test_few_frames_do_not_prove_a_checksum() -> None:
    draft = propose(frame_of(FRAMES[0]), "one")
    assert any("so few frames" in doubt for doubt in doubts(draft))


def test_pairs_in_frames_become_labels() -> None:
    data = b"".join(
        frame_of(f"SAMPLE=A{n};RESULT=1.{n} mg/L;METHOD=COD;NOTE={'x' * n}") for n in range(4)
    )
    draft, parsed = draft_and_parse(data)
    assert 'layout = "pairs"' in draft
    assert [reading.sample for reading in parsed.readings] == ["A0", "A1", "A2", "A3"]


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x00\x00\r\n",
        b"nothing that could be a layout",
        b"Sample;Method\nA;COD\nB;COD\n",
        b"Sample: A\nMethod: COD\n",
        b"\x02one word\x03",
        b"\xff\xfe\x00",
        b"\xff\x81\x8d;1\n",
    ],
)
def test_no_layout_is_said(data: bytes) -> None:
    with pytest.raises(ParseError, match="expected"):
        propose(data, "sample")


SHIPPED_SAMPLES = {
    "checked_line": b"".join(
        b"\x02" + body + b"\x03%04X\r" % CHECKSUMS["CRC-16/XMODEM"].compute(body + b"\x03")
        for body in (
            b"%04d|2031-03-04 09:15:3%d|Inlet %d|COD|15%d.5|mg/L|10|0.321|" % (n, n, n, n)
            for n in range(4)
        )
    ),
    "plain_line": b"".join(
        b"%d;%d.03.2031 09:15:00;Inlet %d;NO2N;0.12%d;mg/L N;%d\r\n" % (n, n + 11, n, n, n)
        for n in range(1, 6)
    ),
}


@pytest.mark.parametrize("name", SHIPPED_SAMPLES)
def test_draft_of_a_shipped_layout_reads_the_same_numbers_as_the_shipped_form(name: str) -> None:
    data = SHIPPED_SAMPLES[name]
    _, drafted = draft_and_parse(data)
    shipped = parse(data, load_form((FORMS / f"{name}.toml").read_bytes(), name))
    assert shipped.readings
    for got, want in zip(drafted.readings, shipped.readings, strict=True):
        assert (got.value, got.unit, got.basis) == (want.value, want.unit, want.basis)
        assert (got.sample, got.method, got.measured_at) == (
            want.sample,
            want.method,
            want.measured_at,
        )


PIECES = st.sampled_from(
    [
        *("Date", "Result", "Unit", "Sample", "No", "mg/L", "1.5", "1,5", "<0,5", "2031-03-04"),
        *("04/03/2031", "12:15", "Result [mg/L]", "NO3 mg/L", "", '"q', "1+9", "1:10", "over"),
        *("A=1", "B: 2", "ä", "#1", "0.3 mg/L", "\x02", "\x03", "-----", "\\", "'", "\x7f"),
    ]
) | st.text(max_size=6)


@settings(max_examples=400)
@given(
    rows=st.lists(st.lists(PIECES, max_size=6), max_size=8),
    mark=st.sampled_from(["\t", ";", "|", ",", "   ", ": ", " = "]),
    encoding=st.sampled_from(["utf-8", "utf-16"]),
)
def test_any_draft_loads(rows: list[list[str]], mark: str, encoding: str) -> None:
    data = "\n".join(mark.join(row) for row in rows).encode(encoding, errors="ignore")
    try:
        draft = propose(data, "sample")
    except ParseError:
        return
    load_form(draft.encode(), "draft")


@settings(max_examples=200)
@given(st.binary(max_size=60))
def test_any_bytes_give_a_draft_or_a_parse_error(data: bytes) -> None:
    try:
        draft = propose(data, "sample")
    except ParseError:
        return
    load_form(draft.encode(), "draft")


FIXTURES = Path(__file__).parents[2] / "fixtures"
LAYOUTS = sorted(
    path.parent.relative_to(FIXTURES).as_posix()
    for path in FIXTURES.glob("*/*/input.*")
    if "damage" not in path.parent.name
)


@pytest.mark.parametrize("case", LAYOUTS)
def test_draft_reads_a_fixture_as_its_own_form_does_or_says_what_it_doubts(case: str) -> None:
    data = next((FIXTURES / case).glob("input.*")).read_bytes()
    own = FIXTURES / case / "form.toml"
    path = own if own.exists() else FORMS / f"{case.partition('/')[0]}.toml"
    want = [str(r.value) for r in parse(data, load_form(path.read_bytes(), "own")).readings]
    try:
        draft, parsed = draft_and_parse(data)
    except ParseError:
        return
    same = [str(reading.value) for reading in parsed.readings] == want
    assert same or (doubts(draft) and parsed.faults)


def test_most_fixtures_can_be_drafted() -> None:
    drafted = 0
    for case in LAYOUTS:
        data = next((FIXTURES / case).glob("input.*")).read_bytes()
        try:
            _, parsed = draft_and_parse(data)
        except ParseError:
            continue
        drafted += bool(parsed.readings)
    assert drafted >= 12, f"{drafted} of {len(LAYOUTS)}"
