"""Blocks read in runs give what they give one by one."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import Form, Parsed, load_form, parse
from parsers.report import ReportReader

FORMS = Path(__file__).parents[2] / "parsers" / "forms"
LABELLED = load_form((FORMS / "labelled_report.toml").read_bytes(), "labelled_report")


def own(fields: str, report: str = 'block = "blank"', more: str = "") -> Form:
    text = f'shape = "report"\n[numbers]\ndecimal = "."\n[report]\n{report}\n{more}\n{fields}'
    return load_form(text.encode(), "own")


def one_by_one(data: bytes, form: Form) -> Parsed:
    reader = ReportReader(form, data, final=True, resume=None)
    reader._runs = None
    parts = list(reader.parts())
    return Parsed(
        readings=tuple(reading for part in parts for reading in part.readings),
        faults=tuple(fault for part in parts for fault in part.faults),
        complete_to=parts[-1].complete_to,
        resume=parts[-1].resume,
    )


def runs_of(data: bytes, form: Form, **how: Any) -> int:
    """How many readings come out of runs."""
    reader = ReportReader(form, data, final=True, resume=None)
    assert reader._runs is not None
    read, count = reader._runs.read, 0

    def counted(*given: Any) -> Any:
        nonlocal count
        run = read(*given)
        count += len(run.readings)
        return run

    reader._runs.read = counted  # type: ignore[method-assign]  # looks over its shoulder
    list(reader.parts())
    return count


def block(number: int, **changes: str) -> bytes:
    lines = {
        "Count": str(number),
        "On": "2031-03-02",
        "At": "09:14:05",
        "Tube of": f"Basin {number % 7}",
        "Looked for": "COD",
        "Found": f"{number}.5 mg/L",
    } | {label.replace("_", " "): text for label, text in changes.items()}
    return "".join(f"{label}: {text}\n" for label, text in lines.items()).encode() + b"\n"


GOOD = block(1)
BLOCKS = [
    GOOD,
    block(2, Found="beyond reach"),
    block(3, Found="<0.5 mg/L N"),
    block(4, Found="0.5"),
    block(5, Found="5,1 mg/L"),
    block(6, On="2031-02-30"),
    block(7, Tube_of=""),
    block(8, Tube_of="  a  "),
    block(9, Dilution="1+9"),
    block(10, Worked_by="J\u00f6rg"),
    block(11, Absorbed=""),
    block(12, Nobody_knows="x"),
    block(13) + b"\n",
    block(14).rstrip(b"\n") + b"\n",
    block(15).replace(b"On:", b"On :"),
    block(16).replace(b"\n", b"\r\n"),
    block(17)[:-1] + b"\f\n\n",
    block(18, Tube_of="a:b"),
    block(19, Tube_of="\x07"),
    block(20).replace(b"Count", b"Count: 7\nCount"),
    b"noise\n",
    b"\n",
    b"\xff\n",
]


@given(st.lists(st.sampled_from(BLOCKS) | st.sampled_from([GOOD * 3, GOOD * 9]), max_size=30))
def test_both_ways_of_reading_agree(blocks: list[bytes]) -> None:
    data = GOOD + b"".join(blocks)
    whole = parse(data, LABELLED)
    assert whole == one_by_one(data, LABELLED)
    for reading in whole.readings:
        for name, span in reading.spans.items():
            assert data[span.start : span.end].decode() == reading.fields[name]


def test_like_blocks_are_read_in_runs_across_pieces() -> None:
    data = b"".join(map(block, range(2000)))
    whole = parse(data, LABELLED)
    assert whole == one_by_one(data, LABELLED)
    assert [reading.fields["sequence"] for reading in whole.readings] == [
        str(number) for number in range(2000)
    ]
    assert whole.readings[-1].line == 1999 * 7 + 1
    assert runs_of(data, LABELLED) > 1900
    assert "Printed(" in repr(whole.readings[5])


def test_block_that_differs_ends_a_run_and_another_begins_behind_it() -> None:
    data = GOOD * 50 + block(7, Worked_by="A") + GOOD * 50 + block(8, Found="x") + GOOD * 50
    whole = parse(data, LABELLED)
    assert whole == one_by_one(data, LABELLED)
    assert (len(whole.readings), len(whole.faults)) == (151, 1)
    assert runs_of(data, LABELLED) > 130


def test_blocks_that_alternate_are_soon_left_to_themselves() -> None:
    data = (GOOD + block(2, Dilution="2")) * 60
    assert parse(data, LABELLED) == one_by_one(data, LABELLED)
    assert runs_of(data, LABELLED) == 0


def test_cap_of_blocks_holds_within_a_run() -> None:
    form = own("[fields.value]\nlabel = 'v'", more="[limits]\nrows = 20")
    data = b"v: 1\n\n" * 30
    whole = parse(data, form)
    assert whole == one_by_one(data, form)
    assert len(whole.readings) == 20
    assert [fault.expected for fault in whole.faults] == ["at most 20 blocks"]


def test_line_that_is_too_long_is_no_part_of_a_run() -> None:
    form = own(
        "[fields.value]\nlabel = 'v'\n[fields.sample]\nlabel = 's'",
        more="[limits]\nline_length = 16",
    )
    block = b"s: a\nv: 1\n\n"
    data = block * 20 + b"s: a234567890123456\nv: 1\n\n" + block * 60
    whole = parse(data, form)
    assert whole == one_by_one(data, form)
    assert (len(whole.readings), len(whole.faults)) == (80, 2)
    assert runs_of(data, form) > 20


def test_block_with_another_label_in_the_middle_is_no_part_of_a_run() -> None:
    data = GOOD * 2 + GOOD.replace(b"Tube of", b"Tube_of") + GOOD * 50
    whole = parse(data, LABELLED)
    assert whole == one_by_one(data, LABELLED)
    assert (len(whole.readings), len(whole.faults)) == (52, 2)


@pytest.mark.parametrize(
    "form",
    [
        own("[fields.value]\nlabel = 'v'\ndefault = '7'\n[fields.sample]\nlabel = 's'"),
        own("[fields.value]\nlabel = 'v'\n[fields.unit]\nlabel = 's'\nrequired = 'no'"),
        own("[fields.value]\nlabel = 'v'\n[fields.unit]\nconstant = 'mg/L'"),
        own("[fields.value]\nlabel = 'v'\nprefix = '1'\n[fields.sample]\nlabel = 's'"),
        own("[fields.value]\nlabel = 'v'\n[fields.sample]\nlabel = 's'\nprefix = 'mg'"),
        own("[fields.value]\nlabel = 'v'", 'block = "blank"\nignore = "x"'),
        own("[fields.value]\nlabel = 'v'", 'block = "blank"\nother_labels = "s"'),
        own("[fields.value]\nlabel = 'v'"),
    ],
)
def test_forms_that_ask_for_more_are_read_as_well(form: Form) -> None:
    data = b"s: mg/L\nv: 1\n\n" * 20 + b"s: mg/L\nv: 12\n\n\n" * 20
    assert parse(data, form) == one_by_one(data, form)
