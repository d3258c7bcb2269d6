import tomllib
from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.model import Method, Role
from ingestd.plan.faults import PlanError
from ingestd.plan.plan_file import TABLES, PlanItems, read_plan_file
from tests.ingestd.plan.laboratory import DATA, FIXTURES, POLICY, waterworks

CASES: list[dict[str, Any]] = tomllib.loads(
    (DATA / "plan_faults.toml").read_text(encoding="utf-8")
)["case"]
LONG_TEXTS = {
    "EIGHTY_ONE": "x" * 81,
    "TWO_HUNDRED_AND_ONE": "x" * 201,
    "FIVE_THOUSAND_DIGITS": "9" * 5000,
}
LISTS = {
    "use TABLES": "use " + ", ".join(f"[[{name}]]" for name in TABLES),
    "use METHOD_KEYS": "use one of " + ", ".join(field.name for field in fields(Method)),
}


def faults_of(data: bytes | str) -> list[str]:
    with pytest.raises(PlanError) as refused:
        read_plan_file(data.encode() if isinstance(data, str) else data, "plan.toml", POLICY)
    return [str(fault) for fault in refused.value.faults]


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case["id"]))
def test_wrong_plan_is_refused_with_all_its_faults(case: Mapping[str, Any]) -> None:
    plan, want = case["plan"], case["faults"]
    for word, text in LONG_TEXTS.items():
        plan = plan.replace(word, text)
    for word, text in LISTS.items():
        want = [fault.replace(word, text) for fault in want]
    assert faults_of(plan) == want


def test_every_table_of_the_sample_plan_is_read() -> None:
    items = waterworks()
    for table in TABLES.values():
        assert getattr(items, table.items), table
    method, other = items.methods
    assert method.needs[2].role is Role.DUPLICATE
    assert method.programs[1].tolerance_minutes == Decimal(3)
    assert str(method.quantification_limit) == "120.5"
    assert str(other.range_low) == "0.02"
    assert [step.below for step in method.rounding] == [Decimal(1000), None]
    assert items.kit_lots[0].expires == date(2027, 1, 31)
    assert items.kit_lots[1].blank_value == Decimal("-0.004")
    assert items.sampling_points[0].limits == {"COD, total, as O2": Decimal(1200)}
    assert items.samples[0].sampled_at == datetime(2026, 3, 2, 4, 30, tzinfo=UTC)
    assert items.calibrations[0].points[1].absorbance == Decimal("0.171")
    assert items.digestion_comparisons[0].pairs[1].fast == Decimal(733)
    flask, diluent = items.dilution_steps
    assert (flask.flask_ml, flask.diluent_ml, flask.shape) == (Decimal(100), None, "triangular")
    assert str(diluent.diluent_tolerance_ml) == "0.04"
    assert diluent.shape == "rectangular"


def test_byte_order_mark_before_a_plan_is_no_fault() -> None:
    data = (FIXTURES / "waterworks" / "plan.toml").read_bytes()
    assert read_plan_file(b"\xef\xbb\xbf" + data, "plan.toml", POLICY) == waterworks()


def test_numbers_keep_the_digits_as_written() -> None:
    data = (
        b'[[control_standard]]\nlot = "C"\nanalyte = "COD"\nvalue = 0.10\nexpires = 2026-06-30\n'
    )
    assert str(read_plan_file(data, "plan.toml").control_standards[0].value) == "0.10"
    data = data.replace(b"0.10", b"1.5e2")
    assert str(read_plan_file(data, "plan.toml").control_standards[0].value) == "150"


def test_local_time_is_taken_in_the_zone_of_the_site_if_that_is_given() -> None:
    data = b'[[sample]]\ncode = "W-1"\nsampled_at = 2026-07-02T08:15:00\n'
    got = read_plan_file(data, "plan.toml", POLICY).samples[0].sampled_at
    assert got == datetime(2026, 7, 2, 6, 15, tzinfo=UTC)
    with pytest.raises(PlanError) as refused:
        read_plan_file(data, "plan.toml")
    assert str(refused.value) == (
        "plan.toml, line 3, [[sample]] 1, sampled_at: this time has no offset from UTC "
        "(found '2026-07-02 08:15:00'); write one behind it, such as +01:00"
    )


@pytest.mark.parametrize(
    ("text", "begins"),
    [
        ("[[method]]\nname = COD\n", "plan.toml, line 2: the file is not TOML: "),
        ('[[method]]\nname = "COD', "plan.toml: the file is not TOML: "),
        ('[[method]]\nname = "A"\nname = "B"\n', "plan.toml, line 3: the file is not TOML: "),
        ("x = " + "[" * 20_000, "plan.toml: the file is not TOML: "),
    ],
)
def test_file_that_is_not_toml_is_refused_with_the_line_if_there_is_one(
    text: str, begins: str
) -> None:
    (fault,) = faults_of(text)
    assert fault.startswith(begins)
    assert fault.endswith("; correct it")


def test_file_that_is_not_utf8_is_refused_with_line_and_byte() -> None:
    assert faults_of(b'[[sample]]\ncode = "\xfc"\n') == [
        "plan.toml, line 2: byte 19 of the file is not UTF-8; save it as UTF-8"
    ]


def test_file_of_many_megabytes_is_not_read() -> None:
    assert faults_of(b"#" * (8 * 2**20 + 1)) == [
        "plan.toml: the file has 8388609 bytes, more than 8388608; split it into several files"
    ]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('[[sample]]\ncode = "a"\n\n[[sample]] # second\n  "point" = 5\ncode = "b"\n', 5),
        ('[[ sample ]]\ncode = "a"\n[[sample]]\npoint=5\ncode = "b"\n', 4),
        # A header inside a long text spoils the count: no line rather than a wrong one.
        ('[[sample]]\ncode = """\n[[sample]]\n"""\npoint = 5\n', 0),
        ('sample = [{ code = "a" }, { code = "b", point = 5 }]\n', 0),
    ],
)
def test_line_of_a_fault_is_that_of_its_key_or_none(text: str, line: int) -> None:
    with pytest.raises(PlanError) as refused:
        read_plan_file(text.encode(), "plan.toml")
    assert [fault.line for fault in refused.value.faults if "point" in fault.column] == [line]


keys = st.sampled_from(["name", "method", "lot", "expires", "value", "analyte", "unit", "points"])
values = st.recursive(
    st.sampled_from(
        ["1", "-0.5", '"COD"', "true", "2026-03-02", "inf", '""', "1e400", "[]", "{}"]
    ),
    lambda inner: st.lists(inner, max_size=3).map(lambda parts: f"[{', '.join(parts)}]"),
)


@given(
    st.lists(
        st.tuples(st.sampled_from(list(TABLES)), st.dictionaries(keys, values, max_size=5)),
        min_size=1,
        max_size=4,
    )
)
def test_any_tables_are_read_or_refused_with_a_remedy(
    tables: list[tuple[str, dict[str, str]]],
) -> None:
    text = "".join(
        f"[[{name}]]\n" + "".join(f"{key} = {value}\n" for key, value in table.items())
        for name, table in tables
    )
    lines = text.count("\n")
    try:
        got = read_plan_file(text.encode(), "plan.toml", POLICY)
    except PlanError as refused:
        assert all(fault.remedy and 0 <= fault.line <= lines for fault in refused.faults)
    else:
        assert got != PlanItems()


@given(st.binary(max_size=200))
def test_any_bytes_are_refused_without_harm(data: bytes) -> None:
    with pytest.raises(PlanError):
        read_plan_file(data, "plan.toml", POLICY)
