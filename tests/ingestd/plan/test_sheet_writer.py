import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.model import Role, Run, Sample, StoredReading, Tube
from ingestd.plan.bench_sheet import read_bench_sheet
from ingestd.plan.dilution import parse_dilution
from ingestd.plan.faults import PlanError
from ingestd.plan.observations import SheetObservation
from ingestd.plan.sheet_writer import draft_sheet, write_bench_sheet
from tests.ingestd.plan.laboratory import BOOK, FIXTURES, POLICY

START = datetime(2026, 3, 2, 7, 15, tzinfo=UTC)
METHOD = BOOK.methods["COD-HR"]

# --- round trip ------------------------------------------------------------------------------

codes = st.from_regex(r"\A[A-Z][A-Za-z0-9_.,;:\"' -]{0,8}[a-z0-9]\Z")
instants = st.datetimes(
    min_value=datetime.fromisoformat("2020-01-01"),
    max_value=datetime.fromisoformat("2030-01-01"),
    timezones=st.just(UTC),
).map(lambda instant: instant.replace(microsecond=0))
amounts = st.decimals(min_value="0.001", max_value=99999, places=3)
dilutions = st.sampled_from(["1", "1+9", "x2.5", "×10", "1+9 then 1+4"]).map(parse_dilution)


@st.composite
def planned(draw: st.DrawFn) -> tuple[Run, dict[str, Sample]]:
    """A run with samples, each with some of its companions, and the controls."""
    started = draw(instants)
    samples = {}
    tubes: list[Tube] = []

    def add(role: Role, **what: Any) -> None:
        label = f"tube {len(tubes) + 1}"
        tubes.append(Tube(position=len(tubes) + 1, role=role, label=label, **what))

    for code in draw(st.lists(codes, min_size=1, max_size=4, unique=True)):
        samples[code] = Sample(
            code=code,
            point=draw(st.sampled_from(["", "inlet", "outlet"])),
            matrix=draw(st.sampled_from(["", "waste water"])),
            sampled_at=draw(st.none() | st.just(started - timedelta(hours=2))),
            preserved_at=draw(st.none() | st.just(started - timedelta(hours=1))),
            preservation=draw(st.sampled_from(["", "cooled; acid"])),
            chloride_mg_l=draw(st.none() | amounts),
        )
        dilution = draw(dilutions)
        add(
            Role.SAMPLE,
            sample=code,
            dilution=dilution,
            expected=draw(st.none() | amounts),
            lot=draw(st.sampled_from(["", "K2601", "K9"])),
            repeats=draw(st.sampled_from(["", 'over range, "again"'])),
        )
        for role in draw(st.sets(st.sampled_from([Role.DUPLICATE, Role.COLOUR_BLANK]))):
            add(role, sample=code, dilution=dilution)
        if draw(st.booleans()):
            add(Role.SPIKE, sample=code, spike_added=draw(amounts))
    add(Role.BLANK)
    add(Role.CONTROL_STANDARD, standard="CS-500-7")
    run = Run(
        name=draw(codes),
        method="COD-HR",
        started_at=started,
        instrument=draw(st.sampled_from(["", "bench 1"])),
        analyst=draw(st.sampled_from(["", "mara"])),
        program=draw(st.sampled_from(["", "fast"])),
        prepared_at=draw(st.none() | st.just(started)),
        order=draw(st.sampled_from(["by_name", "in_sheet_order"])),
        tubes=tuple(tubes),
    )
    return run, samples


@given(planned(), st.sampled_from([",", ";"]))
@settings(max_examples=60)
def test_run_written_as_a_sheet_reads_back_the_same(
    plan: tuple[Run, dict[str, Sample]], delimiter: Any
) -> None:
    run, samples = plan
    text = write_bench_sheet([run], POLICY, samples=samples, delimiter=delimiter)
    got = read_bench_sheet(text.encode(), "sheet.csv", POLICY, BOOK)
    assert got.runs == (run,)
    assert {sample.code: sample for sample in got.samples} == samples


@pytest.mark.parametrize("name", ["day_of_cod", "two_runs_semicolons"])
def test_sample_sheet_written_again_says_the_same(name: str) -> None:
    data = (FIXTURES / name / "sheet.csv").read_bytes()
    plan = read_bench_sheet(data, "sheet.csv", POLICY, BOOK)
    text = write_bench_sheet(
        plan.runs,
        POLICY,
        samples={sample.code: sample for sample in plan.samples},
        observations=plan.observations,
    )
    again = read_bench_sheet(text.encode(), "sheet.csv", POLICY, BOOK)
    assert replace(again, read_as=plan.read_as, samples=()) == replace(plan, samples=())
    assert set(map(repr, again.samples)) == set(map(repr, plan.samples))


def test_sheet_has_no_columns_that_nobody_fills() -> None:
    run = Run(name="A", method="COD-HR", started_at=START, tubes=(tube(1),))
    assert write_bench_sheet([run], POLICY) == (
        "run,method,started,position,role,sample,label\n"
        "A,COD-HR,2026-03-02 08:15:00+01:00,1,sample,W-1,W-1\n"
    )


@pytest.mark.parametrize(
    ("run", "position", "key"), [("A", 1, "void"), ("A", None, "closed"), ("B", 1, "turbidity")]
)
def test_observation_that_no_row_takes_is_not_dropped(run: str, position: Any, key: Any) -> None:
    note = SheetObservation(run=run, position=position, key=key, value="clear")
    plan = Run(name="A", method="COD-HR", started_at=START, tubes=(tube(1),))
    with pytest.raises(ValueError, match="no row of the sheet takes the observation"):
        write_bench_sheet([plan], POLICY, observations=[note])


def tube(position: int) -> Tube:
    code = f"W-{position}"
    return Tube(position=position, role=Role.SAMPLE, sample=code, label=code)


# --- drafts ----------------------------------------------------------------------------------


def reading(number: int, sample: str | None, **changes: Any) -> StoredReading:
    values: dict[str, Any] = {
        "id": number,
        "capture": 1,
        "instrument": "bench 1",
        "source": "folder",
        "method": "cod  1500",
        "sample": sample,
        "value": Decimal(500),
        "censored": "",
        "unit": "mg/L",
        "basis": None,
        "measured_at": START,
        "arrived_at": START,
    }
    return StoredReading(**(values | changes))


def draft(readings: Sequence[StoredReading], **options: Any) -> str:
    return draft_sheet(readings, METHOD, "A", START, POLICY, **options)


def faults_of(readings: Sequence[StoredReading]) -> list[str]:
    with pytest.raises(PlanError) as refused:
        draft(readings)
    return [str(fault) for fault in refused.value.faults]


def test_draft_has_a_row_for_each_printed_name() -> None:
    readings = [
        reading(1, "W-1", dilution=Decimal("1E+1")),
        reading(2, "W-2"),
        reading(3, "w-1 ", dilution=Decimal(10)),
    ]
    assert draft(readings, dilution="1") == (
        "run,method,started,instrument,position,role,sample,label,dilution,lot\n"
        "A,COD-HR,2026-03-02 08:15:00+01:00,bench 1,1,sample,W-1,W-1,10,\n"
        "A,,,,2,sample,W-2,W-2,1,\n"
    )


def test_draft_of_names_and_dilutions_can_be_loaded_as_it_is() -> None:
    text = draft([reading(1, "W-1", dilution=Decimal(10)), reading(2, "W-2")], dilution="1")
    (run,) = read_bench_sheet(text.encode(), "sheet.csv", POLICY, BOOK).runs
    assert [(t.label, str(t.dilution.factor)) for t in run.tubes] == [("W-1", "10"), ("W-2", "1")]
    assert run.started_at == START


@pytest.mark.parametrize(
    ("factors", "cell"), [([None], "?"), ([Decimal(10), Decimal(20)], "10 or 20")]
)
def test_draft_with_a_dilution_in_doubt_is_not_loaded_before_a_person_settles_it(
    factors: Sequence[Decimal | None], cell: str
) -> None:
    text = draft([reading(n, "W-1", dilution=factor) for n, factor in enumerate(factors)])
    with pytest.raises(PlanError, match=f"this is not a dilution \\(found '{re.escape(cell)}'\\)"):
        read_bench_sheet(text.encode(), "sheet.csv", POLICY, BOOK)


def test_draft_of_readings_without_names_keeps_their_order_and_waits_for_samples() -> None:
    text = draft([reading(1, None), reading(2, "")], delimiter=";", dilution="1")
    assert text == (
        "run;method;started;instrument;order;position;role;sample;dilution;lot\n"
        "A;COD-HR;2026-03-02 08:15:00+01:00;bench 1;in_sheet_order;1;sample;;1;\n"
        "A;;;;;2;sample;;1;\n"
    )
    with pytest.raises(PlanError, match="line 2, sample: the cell is empty"):
        read_bench_sheet(text.encode(), "sheet.csv", POLICY, BOOK)


def test_draft_of_several_instruments_names_none() -> None:
    text = draft([reading(1, "W-1"), reading(2, "W-2", instrument="bench 2")])
    assert "instrument" not in text


@pytest.mark.parametrize(
    ("readings", "faults"),
    [
        ([], ["readings: there are no readings to plan a run for; name some that wait"]),
        (
            [reading(1, "W-1"), reading(2, None)],
            [
                (
                    "readings: some of the readings have a printed name and some have none "
                    "(found '1 of 2'); plan a run for each of the two kinds"
                )
            ],
        ),
        (
            [reading(1, None), reading(2, None, instrument="bench 2")],
            [
                (
                    "readings: readings without names come from several instruments "
                    "(found 'bench 1, bench 2'); plan a run for each instrument"
                )
            ],
        ),
        (
            [reading(7, "W-1", method="NH4-LR"), reading(8, "W-2", method=None)],
            [
                (
                    "reading 7: the instrument names another method than COD-HR (found 'NH4-LR'); "
                    "leave the reading out, or plan the run by its method"
                )
            ],
        ),
        (
            [reading(7, "=CMD()"), reading(8, "W\x002"), reading(9, "x" * 81)],
            [
                (
                    "reading 7: the cell begins with = and would run as a formula in a "
                    "spreadsheet (found '=CMD()'); plan and place this one by hand"
                ),
                (
                    "reading 8: character 2 is invisible (U+0000) (found 'W\\x002'); "
                    "plan and place this one by hand"
                ),
                "reading 9: the text has 81 characters, more than 80 (found '" + "x" * 39 + "…'); "
                "plan and place this one by hand",
            ],
        ),
    ],
    ids=["none", "names_for_some", "several_instruments", "another_method", "hostile_names"],
)
def test_readings_that_make_no_run_are_refused(
    readings: list[StoredReading], faults: list[str]
) -> None:
    assert faults_of(readings) == faults
