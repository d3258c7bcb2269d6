import json
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from ingestd.model import Role, SitePolicy
from ingestd.plan.bench_sheet import SheetPlan, read_bench_sheet
from ingestd.plan.columns import COLUMNS, REQUIRED, describe_columns
from ingestd.plan.faults import PlanError
from ingestd.plan.known_inputs import KnownInputs
from tests.ingestd.plan.laboratory import BOOK, DATA, FIXTURES, POLICY

CASES: list[dict[str, Any]] = tomllib.loads(
    (DATA / "sheet_faults.toml").read_text(encoding="utf-8")
)["case"]
LONG_TEXTS = {
    "EIGHTY_ONE": "x" * 81,
    "TEN_THOUSAND": "x" * 10_000,
    "LONG": "x" * 140_000,
}
COLUMN_NAMES = ", ".join(column.name for column in COLUMNS)

HEADER = "run,method,started,position,role,sample"
ROW = "A,COD-HR,2026-03-02 08:15,1,sample,W-1"


def read(text: str, **changes: Any) -> SheetPlan:
    return read_bench_sheet(text.encode(), "sheet.csv", POLICY, replace(BOOK, **changes))


def faults_of(data: bytes | str, policy: SitePolicy = POLICY) -> list[str]:
    with pytest.raises(PlanError) as refused:
        read_bench_sheet(
            data.encode() if isinstance(data, str) else data, "sheet.csv", policy, BOOK
        )
    return [str(fault) for fault in refused.value.faults]


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case["id"]))
def test_wrong_sheet_is_refused_with_all_its_faults(case: Mapping[str, Any]) -> None:
    sheet = case["sheet"]
    for word, text in LONG_TEXTS.items():
        sheet = sheet.replace(word, text)
    assert faults_of(sheet) == [
        fault.replace("column_names", COLUMN_NAMES) for fault in case["faults"]
    ]


@pytest.mark.parametrize("name", ["day_of_cod", "two_runs_semicolons"])
def test_sample_sheet_is_read_as_expected(name: str) -> None:
    folder: Path = FIXTURES / name
    got = read_bench_sheet((folder / "sheet.csv").read_bytes(), "sheet.csv", POLICY, BOOK)
    want = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    assert TypeAdapter(SheetPlan).dump_python(got, mode="json") == want


def test_header_line_only_decides_what_parts_the_cells() -> None:
    got = read(f"{HEADER},repeats\n{ROW},one; two; three\n")
    assert got.runs[0].tubes[0].repeats == "one; two; three"
    assert got.read_as == "CSV in UTF-8 with commas, as in its header"


def test_last_line_without_end_is_a_row() -> None:
    assert len(read(f"{HEADER}\n{ROW}").runs[0].tubes) == 1


def test_header_is_taken_in_any_order_and_case() -> None:
    got = read(
        "SAMPLE,Role , position,started,method,run\nW-1,SAMPLE,1,2026-03-02 08:15,COD-HR,A\n"
    )
    assert got.runs[0].name == "A"


def test_empty_columns_behind_the_header_are_no_columns() -> None:
    assert len(read(f"{HEADER},,\n{ROW},,\n").runs[0].tubes) == 1


def test_sheet_before_any_plan_is_told_that_nothing_is_known() -> None:
    with pytest.raises(PlanError) as refused:
        read_bench_sheet(f"{HEADER}\n{ROW}\n".encode(), "sheet.csv", POLICY, KnownInputs())
    assert str(refused.value) == (
        "sheet.csv, line 2, method: there is no such method (found 'COD-HR'); "
        "use a known one (none), or load it as [[method]] first"
    )


def test_run_column_may_be_filled_on_a_later_row() -> None:
    got = read(f"{HEADER},block\n{ROW},\nA,,,2,sample,W-2,block 2\n")
    assert [(note.key, note.value) for note in got.observations] == [("block", "block 2")]


def test_tubes_are_in_order_of_their_positions() -> None:
    got = read(f"{HEADER}\nA,,,12,sample,W-12\n{ROW}\nA,,,3,blank,\n")
    assert [tube.position for tube in got.runs[0].tubes] == [1, 3, 12]


@pytest.mark.parametrize(
    ("role", "sample", "label"),
    [
        ("duplicate", "W-1", "W-1 dup"),
        ("spike", "W-1", "W-1 spike"),
        ("Colour blank", "W-1", "W-1 colour blank"),
        ("blank", "", "blank 2"),
        ("control_standard", "", "control standard 2"),
    ],
)
def test_tube_without_label_gets_the_one_documented(role: str, sample: str, label: str) -> None:
    standard = "CS-500-7" if role == "control_standard" else ""
    spike = "200" if role == "spike" else ""
    got = read(
        f"{HEADER},standard,spike_added\n{ROW},,\nA,,,2,{role},{sample},{standard},{spike}\n"
    )
    assert got.runs[0].tubes[1].label == label
    assert got.runs[0].tubes[0].label == "W-1"


def test_unknown_lot_is_planned_and_left_to_evaluation() -> None:
    got = read(f"{HEADER},lot\n{ROW},K9999\n")
    assert got.runs[0].tubes[0].lot == "K9999"


@pytest.mark.parametrize(("one_to_n", "factor"), [("total", "10"), ("parts", "11")])
def test_one_to_ten_is_read_as_the_site_says(one_to_n: Any, factor: str) -> None:
    policy = replace(POLICY, one_to_n=one_to_n)
    text = f"{HEADER},dilution\n{ROW},1:10\n"
    got = read_bench_sheet(text.encode(), "sheet.csv", policy, BOOK)
    assert str(got.runs[0].tubes[0].dilution.factor) == factor


def test_sample_known_already_and_not_spoken_of_is_left_alone() -> None:
    got = read(f"{HEADER}\nA,COD-HR,2026-03-02 08:15,1,sample,W-0416\n")
    assert got.samples == ()


def test_sheet_adds_to_what_is_known_of_a_sample() -> None:
    got = read(f"{HEADER},matrix,point\nA,COD-HR,2026-03-02 08:15,1,sample,W-0416,clear water,\n")
    assert got.samples == (replace(BOOK.samples["W-0416"], matrix="clear water"),)


def test_newer_sheet_of_the_run_that_brought_a_sample_may_correct_it() -> None:
    text = f"{HEADER},point\nA,COD-HR,2026-03-02 08:15,1,sample,W-0416,inlet\n"
    got = read(text, sample_runs={"W-0416": "A"})
    assert [sample.point for sample in got.samples] == ["inlet"]
    with pytest.raises(PlanError, match="sample W-0416 is known with outlet"):
        read(text, sample_runs={"W-0416": "B"})


def test_sampling_and_start_at_the_same_minute_are_no_contradiction() -> None:
    got = read(f"{HEADER},sampled_at\n{ROW},2026-03-02 08:15\n")
    assert got.samples[0].sampled_at == got.runs[0].started_at


def test_two_thousand_tubes_are_read_and_one_more_is_refused() -> None:
    rows = [f"A,,,{n},sample,W-{n}" for n in range(1, 2001)]
    rows[0] = ROW
    assert len(read("\n".join([HEADER, *rows])).runs[0].tubes) == 2000
    rows.append("A,,,2001,sample,W-2001")
    assert faults_of("\n".join([HEADER, *rows])) == [
        "sheet.csv, line 2002: the sheet has more than 2000 tubes; split it into several sheets"
    ]


def test_every_column_is_described_with_an_example_that_it_takes() -> None:
    """The example row of the description is loaded, so the description cannot go stale."""
    spoken_of = {"W-0417": "sample", "CS-500-7": "control_standard"}
    lines = describe_columns().splitlines()
    assert len(lines) == len(COLUMNS) + 2
    assert {line.split("|")[1].strip(" `") for line in lines[2:]} == {c.name for c in COLUMNS}
    assert [c.name for c in COLUMNS if c.required] == list(REQUIRED)
    example = {column.name: column.example for column in COLUMNS}
    spike = example | {"role": "spike", "label": "", "position": "4", "standard": ""}
    standard = example | {"role": "control_standard", "label": "", "position": "5", "lot": ""}
    sample = example | {"standard": "", "spike_added": ""}
    for column in ("sample", "spike_added", *(c.name for c in COLUMNS if c.level == "sample")):
        standard[column] = ""
    rows = [",".join(f'"{row[c.name]}"' for c in COLUMNS) for row in (sample, spike, standard)]
    got = read("\n".join([",".join(c.name for c in COLUMNS), *rows]))
    assert [tube.role for tube in got.runs[0].tubes] == [
        Role.SAMPLE,
        Role.SPIKE,
        Role.CONTROL_STANDARD,
    ]
    assert {tube.sample or tube.standard for tube in got.runs[0].tubes} == set(spoken_of)


cells = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ["", "1", "sample", "W-1", "2026-03-02 08:15", "1+9", "COD-HR", "=1", ",", '"']
    ),
)


@given(st.lists(st.lists(cells, min_size=6, max_size=7), max_size=4))
def test_any_cells_are_planned_or_refused_with_line_and_remedy(rows: list[list[str]]) -> None:
    text = "\n".join([HEADER, *(",".join(row) for row in rows)])
    try:
        got = read(text)
    except PlanError as refused:
        assert refused.faults
        assert all(fault.remedy and 0 < fault.line <= 10_000 for fault in refused.faults)
    else:
        assert got.runs


@given(st.binary(max_size=200))
def test_any_bytes_are_planned_or_refused(data: bytes) -> None:
    with pytest.raises(PlanError):
        read_bench_sheet(data, "sheet.csv", POLICY, BOOK)
